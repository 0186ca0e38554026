"""The planning problem on plain arrays: its definition, and random ones of many shapes.

Written from the definition of the job alone and without `adapt`, so that what is compared on these
problems agrees for no other reason than that it is right. Who solves them: `solvers`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Real = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

INSIDE = 1.0 + 1e-9  # a ratio up to here counts as inside


@dataclass(frozen=True, eq=False)
class PlanningProblem:
    """Whole step counts n, shape (variable,), and everything that has a limit.

    Amplitude rows: sqrt(|level + column n|^2 + n' hedge n) / limit.
    Track: (highest - lowest of heights + track_column n) / track_limit in each regime; with a
    hedge, the largest sqrt(difference^2 + n' track_hedge n) / track_limit over pairs of blades.
    Rows that are only_inside must be at most 1 and do not count in the worst ratio.
    """

    lower: Real  # (variable,), <= 0
    upper: Real  # (variable,), >= 0
    level: Complex  # (row,)
    column: Complex  # (row, variable), per step
    limit: Real  # (row,)
    hedge: Real  # (row, variable, variable), positive semidefinite
    only_inside: npt.NDArray[np.bool_]  # (row,)
    heights: Real  # (regime, blade)
    track_column: Real  # (regime, blade, variable)
    track_limit: Real  # (regime,)
    track_hedge: Real  # (regime, blade, blade, variable, variable), positive semidefinite
    track_only_inside: npt.NDArray[np.bool_]  # (regime,)
    linear: Real  # (constraint, variable)
    linear_low: Real  # (constraint,)
    linear_high: Real  # (constraint,)
    most_moves: int | None

    @property
    def counts(self) -> npt.NDArray[np.bool_]:
        """Which ratios count in the worst one, shape (row + regime,)."""
        return ~np.concatenate([self.only_inside, self.track_only_inside])

    @property
    def cap(self) -> int:
        """Most moves, at most one for each variable."""
        return len(self.lower) if self.most_moves is None else min(self.most_moves, len(self.lower))


def only(problem: PlanningProblem, moved: Sequence[int]) -> PlanningProblem:
    """Return the problem of these variables alone, the others staying as they are."""
    moved = list(moved)
    return replace(
        problem,
        lower=problem.lower[moved],
        upper=problem.upper[moved],
        column=problem.column[:, moved],
        hedge=problem.hedge[:, moved][:, :, moved],
        track_column=problem.track_column[:, :, moved],
        track_hedge=problem.track_hedge[..., moved, :][..., moved],
        linear=problem.linear[:, moved],
    )


def ratios(problem: PlanningProblem, steps: npt.ArrayLike) -> Real:
    """Return every reading / limit by its definition, shape (..., row + regime)."""
    n = np.asarray(steps, dtype=float)
    square = np.abs(problem.level + n @ problem.column.T) ** 2 + _quadratic(problem.hedge, n)
    heights = problem.heights + np.einsum("tbi,...i->...tb", problem.track_column, n)
    apart = (heights[..., :, None] - heights[..., None, :]) ** 2
    apart += _quadratic(problem.track_hedge, n)
    spread = np.sqrt(apart.max(axis=(-2, -1)))
    return np.concatenate([np.sqrt(square) / problem.limit, spread / problem.track_limit], axis=-1)


def _quadratic(form: Real, n: Real) -> Real:
    """Return n' form n, shape (..., *row), for form (*row, variable, variable)."""
    if not form.any():
        return np.zeros(n.shape[:-1] + form.shape[:-2])
    flat = n.reshape(-1, n.shape[-1])
    value = ((flat @ form.reshape(-1, *form.shape[-2:])) * flat).sum(axis=-1)
    return value.T.reshape(n.shape[:-1] + form.shape[:-2])


def worst_ratio(problem: PlanningProblem, steps: npt.ArrayLike) -> Real:
    """Return the largest ratio that counts, 0 when none does, shape (...)."""
    return ratios(problem, steps)[..., problem.counts].max(axis=-1, initial=0.0)


def allowed(problem: PlanningProblem, steps: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return whether bounds, linear constraints and only_inside rows hold, shape (...)."""
    n = np.asarray(steps, dtype=float)
    sums = n @ problem.linear.T
    return np.asarray(
        ((n >= problem.lower) & (n <= problem.upper)).all(axis=-1)
        & ((sums >= problem.linear_low - 1e-9) & (sums <= problem.linear_high + 1e-9)).all(axis=-1)
        & (ratios(problem, n)[..., ~problem.counts] <= INSIDE).all(axis=-1)
    )


def random_problem(
    rng: np.random.Generator,
    blades: int | None = None,
    adjusters: int | None = None,
    regimes: int | None = None,
    sensors: int | None = None,
    track: bool | None = None,
    hedged: bool | None = None,
    most_moves: int | None = None,
) -> PlanningProblem:
    """Return a problem that looks like a job; what is not given is drawn.

    Variables are (blade, adjuster), blade by blade; rows are (sensor, regime), sensor by sensor.
    Readings come from hidden moves that would mend them, plus a rest that no move mends, so some
    problems have a fix and some do not. Ranges may be one-sided, sums over blades bounded or zero,
    two adjusters of one blade may share a range, rows may be only_inside.
    """
    blades = int(rng.integers(2, 6)) if blades is None else blades
    adjusters = int(rng.integers(1, 4)) if adjusters is None else adjusters
    regimes = int(rng.integers(1, 5)) if regimes is None else regimes
    sensors = int(rng.integers(1, 4)) if sensors is None else sensors
    track = bool(rng.random() < 0.6) if track is None else track
    hedged = bool(rng.random() < 0.7) if hedged is None else hedged
    rows, variables = sensors * regimes, blades * adjusters
    if most_moves is None:
        most_moves = int(rng.integers(1, 5 if variables <= 9 else 4))

    lower = np.zeros((blades, adjusters))
    upper = np.zeros((blades, adjusters))
    for a in range(adjusters):
        reach = int(rng.integers(2, 5))
        fitted = rng.integers(0, reach + 1, blades)
        one_sided = rng.random() < 0.4  # what is fitted may come off, or nothing is fitted
        lower[:, a] = -np.minimum(fitted, reach) if one_sided else -reach
        upper[:, a] = reach
    lower[rng.random(lower.shape) < 0.1] = 0.0
    upper[rng.random(upper.shape) < 0.05] = 0.0
    lower, upper = lower.reshape(variables), upper.reshape(variables)

    turn = np.exp(2j * np.pi * np.arange(blades) / blades)
    sums = np.einsum("b,ac->abc", turn, np.eye(adjusters)).reshape(adjusters, variables)
    limit = rng.uniform(0.1, 2.0, rows)
    effect = 0.7 * limit[:, None] * _phasors(rng, (rows, adjusters))
    effect *= rng.uniform(0.3, 1.0, adjusters)
    column = effect @ sums
    hidden = np.where(rng.random(variables) < 0.5, rng.integers(lower, upper + 1), 0)
    level = -column @ hidden + 0.25 * limit * _phasors(rng, rows)
    spread = 0.2 * np.abs(effect)[:, :, None] * rng.normal(size=(rows, adjusters, adjusters))
    cov = spread @ spread.swapaxes(1, 2) if hedged else np.zeros((rows, adjusters, adjusters))
    hedge = np.einsum("ai,jac,ck->jik", sums, cov, sums.conj()).real

    # A unit move lifts its own blade by t (1 - 1/N) and every other by -t / N.
    shape = (regimes if track else 0, adjusters)
    track_limit = rng.uniform(3.0, 12.0, shape[0])
    lift = 0.3 * track_limit[:, None] * rng.normal(size=shape) * (rng.random(adjusters) < 0.7)
    centred = np.eye(blades) - 1.0 / blades
    track_column = np.einsum("bd,ta->tbda", centred, lift).reshape(shape[0], blades, variables)
    rest = 0.2 * track_limit[:, None] * rng.normal(size=(shape[0], blades))
    heights = -track_column @ hidden + rest - rest.mean(axis=1, keepdims=True)
    apart = np.eye(blades)[:, None, :] - np.eye(blades)[None, :, :]  # (blade, blade, blade)
    pairs = np.einsum("pqd,ac->pqadc", apart, np.eye(adjusters))
    pairs = pairs.reshape(blades, blades, adjusters, variables)
    track_spread = 0.2 * lift[:, :, None] * rng.normal(size=(shape[0], adjusters, adjusters))
    track_cov = track_spread @ track_spread.swapaxes(1, 2) if hedged else 0.0 * track_spread
    track_hedge = np.einsum("pqai,tac,pqck->tpqik", pairs, track_cov, pairs)

    linear, low, high = [], [], []
    for a in range(adjusters):
        if rng.random() < 0.4:
            linear.append(np.tile(np.eye(adjusters)[a], blades))
            low.append(-float(rng.integers(0, 2)))
            high.append(0.0)
    if adjusters > 1 and rng.random() < 0.3:
        for b in range(blades):
            linear.append(np.kron(np.eye(blades)[b], np.isin(np.arange(adjusters), [0, 1])))
            low.append(-2.0)
            high.append(2.0)
    only_inside = rng.random(rows) < 0.15
    only_inside[rng.integers(rows)] = False
    return PlanningProblem(
        lower=lower,
        upper=upper,
        level=level,
        column=column,
        limit=limit,
        hedge=hedge,
        only_inside=only_inside,
        heights=heights,
        track_column=track_column,
        track_limit=track_limit,
        track_hedge=track_hedge,
        track_only_inside=rng.random(shape[0]) < 0.15,
        linear=np.array(linear).reshape(len(linear), variables),
        linear_low=np.array(low),
        linear_high=np.array(high),
        most_moves=most_moves,
    )


def _phasors(rng: np.random.Generator, shape: int | tuple[int, ...]) -> Complex:
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)
