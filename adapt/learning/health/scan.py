"""All tests of rotors side by side: every run since which, and every blade that, might be other.

One walk through the runs serves both families of tests. What a finding is stands in `judging`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.learning.health.calibration import strongest
from adapt.learning.health.cases import Cases, cases_of, track_cases_of
from adapt.learning.health.evidence import (
    Tests,
    moments_of,
    null_sums,
    squares_of,
    sums_of,
    tests_of,
    unmixing,
)
from adapt.learning.health.kinds import Kinds, kinds_of
from adapt.learning.health.parts import LEAST_PAIRS, Since, parts_by_blade, parts_since
from adapt.learning.health.residuals import walk
from adapt.learning.health.rows import whiten
from adapt.learning.rows.pairs import MOVED
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = ["FAMILIES", "Scan", "Search"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

FAMILIES = ("answer changed", "blades not alike")
NUMBERS = 8_000_000  # drawn at a time, at most


@dataclass(frozen=True, eq=False)
class Scan:
    """The tests of some cases, by family.

    drawn: by family, the strongest tests of drawn rotors, (case, draw). moments: as `moments_of`.
    """

    cases: Cases
    since: Since
    tests: tuple[Tests, ...]
    drawn: tuple[Real, ...]
    moments: tuple[Array, Whole]


@dataclass(frozen=True, eq=False)
class Search:
    """What all scans of vibration, or of track, share; runs: cut to those that count.

    apart: (channel, channel), correlation of unit errors of one run to take in place of that which
    was learned.
    """

    rotor: Rotor
    coefficients: Coefficients
    runs: Runs
    track: bool = False
    apart: Array | None = None

    @cached_property
    def correlation(self) -> Array:
        """(channel, channel), of unit errors of one run; regimes of track are taken as apart."""
        found = self.coefficients.noise.correlation if self.apart is None else self.apart
        if self.track and self.apart is None:
            return np.eye(len(self.rotor.regimes), dtype=complex)
        return np.eye(len(self.rotor.channels), dtype=complex) if found is None else found

    @cached_property
    def kinds(self) -> tuple[Kinds, ...]:
        """What a factor may concern, by family; a blade's answer is not asked sensor by sensor."""
        sensors = 1 if self.track else len(self.rotor.sensors)
        adjusters = len(self.rotor.adjusters)
        return tuple(kinds_of(sensors, adjusters, by_sensor) for by_sensor in (True, False))

    def cases(self, codes: Whole) -> Cases:
        """Return rotors by code as cases with their own posterior."""
        made = track_cases_of if self.track else cases_of
        return made(self.rotor, self.runs, self.coefficients, codes)

    def allowed(self, cases: Cases, since: Since) -> tuple[Truth, Truth]:
        """Return which parts are tested, by family, (case, part)."""
        moves = np.abs(parts_by_blade(cases)) > MOVED
        on_blade = moves.any(axis=(3, 4)).sum(axis=2) >= LEAST_PAIRS
        return since.run < cases.row.shape[1], on_blade

    def parts(self, since: Since) -> tuple[slice, slice]:
        """Return where the parts of each family stand behind all moves."""
        blades = len(self.rotor.blades)
        return slice(1 + blades, 1 + blades + since.run.shape[1]), slice(1, 1 + blades)

    def scan(
        self,
        cases: Cases,
        since: Since,
        answered: Array | None = None,
        draws: int = 0,
        rng: np.random.Generator | None = None,
    ) -> Scan:
        """Return the tests of cases.

        answered: (case, run, sensor, blade, adjuster), factors by which moves are taken to have
        answered. draws: drawn rotors for each case, with rng.
        """
        turned = cases if answered is None else replace(cases, moves=cases.moves * answered)
        moved = np.concatenate([parts_by_blade(cases), parts_since(cases, since)], axis=1)
        rows = whiten(turned, moved).sharing(cases.mean.shape[1]).read_only()
        found = walk(turned, rows)
        sums, unmixed = sums_of(found, rows.live, self.correlation)
        parts, allowed = self.parts(since), self.allowed(cases, since)
        families = range(len(FAMILIES))
        drawn: list[list[Real]] = [[np.zeros((len(cases), 0))] for _ in families]
        block = max(1, NUMBERS // max(1, unmixed.unmix[..., 0].size))
        for done in range(0, draws if rng is not None else 0, block):
            assert rng is not None
            null = null_sums(unmixed, min(block, draws - done), rng, self.track)
            for f in families:
                tests = tests_of(null.of(parts[f]), self.kinds[f], allowed[f], self.track)
                drawn[f].append(strongest(tests.log_p(), tests.count))
        return Scan(
            cases,
            since,
            tuple(
                tests_of(sums.of(parts[f]), self.kinds[f], allowed[f], self.track) for f in families
            ),
            tuple(np.concatenate(d, axis=1) for d in drawn),
            moments_of(found, rows.live),
        )

    def left(self, cases: Cases) -> Real:
        """Return what is left unexplained, (case,): sums of squares, 1 for a reading that fits.

        Unlike the tests it is not clipped; compare it between cases of the same rotor only.
        """
        rows = whiten(cases).sharing(cases.mean.shape[1]).read_only()
        found = walk(cases, rows, directions=False)
        return np.asarray(squares_of(found, unmixing(rows.live, self.correlation)).sum(axis=1))
