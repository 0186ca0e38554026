"""Which moves a test is about: those since a run, at once or little by little, or on one blade.

A profile says how much of a whole change has come about at each run, 0 to 1: a step is all there
from its run on; a ramp grows by the same amount with each pair that has moves, whole at the last.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.cases import Cases
from adapt.learning.health.kinds import Kinds
from adapt.learning.rows.pairs import MOVED

__all__ = [
    "LEAST_PAIRS", "Since", "candidates", "concerned_by", "moved_runs", "parts_by_blade",
    "parts_since",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

LEAST_PAIRS = 2  # with moves: before a change, since it, and on a blade
RAMP_PAIRS = (24, 12, 6)  # that a ramp may have lasted, beside all: fewer are like a step
LEAST_RAMP = 6


@dataclass(frozen=True, eq=False)
class Since:
    """Runs since which cases may answer otherwise: ramps first, then steps, in rising order.

    run: (case, part), one beyond the last run = none. ramps: how many of the parts are ramps.
    pairs: (case, part), pairs with moves since then. profile: (case, part, run).
    """

    run: Whole
    ramps: int
    pairs: Whole
    profile: Real

    def of(self, chosen: Whole) -> Since:
        """Return the same of some cases, repeated as often as they are named."""
        return Since(self.run[chosen], self.ramps, self.pairs[chosen], self.profile[chosen])


def moved_runs(cases: Cases) -> Truth:
    """Return where a pair with moves ends in a run with a reading, (case, run)."""
    moved = (np.abs(cases.moves) > MOVED).any(axis=(2, 3, 4))
    read = ~np.isnan(cases.readings).all(axis=(2, 3))
    return np.asarray(moved & read & ~cases.starts)


def candidates(moved: Truth, most: int | None = None) -> Since:
    """Return the runs since which a case may have changed, of steps thinned to `most`.

    Thinned, ramps begin at few runs only; without `most` at every one with enough pairs since.

    moved: (case, run), where pairs with moves end. A step has enough of them on both sides; where a
    case has fewer candidates than others, the rest stand beyond its last run. Two steps are alike
    if their log odds of pairs since and before are, so that is what thinning spreads evenly.
    """
    count, length = moved.shape
    steps, ramps = [], []
    for row in moved:
        at = np.flatnonzero(row)
        ramps.append(_ramps(at, most is None))
        steps.append(_thinned(at, most))
    listed = (ramps, steps)
    width = [max((len(x) for x in kind), default=0) for kind in listed]
    run = np.full((count, sum(width)), length)
    for first, kind in zip((0, width[0]), listed, strict=True):
        for case, at in enumerate(kind):
            run[case, first : first + len(at)] = at
    later = (np.arange(length) >= run[..., None]) & moved[:, None]
    place = np.cumsum(later, axis=2)
    pairs = later.sum(axis=2)
    profile = (np.arange(length) >= run[..., None]).astype(float)
    ramp = place / np.maximum(pairs, 1)[..., None]
    profile[:, : width[0]] = ramp[:, : width[0]]
    return Since(run, width[0], pairs, profile)


def _ramps(at: Whole, every: bool) -> Whole:
    """Return where ramps may begin in rising order, given where pairs with moves end."""
    if len(at) < LEAST_RAMP or every:
        return at[: max(len(at) - LEAST_RAMP + 1, 0)]
    lasted = [p for p in RAMP_PAIRS if p <= 0.8 * len(at)]
    return at[[0, *(len(at) - p for p in lasted)]]


def _thinned(at: Whole, most: int | None) -> Whole:
    count = len(at)
    at = at[LEAST_PAIRS:]
    at = at[: max(len(at) - LEAST_PAIRS + 1, 0)]
    if most is None or len(at) <= most:
        return at
    since = np.arange(count - LEAST_PAIRS, LEAST_PAIRS - 1, -1.0)
    odds = np.log((count - since) / since)
    wanted = np.linspace(odds[0], odds[-1], most)
    return at[np.unique(np.abs(odds[:, None] - wanted).argmin(axis=0))]


def parts_since(cases: Cases, since: Since) -> Array:
    """Return the moves since some runs by profile, (case, part, run, sensor, adjuster)."""
    whole = cases.moves.sum(axis=3)
    return np.asarray(since.profile[..., None, None] * whole[:, None])


def parts_by_blade(cases: Cases) -> Array:
    """Return each blade's moves alone, (case, blade, run, sensor, adjuster)."""
    return np.moveaxis(cases.moves, 3, 1)


def concerned_by(
    cases: Cases, kinds: Kinds, kind: int, profile: Real | None = None, blade: int | None = None
) -> Real:
    """Return how much each move is concerned, 0 to 1, (run, sensor, blade, adjuster).

    kind: row of kinds, or the number after the last = all of them ("free"). profile: (run,).
    """
    runs, sensors, blades, adjusters = cases.moves.shape[1:]
    result = np.ones((runs, sensors, blades, adjusters))
    if profile is not None:
        result *= profile[:runs, None, None, None]
    if blade is not None:
        result *= (np.arange(blades) == blade)[:, None]
    if kind < len(kinds.sensor):
        if kinds.sensor[kind] >= 0:
            result *= (np.arange(sensors) == kinds.sensor[kind])[:, None, None]
        if kinds.adjuster[kind] >= 0:
            result *= np.arange(adjusters) == kinds.adjuster[kind]
    return result
