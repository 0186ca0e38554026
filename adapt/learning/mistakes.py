"""The mistakes that people make in a log, as changes to what is entered, with their prior odds.

Prior shares are common practice (no source): what a mistake is assumed to be when it is one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.rotor import Rotor

__all__ = ["AS_ENTERED", "Mistake", "mistakes_of_moves", "mistakes_of_readings"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

AS_ENTERED = "as entered"
WRONG_PAIR = 0.03  # of the pairs have something wrong with their moves
WRONG_RUN = 0.015  # of the runs have something wrong with their readings
SHARES = {  # of a wrong pair, of a wrong run
    "neighbouring blade": 0.34, "other blade": 0.10, "sign": 0.20, "not made": 0.10,
    "not recorded": 0.08, "other adjuster": 0.08, "amount": 0.06, "blade order": 0.04,
    "clock one hour": 0.40, "clock six hours": 0.20, "lead for lag": 0.15,
    "sensors swapped": 0.15, "regimes swapped": 0.10,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Mistake:
    """What would have been entered rightly.

    run: position in the segment of the run concerned (for moves: the run that they led to).
    touches: runs whose pairs it bears on. amounts: (blade, adjuster), the moves really made.
    readings: (channel,), what was really read, where `read_otherwise`. spread: (blade, adjuster),
    sds of a move of unknown size. wild: the step is left unexplained.
    """

    kind: str
    text: str
    run: int
    touches: frozenset[int]
    log_prior: float
    amounts: Real | None = None
    readings: Array | None = None
    read_otherwise: Any = None
    spread: Real | None = None
    wild: bool = field(default=False)


def mistakes_of_moves(rotor: Rotor, amounts: Real, run: int) -> list[Mistake]:
    """Return everything that may be wrong with the moves that led to one run of a segment.

    amounts: (run, blade, adjuster), moves that led to each run; the first run has none.
    """
    here: dict[str, list[tuple[str, Real | None, Real | None]]] = {}
    for kind, text, changed in _changed_moves(rotor, amounts[run]):
        here.setdefault(kind, []).append((text, changed, None))
    here["not recorded"] = [(text, None, spread) for text, spread in _unrecorded(rotor)]
    return [
        Mistake(
            kind, text, run, frozenset({run}),
            float(np.log(WRONG_PAIR * SHARES[kind] / len(listed))), changed, spread=spread,
        )
        for kind, listed in here.items()
        for text, changed, spread in listed
    ]  # fmt: skip


def _changed_moves(rotor: Rotor, made: Real) -> Iterator[tuple[str, str, Real]]:
    """Yield (kind, words, moves really made) for the moves entered between two runs."""
    blades = len(rotor.blades)
    entered = np.argwhere(made != 0)
    for b, a in entered:
        amount, adjuster = float(made[b, a]), rotor.adjusters[a]
        what = f"{amount:+g} {adjuster.unit} of {adjuster.name}"
        blade = rotor.blades[b]
        for other in range(blades):
            if other != b:
                next_to = (other - b) % blades in (1, blades - 1)
                kind = "neighbouring blade" if next_to else "other blade"
                yield (
                    kind,
                    f"{what} was on blade {rotor.blades[other]}, not {blade}",
                    _moved(made, (b, a), (other, a), amount),
                )
        yield (
            "sign",
            f"{what} on blade {blade} was {-amount:+g}",
            _moved(made, (b, a), (b, a), -amount),
        )
        yield "not made", f"{what} on blade {blade} was not made", _moved(made, (b, a), (b, a), 0.0)
        for factor in (0.1, 10.0):
            yield (
                "amount",
                f"{what} on blade {blade} was {factor * amount:+g}",
                _moved(made, (b, a), (b, a), factor * amount),
            )
        for other in range(len(rotor.adjusters)):
            if other != a:
                steps = amount / adjuster.step * rotor.adjusters[other].step
                for size in {amount, steps}:
                    yield (
                        "other adjuster",
                        f"{what} on blade {blade} was {size:+g} {rotor.adjusters[other].unit} of "
                        f"{rotor.adjusters[other].name}",
                        _moved(made, (b, a), (b, other), size),
                    )
    if len(entered) > 1:
        yield "not made", "none of the moves was made", np.zeros_like(made)
        yield "sign", "all moves had the other sign", -made
    if len(entered) and blades > 2:
        backwards = made[(-np.arange(blades)) % blades]
        if not np.array_equal(backwards, made):
            yield (
                "blade order",
                f"blades were counted the wrong way round from blade {rotor.blades[0]}",
                backwards,
            )


def _moved(made: Real, source: tuple[int, int], target: tuple[int, int], amount: float) -> Real:
    changed = made.copy()
    changed[source] = 0.0
    changed[target] += amount
    return changed


def _unrecorded(rotor: Rotor) -> Iterator[tuple[str, Real]]:
    """Yield (words, sds) of one more move of unknown size on any blade."""
    for a, adjuster in enumerate(rotor.adjusters):
        usual = adjuster.largest_move or 0.25 * (
            adjuster.fitted_range[1] - adjuster.fitted_range[0]
        )
        for b, blade in enumerate(rotor.blades):
            spread = np.zeros((len(rotor.blades), len(rotor.adjusters)))
            spread[b, a] = 0.5 * usual
            yield f"a move of {adjuster.name} on blade {blade} was not recorded", spread


def mistakes_of_readings(rotor: Rotor, readings: Array, run: int) -> list[Mistake]:
    """Return everything that may be wrong with the readings of one run of a segment.

    readings: (run, channel), NaN where not read.
    """
    row = readings[run]
    here: dict[str, list[tuple[str, Array, Any]]] = {}
    for kind, text, changed, otherwise in _changed_readings(rotor, row, ~np.isnan(row)):
        here.setdefault(kind, []).append((text, changed, otherwise))
    touches = frozenset(k for k in (run, run + 1) if 0 < k < len(readings))
    return [
        Mistake(
            kind, text, run, touches, float(np.log(WRONG_RUN * SHARES[kind] / len(listed))),
            readings=changed, read_otherwise=otherwise,
        )
        for kind, listed in here.items()
        for text, changed, otherwise in listed
    ]  # fmt: skip


def _changed_readings(
    rotor: Rotor, row: Array, read: npt.NDArray[np.bool_]
) -> Iterator[tuple[str, str, Array, Any]]:
    """Yield (kind, words, what was really read, where) for the readings of one run."""
    sensors, regimes = len(rotor.sensors), len(rotor.regimes)
    sensor_of = np.repeat(np.arange(sensors), regimes)
    hour = np.exp(1j * np.pi / 6.0)
    turns = [
        ("clock one hour", "one hour too far on", hour.conj()),
        ("clock one hour", "one hour too far back", hour),
        ("clock six hours", "six hours off", -1.0),
    ]
    for kind, words, turn in turns:
        for j in np.flatnonzero(read):
            sensor, regime = rotor.channels[j]
            at = np.arange(len(row)) == j
            yield kind, f"clock of {sensor} in {regime} was {words}", row * turn, at
        for s in range(sensors):
            at = (sensor_of == s) & read
            if at.sum() > 1:
                yield kind, f"all clocks of {rotor.sensors[s].name} were {words}", row * turn, at
    for s in range(sensors):
        at = (sensor_of == s) & read
        if at.any():
            yield (
                "lead for lag",
                f"phases of {rotor.sensors[s].name} were entered as lead for lag, or lag for lead",
                row.conj(),
                at,
            )
    table = row.reshape(sensors, regimes)
    for s in range(sensors):
        for t in range(s + 1, sensors):
            swapped = table.copy()
            swapped[[s, t]] = table[[t, s]]
            at = np.isin(sensor_of, (s, t)) & ~np.isnan(swapped.ravel()) & read
            if at.sum() > 1:
                names = f"{rotor.sensors[s].name} and {rotor.sensors[t].name}"
                yield "sensors swapped", f"readings of {names} were swapped", swapped.ravel(), at
    for g in range(regimes):
        for h in range(g + 1, regimes):
            swapped = table.copy()
            swapped[:, [g, h]] = table[:, [h, g]]
            regime_of = np.tile(np.arange(regimes), sensors)
            at = np.isin(regime_of, (g, h)) & ~np.isnan(swapped.ravel()) & read
            if at.sum() > 1:
                names = f"{rotor.regimes[g].name} and {rotor.regimes[h].name}"
                yield "regimes swapped", f"readings of {names} were swapped", swapped.ravel(), at
