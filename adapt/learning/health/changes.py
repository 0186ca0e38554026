"""Which rotors no longer answer as they did, and whose blades do not answer alike: the findings.

What is found is reported in the words "inspect before balancing"; it is never a diagnosis. The
statistics stand in `evidence`, their calibration over the fleet in `calibration`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, require_design
from adapt.learning.health.calibration import Calibrated, strongest
from adapt.learning.health.cases import (
    Cases,
    cases_of,
    rotors_of,
    that_count,
    whiten,
    with_rest_of_fleet,
)
from adapt.learning.health.factor import Factor, fitted_factors, how_of
from adapt.learning.health.rehearing import LEAST_HELD, put_back
from adapt.learning.health.scan import (
    FAMILIES,
    Scan,
    Search,
    candidates,
    concerned_by,
    moved_runs,
)
from adapt.learning.rows.pairs import MOVED
from adapt.learning.rows.runs import Runs
from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["FALSE_ALARMS", "find_changes"]

Array = npt.NDArray[Any]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

CHANGED = FAMILIES[0]
FALSE_ALARMS = 0.05  # chance that a fleet in which nothing changed shows any finding
MOST_SINCE = 10  # candidate runs of one rotor in the search over the fleet
CHUNK = 8  # rotors at a time
DRAWS = 8000  # drawn rotors in all
REST = np.log(1e-3)  # what is left without any one pair must be at least as telling as this
AS_GOOD = 2.0  # log likelihood within which another blade is as good an explanation
TRIED = 3  # likeliest kinds of change
SEED = 20240229


def find_changes(
    rotor: Rotor,
    runs: Runs,
    coefficients: Coefficients,
    renewed: Truth | None = None,
    false_alarm_rate: float = FALSE_ALARMS,
    seed: int = SEED,
) -> list[dict[str, Any]]:
    """Return what to inspect before balancing: one row for each finding, the surest first.

    runs: the log as arrays, not cut at suspect pairs; coefficients: learned from them. renewed:
    (run,), True where hardware or the airframe changed before the run; what was read before the
    last such change does not count (an answer may well be another one after it); None = never.
    false_alarm_rate: the chance that a fleet in which nothing changed shows any finding at all.
    Only vibration is looked at; only runs in today's frame of each sensor count. Pairs that did not
    teach do not count; nor do suspect pairs that were held back, unless one change explains two or
    more of them. A change needs two pairs with moves before it and two since, and what is found
    must still show when any one pair is left out.

    Rows: rotor; test ("answer changed" or "blades not alike"); since_job, since_run: the first
    run whose moves answered otherwise (null for blades); how ("weaker", "stronger", "turned",
    "changed"); factor, angle_deg (positive = more lag) of the answer now over before, or of
    this blade over the others, each with _low and _high (95 % if the run and what it concerns
    are right; null where no one factor says it, or the angle is not known); sensor, adjuster,
    blade: what it concerns, null = all; could_be: the blades that the log cannot tell from the
    one named; held_back: suspect pairs that the change explains; p_value, adjusted over the
    fleet; false_alarm_rate.
    Raises BadInput when the coefficients are of another rotor file, AdaptError when the rate is not
    between 0 and 1.
    """
    if not 0.0 < false_alarm_rate < 1.0:
        raise AdaptError(f"a false-alarm rate of {false_alarm_rate}: one between 0 and 1 is needed")
    require_design(coefficients, rotor)
    cut = that_count(runs, coefficients, renewed)
    held = np.array([pair in coefficients.withheld for pair in runs.pair], dtype=bool)
    moved = (np.abs(runs.amounts) > MOVED).any(axis=(1, 2))
    codes = rotors_of(runs, coefficients)
    held_on = np.bincount(runs.rotor[held & moved], minlength=len(runs.serials))
    twice = codes[held_on[codes] >= LEAST_HELD]
    correlation = coefficients.noise.correlation
    if correlation is None:
        correlation = np.eye(len(rotor.channels), dtype=complex)
    search = Search(rotor, correlation)
    rng = np.random.default_rng(seed)
    length = np.bincount(runs.rotor, minlength=len(runs.serials))
    draws = -(-DRAWS // max(len(codes), 1))
    scans = []
    for some in _chunks(codes[np.argsort(length[codes], kind="stable")]):  # less padding
        cases = cases_of(rotor, cut, coefficients, some)
        cases = with_rest_of_fleet(cases, whiten(cases))
        since = candidates(moved_runs(cases), MOST_SINCE)
        scans.append(search.scan(cases, since, draws=draws, rng=rng))
    families = tuple(
        Calibrated.of(
            [s.tests[f] for s in scans],
            [s.drawn[f] for s in scans],
            kinds,
            len(FAMILIES),
            len(twice),
        )
        for f, kinds in enumerate(search.kinds)
    )
    adjusted = np.minimum.reduce([family.adjusted for family in families])
    judge = _Judge(search, runs, families, false_alarm_rate)
    by_rotor: dict[int, list[dict[str, Any]]] = {}
    for k in np.flatnonzero(adjusted <= false_alarm_rate):
        case = scans[k // CHUNK].cases.only(np.array([k % CHUNK]))
        by_rotor[int(case.code[0])] = judge.findings(case)
    for some in _chunks(twice):
        cases = cases_of(rotor, cut, coefficients, some)
        cases = with_rest_of_fleet(cases, whiten(cases))
        held_here = np.where(cases.row >= 0, held[cases.row], False)
        cases, explained = put_back(search, cases, held_here, families[0].inflation, MOST_SINCE)
        for k in np.flatnonzero(explained):
            code = int(some[k])
            again = judge.findings(cases.only(np.array([k])), int(explained[k]))
            if _surest(again) < _surest(by_rotor.get(code, [])):
                by_rotor[code] = again
    findings = [row for rows in by_rotor.values() for row in rows]
    return sorted(findings, key=lambda row: (row["p_value"], row["rotor"]))


def _chunks(codes: Whole) -> Iterator[Whole]:
    for first in range(0, len(codes), CHUNK):
        yield codes[first : first + CHUNK]


def _surest(rows: list[dict[str, Any]]) -> float:
    return min((row["p_value"] for row in rows if row["test"] == CHANGED), default=1.0)


@dataclass(frozen=True, eq=False)
class _Found:
    """The strongest test of one rotor in one family: where it stands, and what it concerns.

    concerned: (run, sensor, blade, adjuster).
    """

    family: int
    part: int
    kind: int
    run: int
    concerned: Truth
    could_be: tuple[int, ...]
    p_value: float


@dataclass(frozen=True, eq=False)
class _Judge:
    """Looks closer at one rotor after another of those that stand out."""

    search: Search
    runs: Runs
    families: tuple[Calibrated, ...]
    rate: float

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
            rows.append(self._row(case, found, factor, held_back))
            if factor is None:
                break
            answered = answered * np.where(found.concerned, factor.value, 1.0)
        return rows

    def _strongest(self, scan: Scan, f: int) -> _Found:
        """Return the strongest test of a scan of one case in one family."""
        tests, family = scan.tests[f], self.families[f]
        log_p = tests.log_p(family.inflation)
        p = float(family.adjust(strongest(log_p, tests.count)[:, 0])[0])
        if not tests.count[0]:
            return _Found(f, 0, 0, 0, np.zeros(0, dtype=bool), (), 1.0)
        part, kind = np.unravel_index(int(log_p[0, :, :, 0].argmin()), log_p.shape[1:3])
        return self._found(scan, f, int(part), int(kind), p)

    def _found(self, scan: Scan, f: int, part: int, kind: int, p_value: float) -> _Found:
        """Return one test as what was found."""
        kinds, cases = self.search.kinds[f], scan.cases
        if FAMILIES[f] == CHANGED:
            run = int(scan.since[0, part])
            return _Found(
                f, part, kind, run, concerned_by(cases, kinds, kind, since=run), (), p_value
            )
        square = scan.tests[f].square[0, :, kind, 0] / self.families[f].inflation[kind]
        could_be = np.flatnonzero((square >= square[part] - AS_GOOD) & (square > 0))
        concerned = concerned_by(cases, kinds, kind, blade=part)
        return _Found(f, part, kind, 0, concerned, tuple(could_be.tolist()), p_value)

    def _explained(
        self, case: Cases, scan: Scan, found: _Found, answered: Array
    ) -> tuple[_Found, Factor | None]:
        """Return what explains a finding best, and its factor; None where no one factor does.

        Residuals are clipped in the tests, so a large change is told apart here: of the likeliest
        kinds the one whose factor leaves the least.
        """
        f, family = found.family, self.families[found.family]
        log_p = scan.tests[f].log_p(family.inflation)[0, :, :-1, 0]
        kinds = np.argsort(log_p.min(axis=0))[:TRIED]
        tried = [
            self._found(scan, f, int(log_p[:, k].argmin()), int(k), found.p_value)
            for k in kinds
            if log_p[:, k].min() < 0.0
        ]
        if not tried:
            return found, None
        cases = case.only(np.zeros(len(tried), dtype=np.int64))
        cases = replace(cases, moves=cases.moves * answered)
        concerned = np.array([t.concerned for t in tried])
        inflation = family.inflation[[t.kind for t in tried]]
        factors = fitted_factors(cases, concerned, self.search.correlation, inflation)
        value = np.array([x.value for x in factors])[:, None, None, None, None]
        left = self.search.left(replace(cases, moves=cases.moves * np.where(concerned, value, 1.0)))
        best = int(left.argmin())
        if found.kind == len(self.search.kinds[f].sensor):
            answered = answered * np.where(concerned[best], value[best, 0, 0, 0, 0], 1.0)
            after = self.search.scan(case, scan.since, answered).tests[f]
            if after.log_p(family.inflation)[0, found.part, found.kind, 0] <= REST:
                return found, None
        told = np.isfinite(factors[best].sd)
        return tried[best], factors[best] if told else None

    def _stands(self, case: Cases, scan: Scan, found: _Found, answered: Array) -> bool:
        """Return whether a finding still shows when any one pair that it rests on is left out."""
        rests_on = np.flatnonzero(
            moved_runs(case)[0] & (np.abs(case.moves[0]) * found.concerned).any(axis=(1, 2, 3))
        )
        without = case.only(np.zeros(len(rests_on), dtype=np.int64))
        starts = without.starts.copy()
        starts[np.arange(len(rests_on)), rests_on] = True
        without = replace(without, starts=starts)
        since = np.repeat(scan.since, len(rests_on), axis=0)
        family = self.families[found.family]
        tests = self.search.scan(without, since, answered).tests[found.family]
        log_p = tests.log_p(family.inflation)[:, found.part, found.kind, 0]
        return bool(len(log_p) and (log_p <= REST).all())

    def _row(
        self, case: Cases, found: _Found, factor: Factor | None, held_back: int
    ) -> dict[str, Any]:
        """Return a finding as a row of the document."""
        kinds, rotor, runs = self.search.kinds[found.family], self.search.rotor, self.runs
        sensor = adjuster = -1
        if found.kind < len(kinds.sensor):
            sensor, adjuster = int(kinds.sensor[found.kind]), int(kinds.adjuster[found.kind])
        changed = FAMILIES[found.family] == CHANGED
        run = int(case.row[0, found.run])
        size = (None, None, None) if factor is None else factor.size
        angle = None if factor is None else factor.angle_deg
        turn = (None, None, None) if angle is None else angle
        return {
            "rotor": runs.serials[int(case.code[0])],
            "test": FAMILIES[found.family],
            "since_job": runs.jobs[runs.job[run]] if changed else None,
            "since_run": runs.names[run] if changed else None,
            "how": how_of(factor),
            "factor": size[0],
            "factor_low": size[1],
            "factor_high": size[2],
            "angle_deg": turn[0],
            "angle_low": turn[1],
            "angle_high": turn[2],
            "sensor": rotor.sensors[sensor].name if sensor >= 0 else None,
            "adjuster": rotor.adjuster_names[adjuster] if adjuster >= 0 else None,
            "blade": None if changed else rotor.blades[found.part],
            "could_be": [rotor.blades[b] for b in found.could_be],
            "held_back": held_back if changed else 0,
            "p_value": found.p_value,
            "false_alarm_rate": self.rate,
        }
