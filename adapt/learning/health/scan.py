"""All tests of rotors side by side: every run since which, and every blade that, might be other.

One walk through the runs serves both families of tests. What a finding is stands in `changes`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.calibration import strongest
from adapt.learning.health.cases import Cases, parts_by_blade, parts_since, whiten
from adapt.learning.health.evidence import (
    Kinds,
    Tests,
    kinds_of,
    null_sums,
    squares_of,
    sums_of,
    tests_of,
)
from adapt.learning.health.residuals import walk
from adapt.learning.rows.pairs import MOVED
from adapt.rotor import Rotor

__all__ = ["FAMILIES", "Scan", "Search", "candidates", "concerned_by", "moved_runs"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

FAMILIES = ("answer changed", "blades not alike")
LEAST_PAIRS = 2  # with moves: before a change, since it, and on a blade
NUMBERS = 8_000_000  # drawn at a time, at most


@dataclass(frozen=True, eq=False)
class Scan:
    """The tests of some cases, by family; since: (case, part), run, one beyond the last = none.

    drawn: by family, the strongest tests of drawn rotors, (case, draw).
    """

    cases: Cases
    since: Whole
    tests: tuple[Tests, ...]
    drawn: tuple[Real, ...]


@dataclass(frozen=True, eq=False)
class Search:
    """What all scans share. correlation: (channel, channel), of unit errors of one run."""

    rotor: Rotor
    correlation: Array

    @property
    def kinds(self) -> tuple[Kinds, ...]:
        """What a factor may concern, by family; a blade's answer is not asked sensor by sensor."""
        size = len(self.rotor.sensors), len(self.rotor.adjusters)
        return kinds_of(*size, by_sensor=True), kinds_of(*size, by_sensor=False)

    def scan(
        self,
        cases: Cases,
        since: Whole,
        answered: Array | None = None,
        draws: int = 0,
        rng: np.random.Generator | None = None,
    ) -> Scan:
        """Return the tests of cases.

        since: (case, part), candidate runs. answered: (case, run, sensor, blade, adjuster), factors
        by which moves are taken to have answered. draws: drawn rotors for each case, with rng.
        """
        turned = cases if answered is None else replace(cases, moves=cases.moves * answered)
        by_blade = parts_by_blade(cases)
        rows = whiten(turned, np.concatenate([parts_since(cases, since), by_blade], axis=1))
        found = walk(turned, rows)
        sums, unmixed = sums_of(found, rows.live, self.correlation)
        first = 1 + since.shape[1]
        parts = slice(1, first), slice(first, None)
        on_blade = (np.abs(by_blade) > MOVED).any(axis=(3, 4)).sum(axis=2) >= LEAST_PAIRS
        allowed = since < cases.row.shape[1], on_blade
        families = range(len(FAMILIES))
        drawn: list[list[Real]] = [[np.zeros((len(cases), 0))] for _ in families]
        block = max(1, NUMBERS // max(1, unmixed.unmix[..., 0].size))
        for done in range(0, draws if rng is not None else 0, block):
            assert rng is not None
            null = null_sums(unmixed, min(block, draws - done), rng)
            for f in families:
                tests = tests_of(null.of(parts[f]), self.kinds[f], allowed[f])
                drawn[f].append(strongest(tests.log_p(), tests.count))
        return Scan(
            cases,
            since,
            tuple(tests_of(sums.of(parts[f]), self.kinds[f], allowed[f]) for f in families),
            tuple(np.concatenate(d, axis=1) for d in drawn),
        )

    def left(self, cases: Cases) -> Real:
        """Return what is left unexplained, (case,): sums of squares, 1 for a reading that fits.

        Unlike the tests it is not clipped; compare it between cases of the same rotor only.
        """
        rows = whiten(cases)
        found = walk(cases, rows)
        _, unmixed = sums_of(found, rows.live, self.correlation)
        return np.asarray(squares_of(found, unmixed.unmix).sum(axis=1))


def moved_runs(cases: Cases) -> Truth:
    """Return where a pair with moves ends in a run with a reading, (case, run)."""
    moved = (np.abs(cases.moves) > MOVED).any(axis=(2, 3, 4))
    read = ~np.isnan(cases.readings).all(axis=(2, 3))
    return np.asarray(moved & read & ~cases.starts)


def candidates(moved: Truth, most: int | None = None) -> Whole:
    """Return the runs since which a case may have changed, (case, part), evenly thinned to `most`.

    moved: (case, run), where pairs with moves end. A candidate has enough of them on both sides;
    where a case has fewer candidates than others, the rest stand beyond its last run.
    """
    length = moved.shape[1]
    listed = []
    for row in moved:
        at = np.flatnonzero(row)[LEAST_PAIRS:]
        at = at[: max(len(at) - LEAST_PAIRS + 1, 0)]
        if most is not None and len(at) > most:
            at = at[np.round(np.linspace(0, len(at) - 1, most)).astype(np.int64)]
        listed.append(at)
    result = np.full((len(moved), max((len(at) for at in listed), default=0)), length)
    for case, at in enumerate(listed):
        result[case, : len(at)] = at
    return result


def concerned_by(
    cases: Cases, kinds: Kinds, kind: int, since: int = 0, blade: int | None = None
) -> Truth:
    """Return the moves that a test is about, (run, sensor, blade, adjuster).

    kind: row of kinds, or the number after the last = all of them ("free").
    """
    runs, sensors, blades, adjusters = cases.moves.shape[1:]
    result = np.ones((runs, sensors, blades, adjusters), dtype=bool)
    result &= (np.arange(runs) >= since)[:, None, None, None]
    if blade is not None:
        result &= (np.arange(blades) == blade)[:, None]
    if kind < len(kinds.sensor):
        if kinds.sensor[kind] >= 0:
            result &= (np.arange(sensors) == kinds.sensor[kind])[:, None, None]
        if kinds.adjuster[kind] >= 0:
            result &= np.arange(adjusters) == kinds.adjuster[kind]
    return result
