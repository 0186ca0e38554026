"""What the hardware can take from what is fitted now: steps, ranges, sums, locked parts.

Everything is counted in whole steps from what is fitted, which need not lie on the grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.effects import move_amounts
from adapt.log import History
from adapt.rotor import Adjuster, Rotor

__all__ = ["Fitted", "Hardware", "every_place", "fitted_now", "hardware_of", "hardware_on"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]

TOLERANCE_STEPS = 1e-6


@dataclass(frozen=True, eq=False)
class Hardware:
    """What can be moved, and how far. Axis `variable` = one adjuster on one blade.

    blade, adjuster: (variable,) positions in the rotor file. step: (variable,) amount of one step.
    low, high: (variable,) whole steps that may be moved, low <= 0 <= high.
    rows: (constraint, variable), amounts for each step; row_low <= rows @ steps <= row_high.
    minutes: (variable,) labour of one move, NaN when not given; access: (adjuster,) once a plan.
    fitted: (blade, adjuster) amounts fitted now. notes: what was assumed or is out of range.
    share_of_range: (variable,) one step as a share of the adjuster's fitted range.
    assumed: the (blade, adjuster) positions whose fitted amount is not known (0 assumed).
    """

    blade: Int
    adjuster: Int
    step: Real
    low: Int
    high: Int
    rows: Real
    row_low: Real
    row_high: Real
    minutes: Real
    access: Real
    fitted: Real
    share_of_range: Real
    assumed: frozenset[tuple[int, int]]
    notes: tuple[str, ...]

    def amounts(self, steps: npt.ArrayLike) -> Real:
        """Return the moves as amounts, shape (..., blade, adjuster), from steps (..., variable)."""
        n = np.asarray(steps, dtype=float)
        table = np.zeros((*n.shape[:-1], *self.fitted.shape))
        table[..., self.blade, self.adjuster] = n * self.step
        return table

    def plan_minutes(self, steps: npt.ArrayLike) -> float:
        """Return the labour of a plan [min]: each move, and access once for each adjuster used."""
        moved = np.asarray(steps) != 0
        used = np.unique(self.adjuster[moved])
        return float(self.minutes[moved].sum() + self.access[used].sum())

    def only(self, keep: npt.NDArray[np.bool_]) -> Hardware:
        """Return the hardware of some variables alone, (variable,)."""
        return replace(
            self,
            blade=self.blade[keep],
            adjuster=self.adjuster[keep],
            step=self.step[keep],
            low=self.low[keep],
            high=self.high[keep],
            rows=self.rows[:, keep],
            minutes=self.minutes[keep],
            share_of_range=self.share_of_range[keep],
        )

    def allows(self, steps: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        """Return whether plans keep every bound, shape (...), from steps (..., variable)."""
        inside = ((steps >= self.low) & (steps <= self.high)).all(axis=-1)
        sums = steps @ self.rows.T
        held = (sums >= self.row_low) & (sums <= self.row_high)
        return np.asarray(inside & held.all(axis=-1))


@dataclass(frozen=True, eq=False)
class Fitted:
    """What a rotor carries. Axes: blade, adjuster.

    amounts: fitted now; known: whether they are recorded (0 is assumed where not); moved: the sum
    of the job's moves.
    """

    amounts: Real
    known: npt.NDArray[np.bool_]
    moved: Real

    def after(self, amounts: Real) -> Fitted:
        """Return what is fitted after moves of these amounts, (blade, adjuster)."""
        return replace(self, amounts=self.amounts + amounts, moved=self.moved + amounts)


def fitted_now(rotor: Rotor, history: History, job: str) -> Fitted:
    """Return what is fitted after all the job's moves; what was not recorded counts as 0."""
    start = history.fitted[history.fitted["job"] == job]
    amounts = move_amounts(
        rotor, list(start["blade"]), list(start["adjuster"]), list(start["amount"])
    )
    known = (
        move_amounts(rotor, list(start["blade"]), list(start["adjuster"]), [1.0] * len(start)) > 0
    )
    made = history.moves[history.moves["job"] == job]
    moved = move_amounts(rotor, list(made["blade"]), list(made["adjuster"]), list(made["amount"]))
    return Fitted(amounts + moved, known, moved)


def hardware_of(rotor: Rotor, history: History, job: str) -> Hardware:
    """Return what may be moved on the rotor of a job, given what is fitted now."""
    return hardware_on(rotor, fitted_now(rotor, history, job))


