"""Pairs newer than coefficients are looked at as learning looks at them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor

import adapt
from adapt.coefficients import Coefficients, Posterior
from adapt.learning import learn, update
from adapt.learning.new_pairs import MOVED_SINCE
from adapt.learning.rows.runs import runs_of
from adapt.learning.sensed import sensed
from adapt.learning.without import without_runs
from adapt.log import History
from adapt.problems import BadInput

JOB = "J002-2"


def until(log: History, job: str, runs: int) -> History:
    """Return the history with only the first runs of a job (and all of the other jobs)."""

    def part(table, column="run"):
        return table[(table["job"] != job) | (table[column].astype(int) < runs)]

    return replace(
        log,
        runs=part(log.runs),
        readings=part(log.readings),
        track=part(log.track),
        moves=part(log.moves, "after_run"),
    )


@pytest.fixture(scope="module")
def known() -> Fleet:
    return fleet(np.random.default_rng(9), invented_rotor(blades=5), rotors=6, jobs=3, runs=5)


@pytest.fixture(scope="module")
def before(known: Fleet) -> Coefficients:
    return learn(known.rotor, until(known.history, JOB, 2), known.chart)


def wrong_sign(log: History, job: str = JOB, after_run: str = "2") -> History:
    moves = log.moves.copy()
    moves.loc[(moves["job"] == job) & (moves["after_run"] == after_run), "amount"] *= -1
    return replace(log, moves=moves)


def clock_an_hour_off(log: History) -> History:
    readings = log.readings.copy()
    last = (readings["job"] == JOB) & (readings["run"] == "4")
    readings.loc[last, "value"] *= np.exp(1j * np.deg2rad(30.0))
    return replace(log, readings=readings)


def same(one: Posterior, other: Posterior, rtol: float) -> None:
    for name in ("mean", "joint", "track_mean", "track_joint"):
        a, b = getattr(one, name), getattr(other, name)
        np.testing.assert_allclose(a, b, rtol=rtol, atol=rtol * np.abs(b).max())


def test_without_runs_is_the_posterior_from_before_they_taught(known: Fleet) -> None:
    """Taken in by the recursion of `adapt.level`, taken off by dense algebra."""
    start = learn(known.rotor, until(known.history, JOB, 1), known.chart)
    after = update(start, known.rotor, known.history, look=False)
    runs = runs_of(known.rotor, known.history)
    rows = np.flatnonzero([runs.jobs[j] == JOB for j in runs.job])
    sensors = sensed(known.rotor, runs, start.noise)
    stretch = [(int(rows[0]), int(rows[-1]) + 1)]
    off = without_runs(after.rotors["R002"], start.unseen, sensors, stretch)
    same(off, start.rotors["R002"], 1e-8)


@pytest.mark.parametrize("spoil", [wrong_sign, clock_an_hour_off])
def test_a_newer_wrong_entry_is_held_back_as_learning_does(
    known: Fleet, before: Coefficients, spoil
) -> None:
    log = spoil(known.history)
    whole, updated = learn(known.rotor, log, known.chart), update(before, known.rotor, log)
    assert whole.withheld
    assert updated.withheld == whole.withheld
    assert updated.taught == whole.taught
    (theirs,), (ours,) = whole.suspects, updated.suspects
    for key in ("job", "run", "after_run", "kind"):
        assert ours[key] == theirs[key]
    assert ours["explanations"][0]["text"] == theirs["explanations"][0]["text"]
    assert ours["explanations"][0]["entries"] == theirs["explanations"][0]["entries"]
    assert any(JOB in note for note in updated.notes)


def test_a_right_log_is_taken_in_whole(known: Fleet, before: Coefficients) -> None:
    updated = update(before, known.rotor, known.history)
    assert not updated.suspects
    streamed = update(before, known.rotor, known.history, look=False)
    same(updated.rotors["R002"], streamed.rotors["R002"], 1e-12)


def test_what_follows_a_held_pair_teaches_as_if_the_job_began_anew_there(
    known: Fleet, before: Coefficients
) -> None:
    log = wrong_sign(known.history)
    out = replace(known.history, left_out=frozenset({(JOB, "2")}))
    held, left_out = update(before, known.rotor, log), update(before, known.rotor, out, look=False)
    same(held.rotors["R002"], left_out.rotors["R002"], 1e-10)


def test_without_a_look_wrong_entries_teach_and_a_note_says_so(
    known: Fleet, before: Coefficients
) -> None:
    updated = update(before, known.rotor, wrong_sign(known.history), look=False)
    assert (JOB, "2") in updated.taught
    assert any("without looking" in note for note in updated.notes)


def test_reviews_decide_about_newer_entries_too(known: Fleet, before: Coefficients) -> None:
    log = wrong_sign(known.history)
    pair = (JOB, "2")
    kept = update(before, known.rotor, replace(log, kept=frozenset({pair})))
    assert pair in kept.taught
    assert pair not in {(s["job"], s["after_run"]) for s in kept.suspects}
    first = update(before, known.rotor, log)
    assert pair in first.withheld
    later = update(first, known.rotor, replace(log, kept=frozenset({pair})))
    assert pair in later.taught
    assert not later.suspects
    excluded = update(first, known.rotor, replace(log, left_out=frozenset({pair})))
    assert pair not in excluded.taught | excluded.withheld
    assert not excluded.suspects


def test_a_held_pair_stays_held_when_the_log_grows(known: Fleet, before: Coefficients) -> None:
    log = wrong_sign(known.history)
    one = before
    for runs in (3, 4, 5):
        one = update(one, known.rotor, until(log, JOB, runs))
    assert one.withheld == {(JOB, "2")}
    assert [s["after_run"] for s in one.suspects] == ["2"]
    assert update(one, known.rotor, log).suspects == one.suspects


def test_a_moved_reference_that_is_new_is_said_with_what_learning_would_keep(
    known: Fleet, before: Coefficients
) -> None:
    event = [("J002-1", "4", "reference moved", "", "")]
    log = replace(known.history, events=history([], [], events=event).events)
    updated = update(before, known.rotor, log)
    (note,) = [n for n in updated.notes if n.startswith(MOVED_SINCE)]
    assert "R002 (job J002-1 after run 4)" in note
    again = update(updated, known.rotor, log)
    assert again.notes == updated.notes


def test_logs_with_nothing_new_change_nothing(known: Fleet, before: Coefficients) -> None:
    empty = history([], [])
    for log in (empty, until(known.history, JOB, 2), until(known.history, JOB, 1)):
        updated = update(before, known.rotor, log)
        assert updated.taught == before.taught
        assert updated.notes == before.notes
        same(updated.rotors["R002"], before.rotors["R002"], 0.0)


def test_a_job_that_was_set_aside_teaches_nothing(known: Fleet, before: Coefficients) -> None:
    log = known.history
    rest = {
        name: getattr(log, name)[getattr(log, name)["job"] != JOB]
        for name in ("runs", "readings", "track", "moves")
    }
    aside = replace(log, **rest, set_aside={JOB: 1})
    updated = update(before, known.rotor, aside)
    same(updated.rotors["R002"], before.rotors["R002"], 0.0)
    with pytest.raises(adapt.AdaptError, match=JOB):
        adapt.plan(known.rotor, updated, aside, job=JOB)


def test_a_rotor_that_the_coefficients_do_not_know_is_looked_at_too(known: Fleet) -> None:
    mine = set(known.history.runs["rotor"]) - {"R002"}
    log = known.history
    jobs = set(log.runs.loc[log.runs["rotor"].isin(mine), "job"])
    others = replace(
        log,
        **{
            name: getattr(log, name)[getattr(log, name)["job"].isin(jobs)]
            for name in ("runs", "readings", "track", "moves")
        },
    )
    start = learn(known.rotor, others, known.chart)
    updated = update(start, known.rotor, wrong_sign(log))
    assert updated.withheld == {(JOB, "2")}


def test_another_design_is_refused_in_one_message(known: Fleet, before: Coefficients) -> None:
    other = invented_rotor(blades=4)
    with pytest.raises(BadInput, match="blades"):
        update(before, other, known.history)
