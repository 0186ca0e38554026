"""Which rotors no longer answer as they did, and whose blades do not answer alike: the findings.

What is found is reported in the words "inspect before balancing"; it is never a diagnosis. The
statistics stand in `evidence`, their calibration over the fleet in `calibration`, what is said of a
rotor that stands out in `judging`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, require_design
from adapt.learning.health.calibration import Calibrated
from adapt.learning.health.cases import Cases, rotors_of, that_count
from adapt.learning.health.judging import CHANGES, Judge
from adapt.learning.health.others import Others
from adapt.learning.health.parts import candidates, moved_runs
from adapt.learning.health.rehearing import LEAST_HELD, put_back
from adapt.learning.health.rows import whiten, with_rest_of_fleet
from adapt.learning.health.scan import FAMILIES, Scan, Search
from adapt.learning.health.sieve import cheap_tests, strongest_of
from adapt.learning.rows.pairs import MOVED
from adapt.learning.rows.runs import Runs
from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["FALSE_ALARMS", "find_changes"]

Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

FALSE_ALARMS = 0.05  # chance that a fleet in which nothing changed shows any finding
MOST_SINCE = 10  # candidate runs of one rotor's steps in the search over the fleet
CHUNK = 8  # rotors at a time
CHEAP_CHUNK = 32
DRAWS = 8000  # drawn rotors in all
SAMPLE = 100  # rotors of a large fleet that are tested whole whatever the cheap look says
PASSES = 3.0  # -log p, allowing for the number of tests, of a rotor that the sieve lets through
SEED = 20240229


def find_changes(
    rotor: Rotor,
    runs: Runs,
    coefficients: Coefficients,
    renewed: Truth | None = None,
    false_alarm_rate: float = FALSE_ALARMS,
    seed: int = SEED,
    sample: int = SAMPLE,
) -> list[dict[str, Any]]:
    """Return what to inspect before balancing: one row for each finding, the surest first.

    runs: the log as arrays, not cut at suspect pairs; coefficients: learned from them. renewed:
    (run,), True where hardware or the airframe changed before the run; what was read before the
    last such change does not count (an answer may well be another one after it); None = never.
    false_alarm_rate: the chance that a fleet in which nothing changed shows any finding at all.
    sample: how many rotors are tested whole however they look; of a larger fleet, the others only
    if a cheap look says that it is worth it.
    Only runs in today's frame of each sensor count. Pairs that did not teach do not count; nor do
    suspect pairs that were held back, unless one change explains two or more of them. A change
    needs two pairs with moves before it and two since, a drift six pairs, and what is found must
    still show when any one pair is left out.

    Rows: rotor; test ("answer changed", "answer drifting" or "blades not alike"); of ("vibration"
    or "track"); since_job, since_run: the first run whose moves answered otherwise (null for
    blades); pairs: with moves since then; how ("weaker", "stronger", "turned", "changed"); factor,
    angle_deg (positive = more lag) of the answer now over before, or of this blade over the
    others, each with _low and _high (95 %; null where no one factor says it, or the angle is not
    known); sensor, adjuster, blade: what it concerns, null = all; could_be: the blades that the log
    cannot tell from the one named; held_back: suspect pairs that the change explains; p_value,
    adjusted over the fleet; false_alarm_rate.
    Raises BadInput when the coefficients are of another rotor file, AdaptError when the rate is not
    between 0 and 1.
    """
    if not 0.0 < false_alarm_rate < 1.0:
        raise AdaptError(f"a false-alarm rate of {false_alarm_rate}: one between 0 and 1 is needed")
    require_design(coefficients, rotor)
    cut = that_count(runs, coefficients, renewed)
    held = np.array([pair in coefficients.withheld for pair in runs.pair], dtype=bool)
    track = rotor.has_track and len(rotor.blades) > 1 and bool(np.isfinite(cut.heights).any())
    families = len(FAMILIES) * (1 + track)
    findings = []
    for of_track in (False, True)[: 1 + track]:
        search = Search(rotor, coefficients, cut, of_track)
        rng = np.random.default_rng([seed, int(of_track)])
        findings += _looked_at(search, held, families, false_alarm_rate, rng, sample)
    return sorted(findings, key=lambda row: (row["p_value"], row["rotor"]))


def _looked_at(
    search: Search,
    held: Truth,
    families: int,
    rate: float,
    rng: np.random.Generator,
    sample: int,
) -> list[dict[str, Any]]:
    """Return the findings of vibration, or of track. families: that share the rate."""
    runs = search.runs
    moved = (np.abs(runs.amounts) > MOVED).any(axis=(1, 2))
    held_on = np.bincount(runs.rotor[held & moved], minlength=len(runs.serials))
    codes = rotors_of(runs, search.coefficients)
    twice = codes[held_on[codes] >= LEAST_HELD] if not search.track else codes[:0]
    length = np.bincount(runs.rotor, minlength=len(runs.serials))
    codes = codes[np.argsort(length[codes], kind="stable")]  # less padding
    drawn_for, others, tested = codes, codes[:0], None
    if len(codes) > sample:
        cheap = _cheap_look(search, codes)
        tested = int(np.isfinite(cheap).sum())
        chosen = np.zeros(len(codes), dtype=bool)
        chosen[rng.choice(len(codes), sample, replace=False)] = True
        drawn_for, others = codes[chosen], codes[~chosen & (cheap >= PASSES)]
    if not len(drawn_for):
        return []
    draws = -(-DRAWS // max(len(drawn_for), 1))
    scans = [_scan(search, some, draws, rng) for some in _chunks(drawn_for, CHUNK)]
    if tested is None:
        counts = [np.sum([t.count for t in s.tests], axis=0) for s in scans]
        tested = sum(int((count > 0).sum()) for count in counts)
    calibrated = tuple(
        Calibrated.of(
            [s.tests[f] for s in scans],
            [s.drawn[f] for s in scans],
            kinds,
            families,
            tested + len(twice),
        )
        for f, kinds in enumerate(search.kinds)
    )
    judge = Judge(search, calibrated, rate, Others.of(scans))
    by_rotor: dict[int, list[dict[str, Any]]] = {}
    scans += [_scan(search, some) for some in _chunks(others, CHUNK)]
    for scan in scans:
        pairs = zip(calibrated, scan.tests, strict=True)
        adjusted = np.minimum.reduce([f.adjust(f.strongest(tests)) for f, tests in pairs])
        for k in np.flatnonzero(adjusted <= rate):
            case = scan.cases.only(np.array([k]))
            by_rotor[int(case.code[0])] = judge.findings(case)
    for some in _chunks(twice, CHUNK):
        cases = _with_prior(search, some)
        held_here = np.where(cases.row >= 0, held[cases.row], False)
        cases, explained = put_back(search, cases, held_here, calibrated[0].inflation, MOST_SINCE)
        for k in np.flatnonzero(explained):
            code = int(some[k])
            again = judge.findings(cases.only(np.array([k])), int(explained[k]))
            if _surest(again) < _surest(by_rotor.get(code, [])):
                by_rotor[code] = again
    return [row for rows in by_rotor.values() for row in rows]


def _scan(
    search: Search, codes: Whole, draws: int = 0, rng: np.random.Generator | None = None
) -> Scan:
    cases = _with_prior(search, codes)
    return search.scan(cases, candidates(moved_runs(cases), MOST_SINCE), draws=draws, rng=rng)


def _with_prior(search: Search, codes: Whole) -> Cases:
    cases = search.cases(codes)
    return with_rest_of_fleet(cases, whiten(cases))


def _cheap_look(search: Search, codes: Whole) -> Real:
    """Return how strongly each rotor's cheap tests speak, (rotor,); -inf where it has none."""
    tests = []
    for some in _chunks(codes, CHEAP_CHUNK):
        cases = search.cases(some)
        tests.append(cheap_tests(search, cases, candidates(moved_runs(cases), MOST_SINCE)))
    return strongest_of(search, tests)


def _chunks(codes: Whole, size: int) -> Iterator[Whole]:
    for first in range(0, len(codes), size):
        yield codes[first : first + size]


def _surest(rows: list[dict[str, Any]]) -> float:
    return min((row["p_value"] for row in rows if row["test"] in CHANGES), default=1.0)