def hardware_on(rotor: Rotor, state: Fitted) -> Hardware:
    """Return what may be moved where so much is fitted."""
    fitted = state.amounts
    notes: list[str] = []
    variables: list[tuple[int, int, int, int]] = []
    for column, adjuster in enumerate(rotor.adjusters):
        for row, blade in enumerate(rotor.blades):
            if not adjuster.fits(blade):
                continue
            low, high = _steps(adjuster, fitted[row, column])
            if not _inside(adjuster, fitted[row, column]):
                notes.append(
                    f"{adjuster.name} on blade {blade}: {fitted[row, column]:g} {adjuster.unit} "
                    f"fitted is outside {_range_text(adjuster.fitted_range)}; it is only moved "
                    "towards its range"
                )
            if low < high:
                variables.append((row, column, low, high))
    table = np.array(variables, dtype=np.int64).reshape(-1, 4)
    step = np.array([rotor.adjusters[a].step for a in table[:, 1]], dtype=float)
    rows, row_low, row_high = _constraints(rotor, table, step, fitted, state.moved, notes)
    minutes = [rotor.adjusters[a].minutes for a in table[:, 1]]
    return Hardware(
        blade=table[:, 0],
        adjuster=table[:, 1],
        step=step,
        low=table[:, 2],
        high=table[:, 3],
        rows=rows,
        row_low=row_low,
        row_high=row_high,
        minutes=np.array([np.nan if m is None else m for m in minutes], dtype=float),
        access=np.array([a.access_minutes for a in rotor.adjusters], dtype=float),
        fitted=fitted,
        share_of_range=step / np.array([_span(rotor.adjusters[a]) for a in table[:, 1]]),
        assumed=frozenset((int(b), int(a)) for b, a in zip(*np.nonzero(~state.known), strict=True)),
        notes=tuple(notes),
    )


def _inside(adjuster: Adjuster, fitted: float) -> bool:
    slack = TOLERANCE_STEPS * adjuster.step
    return adjuster.fitted_range[0] - slack <= fitted <= adjuster.fitted_range[1] + slack


def _span(adjuster: Adjuster) -> float:
    return max(adjuster.fitted_range[1] - adjuster.fitted_range[0], adjuster.step)


def _steps(adjuster: Adjuster, fitted: float) -> tuple[int, int]:
    """Whole steps that one blade may move from `fitted`: bounds round inwards."""
    low, high = _toward(
        adjuster.fitted_range[0] - fitted, adjuster.fitted_range[1] - fitted, adjuster.step
    )
    if adjuster.largest_move is not None:
        most = math.floor(adjuster.largest_move / adjuster.step + TOLERANCE_STEPS)
        low, high = max(low, -most), min(high, most)
    return low, high


def _toward(room_down: float, room_up: float, step: float) -> tuple[int, int]:
    """Steps that fit into [room_down, room_up]; from outside only towards it, so 0 is in."""
    low = math.ceil(room_down / step - TOLERANCE_STEPS)
    high = math.floor(room_up / step + TOLERANCE_STEPS)
    return min(low, 0), max(high, 0)


def _constraints(
    rotor: Rotor,
    table: npt.NDArray[np.int64],
    step: Real,
    fitted: Real,
    moved: Real,
    notes: list[str],
) -> tuple[Real, Real, Real]:
    """Rows over the variables, in amounts: sums over blades, and ranges shared on a blade."""
    rows: list[Real] = []
    lows: list[float] = []
    highs: list[float] = []

    def add(members: npt.NDArray[np.bool_], down: float, up: float, what: str) -> None:
        if not members.any():
            return
        slack = TOLERANCE_STEPS * float(step[members].min())
        if down > slack or up < -slack:
            notes.append(f"{what} is already outside its bounds; it is only moved towards them")
        rows.append(np.where(members, step, 0.0))
        lows.append(min(down, 0.0) - slack)
        highs.append(max(up, 0.0) + slack)

    for column, adjuster in enumerate(rotor.adjusters):
        if adjuster.sum_range is not None:
            total = float(moved[:, column].sum())
            add(
                table[:, 1] == column,
                adjuster.sum_range[0] - total,
                adjuster.sum_range[1] - total,
                f"the sum of all {adjuster.name} moves of the job ({total:g} {adjuster.unit})",
            )
    for shared in rotor.shared_ranges:
        columns = [rotor.adjuster_names.index(name) for name in shared.adjusters]
        for row, blade in enumerate(rotor.blades):
            total = float(fitted[row, columns].sum())
            add(
                (table[:, 0] == row) & np.isin(table[:, 1], columns),
                shared.fitted_range[0] - total,
                shared.fitted_range[1] - total,
                f"what blade {blade} carries of {' and '.join(shared.adjusters)} ({total:g})",
            )
    shape = (len(rows), len(step))
    return np.array(rows).reshape(shape), np.array(lows), np.array(highs)


def _range_text(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} to {limits[1]:g}"


def every_place(rotor: Rotor, fitted: Real) -> Hardware:
    """Return hardware with a variable for every place, adjusters first, that may not be moved.

    For moves that are given, not sought; fitted: (blade, adjuster).
    """
    blades, adjusters = len(rotor.blades), len(rotor.adjusters)
    column = np.repeat(np.arange(adjusters), blades)
    count = blades * adjusters
    minutes = [a.minutes for a in rotor.adjusters]
    return Hardware(
        blade=np.tile(np.arange(blades), adjusters),
        adjuster=column,
        step=np.array([a.step for a in rotor.adjusters], dtype=float)[column],
        low=np.zeros(count, dtype=np.int64),
        high=np.zeros(count, dtype=np.int64),
        rows=np.zeros((0, count)),
        row_low=np.zeros(0),
        row_high=np.zeros(0),
        minutes=np.array([np.nan if m is None else m for m in minutes], dtype=float)[column],
        access=np.array([a.access_minutes for a in rotor.adjusters], dtype=float),
        fitted=fitted,
        share_of_range=np.ones(count),
        assumed=frozenset(),
        notes=(),
    )
