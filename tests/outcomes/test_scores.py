"""The chart's gain and turn: known factors come back, and intervals hold for the whole table."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_fleet import fleet, history, invented_rotor

from adapt.chart import Chart
from adapt.log import History
from adapt.outcomes import chart_fit as fits
from adapt.outcomes import compare
from adapt.outcomes.walk import Walk
from adapt.reports.outcomes.outcome_documents import outcome_document
from adapt.rotor import Rotor

GAIN, TURN = 1.3, 20.0
FACTOR = GAIN * np.exp(1j * np.deg2rad(TURN))


def chart_fit(rotor: Rotor, log: History, chart: Chart) -> pd.DataFrame:
    """The fit, after learning from the whole log."""
    return fits.chart_fit(rotor, Walk(rotor, log, chart).learn_all(), chart)


def test_a_chart_that_is_weak_and_early_is_found_out() -> None:
    """Reality = 1.3 times the chart's effect and 20 deg later: gain 1.3, rotation +20."""
    f = fleet(np.random.default_rng(41), rotors=30, jobs=2, runs=5, spread=0.05)
    chart = replace(f.chart, mean=f.type_ / FACTOR, track_mean=f.track_type / 0.8)
    fit = chart_fit(f.rotor, f.history, chart)
    vibration, track = fit[fit.sensor.notna()], fit[fit.sensor.isna()]
    assert len(vibration) == 6 * (3 + 1)
    assert vibration.gain.median() == pytest.approx(GAIN, rel=0.02)
    assert vibration.rotation_deg.median() == pytest.approx(TURN, abs=1.5)
    together = vibration[vibration.adjuster.isna()]
    assert (together.gain_low > 1.0).all()
    assert (together.rotation_low > 0.0).all()
    assert track.gain.median() == pytest.approx(0.8, rel=0.04)
    assert track.rotation_deg.isna().all()
    assert set(track.adjuster.dropna()) == {"pitch link", "trim tab"}


@pytest.mark.parametrize(("rotors", "jobs"), [(4, 2), (15, 2)])
def test_intervals_hold_for_all_rows_together(rotors: int, jobs: int) -> None:
    """At least 19 of 20 tables should hold the truth in every row; 30 tables, 25 as the least.

    A binomial count with p = 0.95 falls under 25 of 30 in 0.06 % of cases.
    """
    held = 0
    for seed in range(30):
        rotor = invented_rotor(track=False, regimes=2)
        f = fleet(np.random.default_rng(seed), rotor, rotors=rotors, jobs=jobs, runs=5, spread=0.0)
        fit = chart_fit(rotor, f.history, replace(f.chart, mean=f.type_ / FACTOR))
        gain = fit[fit.gain_low.notna()]
        turn = fit[fit.rotation_low.notna()]
        assert len(gain) > 0.8 * len(fit)
        held += bool(
            ((gain.gain_low <= GAIN) & (gain.gain_high >= GAIN)).all()
            and ((turn.rotation_low <= TURN) & (turn.rotation_high >= TURN)).all()
        )
    assert held >= 25


def test_a_track_chart_of_the_other_sense_is_found_out() -> None:
    f = fleet(np.random.default_rng(45), rotors=12, jobs=2, runs=5, spread=0.05)
    fit = chart_fit(f.rotor, f.history, replace(f.chart, track_mean=-f.track_type))
    track = fit[fit.sensor.isna()]
    assert (track.gain_low < track.gain).all()
    assert (track.gain < track.gain_high).all()
    assert (track.gain_high < 0.0).all()
    assert ((track.gain_low < -1.0) & (track.gain_high > -1.0)).mean() > 0.8


def test_what_track_does_not_show_is_not_said_to_be_of_the_other_sense() -> None:
    """Blades that do not move at all, by a chart that says they do: the sign is anybody's."""
    for seed in range(8):
        f = fleet(np.random.default_rng(seed), invented_rotor(regimes=1), rotors=6, jobs=2, runs=4)
        rng, track = np.random.default_rng(seed), f.history.track.copy()
        track["height"] = rng.normal(size=len(track))
        fit = chart_fit(f.rotor, replace(f.history, track=track), f.chart)
        of_track = fit[fit.sensor.isna()]
        assert not (of_track.gain_high < 0.0).any()


