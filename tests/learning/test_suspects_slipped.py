"""Pairs that agree on a turn of the reference are told of together; others are not."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet

from adapt.coefficients import Coefficients
from adapt.learning import learn, update
from adapt.learning.suspects.slipped import slips
from adapt.log import History

JOB, ROTOR = "J005-1", "R005"


def drawn(seed: int) -> Fleet:
    return fleet(np.random.default_rng(seed), rotors=10, jobs=2, runs=4, spread=0.06)


def turned(log: History, degrees: float, from_run: int = 0) -> History:
    """Return the log with one job's phases turned, from a run on, and nothing said of it."""
    readings = log.readings.copy()
    at = (readings.job == JOB) & (readings.run.astype(int) >= from_run)
    readings.loc[at, "value"] = readings.loc[at, "value"] * np.exp(1j * np.deg2rad(degrees))
    return replace(log, readings=readings)


def first_jobs(log: History) -> History:
    """Return the log without the job."""
    return replace(
        log,
        runs=log.runs[log.runs.job != JOB],
        readings=log.readings[log.readings.job != JOB],
        track=log.track[log.track.job != JOB],
        moves=log.moves[log.moves.job != JOB],
    )


@pytest.mark.parametrize("how", ["learn", "update"])
@pytest.mark.parametrize("degrees", [90.0, -75.0, 180.0])
def test_a_slip_before_a_job_is_told_with_its_angle(how: str, degrees: float) -> None:
    f = drawn(111)
    log = turned(f.history, degrees)
    known: Coefficients = learn(f.rotor, log, f.chart)
    if how == "update":
        known = update(learn(f.rotor, first_jobs(log), f.chart), f.rotor, log)
    found = slips(f.rotor, known, log, ROTOR)
    assert [s.job for s in found] == [JOB]
    assert found[0].pairs >= 2
    away = (found[0].angle_deg - degrees + 180.0) % 360.0 - 180.0
    assert abs(away) < 10.0
    assert found[0].sd_deg < 15.0
    for other in set(log.runs.rotor) - {ROTOR}:
        assert slips(f.rotor, known, log, other) == []


def test_a_clean_log_has_none() -> None:
    for seed in (112, 113, 114):
        f = drawn(seed)
        known = learn(f.rotor, f.history, f.chart)
        for serial in known.rotors:
            assert slips(f.rotor, known, f.history, serial) == []


def test_wrong_entries_that_agree_on_nothing_are_not_told_as_a_turn() -> None:
    """Two moves of one job with their signs and amounts wrong in different ways."""
    f = drawn(115)
    moves = f.history.moves.copy()
    at = moves.index[moves.job == JOB]
    first, last = moves.loc[at, "after_run"].min(), moves.loc[at, "after_run"].max()
    moves.loc[at[moves.loc[at, "after_run"] == first], "amount"] *= 3.0
    moves.loc[at[moves.loc[at, "after_run"] == last], "amount"] *= -1.0
    log = replace(f.history, moves=moves)
    known = learn(f.rotor, log, f.chart)
    assert sum(pair[0] == JOB for pair in known.withheld) >= 2
    assert slips(f.rotor, known, log, ROTOR) == []


def test_one_pair_is_not_enough() -> None:
    """A slip before the last run: one pair is turned, and says nothing of why."""
    f = drawn(116)
    log = turned(f.history, 90.0, from_run=3)
    known = learn(f.rotor, log, f.chart)
    assert slips(f.rotor, known, log, ROTOR) == []


def test_unknown_rotors_and_rotors_without_suspects_have_none() -> None:
    f = drawn(117)
    known = learn(f.rotor, turned(f.history, 90.0), f.chart)
    assert slips(f.rotor, known, f.history, "nobody") == []


def test_all_rotors_are_looked_at_where_none_is_named() -> None:
    f = drawn(118)
    log = turned(f.history, 90.0)
    known = learn(f.rotor, log, f.chart)
    assert slips(f.rotor, known, log) == slips(f.rotor, known, log, ROTOR)
    assert [s.rotor for s in slips(f.rotor, known, log)] == [ROTOR]
