"""A closer look at a rotor that stands out: since when, what it concerns, by how much."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.calibration import Calibrated
from adapt.learning.health.cases import Cases
from adapt.learning.health.factor import Factor, how_of
from adapt.learning.health.hypotheses import likely_ones
from adapt.learning.health.others import Others
from adapt.learning.health.parts import Since, candidates, concerned_by, moved_runs
from adapt.learning.health.scan import FAMILIES, Scan, Search

__all__ = ["CHANGES", "Judge"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

CHANGED, DRIFTING = FAMILIES[0], "answer drifting"
CHANGES = (CHANGED, DRIFTING)
REST = np.log(1e-3)  # what is left without any one pair must be at least as telling as this
AS_GOOD = 2.0  # log likelihood within which another blade is as good an explanation


@dataclass(frozen=True, eq=False)
class _Found:
    """The strongest test of one rotor in one family: where it stands, and what it concerns.

    concerned: (run, sensor, blade, adjuster), 0 to 1.
    """

    family: int
    part: int
    kind: int
    concerned: Real
    could_be: tuple[int, ...]
    p_value: float


@dataclass(frozen=True, eq=False)
class Judge:
    """Looks closer at one rotor after another of those that stand out."""

    search: Search
    families: tuple[Calibrated, ...]
    rate: float
    others: Others

    def findings(self, case: Cases, held_back: int = 0) -> list[dict[str, Any]]:
        """Return the findings of one rotor: the surer family first.

        held_back: how many pairs were put back because a change explains them.

        The other family must still show once the moves concerned are multiplied by the factor found
        first: a weak blade that was moved late looks like a change, and the other way round.
        """
        since = candidates(moved_runs(case))
        answered = np.ones(case.moves.shape, dtype=complex)
        left = list(range(len(FAMILIES)))
        rows: list[dict[str, Any]] = []
        while left:
            scan = self.search.scan(case, since, answered)
            found = min((self._strongest(scan, f) for f in left), key=lambda x: x.p_value)
            left.remove(found.family)
            if found.p_value > self.rate:
                break
            if not self._stands(case, scan, found, answered):
                continue
            found, factor = self._explained(case, scan, found, answered)
            rows.append(self._row(case, since, found, factor, held_back))
            if factor is None:
                break
            answered = answered * (1.0 + (factor.value - 1.0) * found.concerned)
        return rows

    def _strongest(self, scan: Scan, f: int) -> _Found:
        """Return the strongest test of a scan of one case in one family."""
        tests, family = scan.tests[f], self.families[f]
        log_p = tests.log_p(family.inflation)
        p = float(family.adjust(family.strongest(tests))[0])
        if not tests.count[0]:
            return _Found(f, 0, 0, np.zeros(0), (), 1.0)
        part, kind = np.unravel_index(int(log_p[0, :, :, 0].argmin()), log_p.shape[1:3])
        return self._found(scan, f, int(part), int(kind), p)

    def _found(self, scan: Scan, f: int, part: int, kind: int, p_value: float) -> _Found:
        """Return one test as what was found."""
        kinds, cases = self.search.kinds[f], scan.cases
        if f == 0:
            concerned = concerned_by(cases, kinds, kind, scan.since.profile[0, part])
            return _Found(f, part, kind, concerned, (), p_value)
        square = scan.tests[f].square[0, :, kind, 0] / self.families[f].inflation[kind]
        could_be = np.flatnonzero((square >= square[part] - AS_GOOD) & (square > 0))
        concerned = concerned_by(cases, kinds, kind, blade=part)
        return _Found(f, part, kind, concerned, tuple(could_be.tolist()), p_value)

    def _explained(
        self, case: Cases, scan: Scan, found: _Found, answered: Array
    ) -> tuple[_Found, Factor | None]:
        """Return what explains a finding best, and its factor; None where no one factor does.

        Residuals are clipped in the tests, so a large change is told apart here: of the likeliest
        parts and kinds the one whose factor leaves the least.
        """
        f, family = found.family, self.families[found.family]
        apart, widened = self.others.without(int(case.code[0]))
        search = replace(self.search, apart=apart)
        likely = likely_ones(
            search, replace(case, moves=case.moves * answered), scan, f, family.inflation * widened
        )
        if likely is None:
            return found, None
        best = likely.best
        named = self._found(scan, f, likely.part[best], likely.kind[best], found.p_value)
        if found.kind == len(self.search.kinds[f].sensor):
            factors = 1.0 + (likely.value[best] - 1.0) * named.concerned
            after = self.search.scan(case, scan.since, answered * factors).tests[f]
            if after.log_p(family.inflation)[0, found.part, found.kind, 0] <= REST:
                return found, None
        return named, likely.factor(best)

    def _stands(self, case: Cases, scan: Scan, found: _Found, answered: Array) -> bool:
        """Return whether a finding still shows when any one pair that it rests on is left out."""
        rests_on = np.flatnonzero(
            moved_runs(case)[0] & (np.abs(case.moves[0]) * found.concerned).any(axis=(1, 2, 3))
        )
        every = np.zeros(len(rests_on), dtype=np.int64)
        without = case.only(every)
        starts = without.starts.copy()
        starts[np.arange(len(rests_on)), rests_on] = True
        without = replace(without, starts=starts)
        family = self.families[found.family]
        tests = self.search.scan(without, scan.since.of(every), answered).tests[found.family]
        log_p = tests.log_p(family.inflation)[:, found.part, found.kind, 0]
        return bool(len(log_p) and (log_p <= REST).all())

    def _row(
        self, case: Cases, since: Since, found: _Found, factor: Factor | None, held_back: int
    ) -> dict[str, Any]:
        """Return a finding as a row of the document."""
        kinds, rotor, runs = self.search.kinds[found.family], self.search.rotor, self.search.runs
        sensor = adjuster = -1
        if found.kind < len(kinds.sensor):
            sensor, adjuster = int(kinds.sensor[found.kind]), int(kinds.adjuster[found.kind])
        in_time = found.family == 0
        test = FAMILIES[found.family]
        if in_time and found.part < since.ramps:
            test = DRIFTING
        run = int(case.row[0, since.run[0, found.part]]) if in_time else -1
        size = (None, None, None) if factor is None else factor.size
        angle = None if factor is None else factor.angle_deg
        turn = (None, None, None) if angle is None else angle
        return {
            "rotor": runs.serials[int(case.code[0])],
            "test": test,
            "of": "track" if self.search.track else "vibration",
            "since_job": runs.jobs[runs.job[run]] if in_time else None,
            "since_run": runs.names[run] if in_time else None,
            "pairs": int(since.pairs[0, found.part]) if in_time else None,
            "how": how_of(factor),
            "factor": size[0],
            "factor_low": size[1],
            "factor_high": size[2],
            "angle_deg": turn[0],
            "angle_low": turn[1],
            "angle_high": turn[2],
            "sensor": rotor.sensors[sensor].name if sensor >= 0 else None,
            "adjuster": rotor.adjuster_names[adjuster] if adjuster >= 0 else None,
            "blade": None if in_time else rotor.blades[found.part],
            "could_be": [rotor.blades[b] for b in found.could_be],
            "held_back": held_back if in_time else 0,
            "p_value": found.p_value,
            "false_alarm_rate": self.rate,
        }
