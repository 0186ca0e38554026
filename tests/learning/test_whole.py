"""From a log with moved references and changed hardware to coefficients as each rotor reads now."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor

from adapt.learning import learn, update
from adapt.learning.changed_hardware import as_changed
from adapt.learning.rows.runs import runs_of
from adapt.learning.whole import Happened, learn_runs
from adapt.log import History
from adapt.outcomes import compare


def with_events(log: History, events: list[tuple]) -> History:
    return replace(log, events=history([], [], events=events).events)


def turned_log(f: Fleet, rotor: str, from_job: str, angle_deg: float) -> History:
    """Return the log with a rotor's phases turned from a job on."""
    readings = f.history.readings.copy()
    later = [job for job in f.history.runs.job.unique() if job[:4] == f"J{rotor[1:]}"]
    later = later[later.index(from_job) :]
    at = readings.job.isin(later)
    readings.loc[at, "value"] *= np.exp(1j * np.deg2rad(angle_deg))
    return replace(f.history, readings=readings)


@pytest.fixture(scope="module")
def invented() -> Fleet:
    rotor = invented_rotor(sensors=2, regimes=3, track=False)
    return fleet(np.random.default_rng(21), rotor, rotors=10, jobs=4, runs=5)


def test_what_was_learned_before_a_moved_reference_is_kept_turned(invented: Fleet) -> None:
    event = [("J004-1", "4", "reference moved", "", "")]
    log = with_events(turned_log(invented, "R004", "J004-2", 40.0), event)
    learned = learn(invented.rotor, log, invented.chart)
    (row,) = learned.references
    assert row["rotor"] == "R004"
    assert row["known"]
    assert abs(row["angle_deg"] - 40.0) < 3 * row["sd_deg"]
    assert row["sd_deg"] < 5.0
    own = learned.rotors["R004"]
    truth = invented.own[4] * np.exp(1j * np.deg2rad(40.0))
    sd = np.sqrt(np.einsum("jaa->ja", own.cov).real)
    assert np.median(np.abs(own.mean - truth) / sd) < 1.5
    # The earlier pairs count, and the doubt is less than that of the later pairs alone.
    unmoved = learn(invented.rotor, invented.history, invented.chart)
    assert (own.pairs >= 0.5 * unmoved.rotors["R004"].pairs).all()
    later = invented.history.runs.job.isin(["J004-0", "J004-1"])
    short = with_events(log, [])
    gone = set(invented.history.runs.job[later])
    short = replace(
        short,
        **{n: getattr(short, n)[~getattr(short, n).job.isin(gone)] for n in
           ("runs", "readings", "moves", "track")},
    )  # fmt: skip
    alone = learn(invented.rotor, short, invented.chart).rotors["R004"]
    assert np.einsum("jaa->", own.cov).real < np.einsum("jaa->", alone.cov).real


def test_without_events_nothing_is_turned(invented: Fleet) -> None:
    runs = runs_of(invented.rotor, invented.history)
    happened = Happened.of(invented.rotor, runs, invented.history)
    assert not happened.frames
    learned = learn_runs(invented.rotor, runs, happened, invented.chart).coefficients
    assert learned.references == ()
    assert not any("moved" in note for note in learned.notes)


def test_changed_hardware_leaves_more_doubt_and_the_later_runs_decide(invented: Fleet) -> None:
    event = [("J003-1", "4", "hardware changed", "", "new blade")]
    before = learn(invented.rotor, invented.history, invented.chart)
    after = learn(invented.rotor, with_events(invented.history, event), invented.chart)
    was, now = before.rotors["R003"], after.rotors["R003"]
    assert np.einsum("sxx->", now.joint).real > 1.05 * np.einsum("sxx->", was.joint).real
    assert np.einsum("sxx->", now.joint).real < np.einsum("sxx->", after.unseen.joint).real
    np.testing.assert_array_equal(after.rotors["R002"].joint, before.rotors["R002"].joint)
    assert any("hardware changed on R003" in note for note in after.notes)


def test_a_change_of_nothing_changes_nothing_and_of_all_leaves_the_later_runs(
    invented: Fleet,
) -> None:
    runs = runs_of(invented.rotor, invented.history)
    happened = Happened.of(invented.rotor, runs, invented.history)
    base = learn_runs(invented.rotor, runs, happened, invented.chart).coefficients
    doubt, since = np.zeros(len(runs)), np.zeros(len(runs.serials))
    mine = np.flatnonzero(runs.rotor == 3)
    doubt[mine[10]] = 1e-12
    same = as_changed(base, invented.rotor, runs, doubt, since).rotors["R003"]
    was = base.rotors["R003"]
    np.testing.assert_allclose(same.mean, was.mean, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(same.joint, was.joint, atol=1e-6 * np.abs(was.joint).max())
    doubt[mine[10]] = 1e9
    wide = as_changed(base, invented.rotor, runs, doubt, since).rotors["R003"]
    assert np.einsum("sxx->", wide.joint).real > np.einsum("sxx->", was.joint).real
    # What came before counts for nothing then: the same as a rotor read only after the change.
    blind = runs.readings.copy()
    blind[mine[:10]] = np.nan
    hidden = replace(runs, readings=blind)
    alone = learn_runs(invented.rotor, hidden, happened, invented.chart).coefficients
    own = alone.rotors["R003"]
    sd = np.sqrt(np.einsum("jaa->ja", own.cov).real)
    assert np.abs((wide.mean - own.mean) / sd).max() < 0.5


def test_hardware_changed_since_the_last_learning_counts_in_an_update(invented: Fleet) -> None:
    start = learn(invented.rotor, invented.history, invented.chart)
    event = [("J003-3", "4", "hardware changed", "", "new damper")]
    log = with_events(invented.history, event)
    once = update(start, invented.rotor, log)
    twice = update(once, invented.rotor, log)
    spread = start.unseen.joint - start.type_.joint
    np.testing.assert_allclose(
        once.rotors["R003"].joint - start.rotors["R003"].joint, 0.25 * spread, atol=1e-15
    )
    np.testing.assert_array_equal(twice.rotors["R003"].joint, once.rotors["R003"].joint)


def test_walking_forward_turns_what_it_knew_when_it_learns_anew(invented: Fleet) -> None:
    event = [("J004-1", "4", "reference moved", "", "")]
    log = with_events(turned_log(invented, "R004", "J004-2", 60.0), event)
    outcome = compare(invented.rotor, log, invented.chart, grown=4.0)
    plain = compare(invented.rotor, invented.history, invented.chart, grown=4.0)
    mine = outcome.predictions[
        (outcome.predictions.rotor == "R004") & (outcome.predictions.method == "learned")
    ]
    same = plain.predictions[
        (plain.predictions.rotor == "R004") & (plain.predictions.method == "learned")
    ]
    # In its first job after the event nobody knows the angle yet; in the second one everybody can.
    rms = np.sqrt((mine.error[mine.job == "J004-3"] ** 2).mean())
    assert rms < 1.3 * np.sqrt((same.error[same.job == "J004-3"] ** 2).mean())


def test_health_need_not_be_looked_at_and_then_says_so(invented: Fleet) -> None:
    learned = learn(invented.rotor, invented.history, invented.chart, health=False)
    assert learned.health == ()
    assert any("not looked at" in note for note in learned.notes)