def test_pairs_of_all_moves_are_those_with_any_move() -> None:
    """Hub weight alone in one pair, pitch link alone in the next: two each a job, four together."""
    f = fleet(np.random.default_rng(46), rotors=6, jobs=1, runs=5)
    moves = f.history.moves
    odd = moves.after_run.astype(int) % 2 == 1
    kept = ((moves.adjuster == "hub weight") & odd) | ((moves.adjuster == "pitch link") & ~odd)
    moves = moves[kept & (moves.groupby(["job", "after_run", "adjuster"]).cumcount() == 0)]
    fit = chart_fit(f.rotor, replace(f.history, moves=moves), f.chart)
    vibration = fit[fit.sensor.notna()]
    for adjuster in ("hub weight", "pitch link"):
        expected = (moves.adjuster == adjuster).sum()
        assert set(vibration[vibration.adjuster == adjuster].pairs) == {expected}
    assert set(vibration[vibration.adjuster.isna()].pairs) == {len(moves)}
    track = fit[fit.sensor.isna()]
    assert set(track.pairs) == {(moves.adjuster == "pitch link").sum()}


def test_adjusters_that_only_moved_together_have_no_gain_of_their_own() -> None:
    f = fleet(np.random.default_rng(4), invented_rotor(track=False), rotors=6, jobs=2, moves=1)
    hub = f.history.moves[f.history.moves.adjuster == "hub weight"]
    both = pd.concat([hub, hub.assign(adjuster="pitch link", amount=hub.amount / 10)])
    fit = chart_fit(f.rotor, replace(f.history, moves=both), f.chart)
    single = fit[fit.adjuster.notna()]
    assert set(single.adjuster) == {"hub weight", "pitch link"}
    assert single[["gain", "gain_low", "rotation_deg"]].isna().all().all()
    assert fit[fit.adjuster.isna()].gain.notna().all()


def test_few_jobs_give_no_interval() -> None:
    f = fleet(np.random.default_rng(42), rotors=2, jobs=2, runs=5)
    fit = chart_fit(f.rotor, f.history, f.chart)
    assert (fit.jobs <= 4).all()
    assert fit.gain_low.isna().all()
    assert fit.gain.notna().any()


def test_runs_in_another_frame_do_not_speak_of_the_chart() -> None:
    f = fleet(np.random.default_rng(43), rotors=12, jobs=2, runs=5)
    readings = f.history.readings.copy()
    turned = readings.job.str.endswith("-1")
    readings.loc[turned, "value"] *= np.exp(1j)
    names = [f"J{i:03d}-0" for i in range(12)]
    events = history([], [], events=[(n, "4", "reference moved", "", "") for n in names]).events
    log = replace(f.history, readings=readings, events=events)
    fit = chart_fit(f.rotor, log, replace(f.chart, mean=f.type_))
    assert abs(fit.rotation_deg.median()) < 3.0
    before = f.history.moves[f.history.moves.job.str.endswith("-0")]
    vibration = fit[fit.sensor.notna() & fit.adjuster.isna()]
    assert vibration.pairs.max() <= len(before[["job", "after_run"]].drop_duplicates())


def test_document_is_json_with_null_for_what_is_not_known() -> None:
    f = fleet(np.random.default_rng(44), rotors=6, jobs=2, runs=4)
    document = outcome_document(compare(f.rotor, f.history, f.chart))
    again = json.loads(json.dumps(document, allow_nan=False))
    methods = {"no change", "chart", "early fit", "learned"}
    assert {row["method"] for row in again["summary"]} == methods
    assert {row["sensor"] for row in again["summary"]} == {"sensor 1", "sensor 2", None}
    track = [row for row in again["chart_fit"] if row["sensor"] is None]
    assert track
    assert all(row["rotation_deg"] is None for row in track)
    for row in again["summary"]:
        assert row["coverage"] is None or row["method"] in ("early fit", "learned")
    empty = outcome_document(compare(f.rotor, history([], []), f.chart))
    assert json.loads(json.dumps(empty, allow_nan=False))["summary"] == []
