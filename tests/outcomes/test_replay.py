"""Walking forward: nothing of the future, the right sums, and intervals that hold."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor, without_chart_rows

from adapt.effects import harmonic_sums
from adapt.learning.whole import learn_runs
from adapt.log import History
from adapt.outcomes import Outcome, compare, walk


@pytest.fixture(scope="module")
def flown() -> tuple[Fleet, Outcome]:
    """A fleet of sixteen rotors, two jobs each, and how its predictions did."""
    f = fleet(np.random.default_rng(21), rotors=16, jobs=2, runs=5)
    return f, compare(f.rotor, f.history, f.chart)


def of(outcome: Outcome, method: str) -> pd.DataFrame:
    rows = outcome.predictions[outcome.predictions.method == method]
    return rows[rows.sensor.notna()].set_index(["job", "run", "sensor", "regime"]).sort_index()


def test_every_run_but_the_first_of_a_job_is_predicted_by_each_method(
    flown: tuple[Fleet, Outcome],
) -> None:
    _, outcome = flown
    assert outcome.jobs == 32
    assert outcome.runs == 32 * 4
    counts = outcome.predictions.groupby("method").size()
    assert set(counts) == {32 * 4 * (6 + 3)}
    assert set(counts.index) == {"no change", "chart", "early fit", "learned"}
    assert (of(outcome, "learned").index == of(outcome, "chart").index).all()


def test_no_change_is_the_reading_before_and_the_chart_adds_its_effect(
    flown: tuple[Fleet, Outcome],
) -> None:
    f, outcome = flown
    value = f.history.readings.set_index(["job", "run", "sensor", "regime"]).value
    rng = np.random.default_rng(1)
    same, chart = of(outcome, "no change"), of(outcome, "chart")
    for key in [chart.index[i] for i in rng.integers(len(chart), size=40)]:
        job, run, sensor, regime = key
        before = value[job, str(int(run) - 1), sensor, regime]
        amounts = np.zeros((4, 3))
        for move in f.history.moves.itertuples():
            if (move.job, move.after_run) == (job, str(int(run) - 1)):
                at = f.rotor.blades.index(move.blade), f.rotor.adjuster_names.index(move.adjuster)
                amounts[at] += move.amount
        channel = f.rotor.channels.index((sensor, regime))
        effect = harmonic_sums(f.rotor, amounts) @ f.chart.mean[channel]
        assert same.loc[key].predicted == before
        assert chart.loc[key].predicted == pytest.approx(before + effect)
        assert chart.loc[key]["read"] == value[key]
        assert chart.loc[key].error == pytest.approx(abs(value[key] - before - effect))
        assert chart.loc[key].moved == bool((harmonic_sums(f.rotor, amounts) != 0).any())


def test_learned_coefficients_predict_better_than_the_chart_and_the_chart_than_nothing(
    flown: tuple[Fleet, Outcome],
) -> None:
    _, outcome = flown
    whole = outcome.summary[outcome.summary.regime.isna()].copy()
    whole["sensor"] = whole.sensor.fillna("track")
    error = whole.pivot_table(index="sensor", columns="method", values="rms_error")
    assert (error["learned"] < 0.85 * error["chart"]).all()
    assert (error["chart"] < 0.8 * error["no change"]).all()
    learned = whole[whole.method == "learned"]
    assert (learned.skill_against_chart > 0.25).all()


def test_stated_intervals_hold(flown: tuple[Fleet, Outcome]) -> None:
    """Counted once a third of the log has shown the noise; before that it is assumed."""
    f, outcome = flown
    started = f.history.runs.set_index(["job", "run"]).started
    learned = outcome.predictions[outcome.predictions.method == "learned"]
    when = pd.Series([started[k] for k in zip(learned.job, learned.run, strict=True)])
    late = learned[(when.rank(pct=True) > 1 / 3).to_numpy()]
    inside = late.inside_95.astype(float)
    assert 0.92 < inside[late.sensor.notna()].mean() < 0.98
    assert 0.90 < inside[late.sensor.isna()].mean() < 0.99
    stated = outcome.summary[outcome.summary.method == "learned"]
    assert stated.coverage.between(0.8, 1.0).all()
    assert outcome.summary[outcome.summary.method == "chart"].coverage.isna().all()


def test_scores_are_those_of_the_errors(flown: tuple[Fleet, Outcome]) -> None:
    _, outcome = flown
    for row in outcome.summary.itertuples():
        part = outcome.predictions
        part = part[part.sensor.isna() if pd.isna(row.sensor) else part.sensor == row.sensor]
        part = part if pd.isna(row.regime) else part[part.regime == row.regime]
        square = (part.error**2).groupby(part.method).mean()
        assert row.rms_error == pytest.approx(np.sqrt(square[row.method]))
        assert row.skill == pytest.approx(1 - square[row.method] / square["no change"])
        assert row.skill_against_chart == pytest.approx(1 - square[row.method] / square["chart"])
        assert row.runs == (part.method == row.method).sum()


def changed_after(log: History, when: pd.Timestamp) -> History:
    """Return the log with every reading from then on replaced and every later move doubled."""
    started = log.runs.set_index(["job", "run"]).started

    def later(table: pd.DataFrame, column: str) -> np.ndarray:
        return np.array(
            [started[key] >= when for key in zip(table.job, table[column], strict=True)]
        )

    readings, track, moves = log.readings.copy(), log.track.copy(), log.moves.copy()
    late = later(readings, "run")
    readings.loc[late, "value"] = readings.loc[late, "value"] * 1j + 3.0
    late = later(track, "run")
    track.loc[late, "height"] = -2.0 * track.loc[late, "height"]
    late = later(moves, "after_run")
    moves.loc[late, "amount"] *= 2.0
    return replace(log, readings=readings, track=track, moves=moves)


def test_changing_the_future_changes_no_prediction_of_the_past() -> None:
    f = fleet(np.random.default_rng(22), rotors=4, jobs=3, runs=4)
    started = f.history.runs.set_index(["job", "run"]).started
    when = started.sort_values().iloc[len(started) // 2]
    one = compare(f.rotor, f.history, f.chart).predictions
    other = compare(f.rotor, changed_after(f.history, when), f.chart).predictions
    keys = ["method", "job", "run", "sensor", "regime"]
    past = np.array([started[key] < when for key in zip(one.job, one.run, strict=True)])
    assert 0.3 < past.mean() < 0.7
    a, b = one[past].reset_index(drop=True), other[past].reset_index(drop=True)
    pd.testing.assert_frame_equal(a[[*keys, "error"]], b[[*keys, "error"]], check_exact=True)
    vibration = a.sensor.notna()
    assert (a.predicted[vibration] == b.predicted[vibration]).all()
    assert (one[~past].error.to_numpy() != other[~past].error.to_numpy()).any()


def shortened(log: History, when: pd.Timestamp) -> History:
    """Return the log as it was before a job began at that time."""
    begun = log.runs.groupby("job").started.min()
    known = set(begun.index[begun < when])
    kept = {
        name: getattr(log, name)[getattr(log, name).job.isin(known)]
        for name in ("runs", "readings", "track", "moves", "events")
    }
    return replace(log, **kept)


@pytest.fixture(scope="module")
def whole_log() -> tuple[Fleet, pd.DataFrame]:
    """A fleet, and the predictions of all its runs."""
    f = fleet(np.random.default_rng(34), rotors=6, jobs=3, runs=4)
    return f, compare(f.rotor, f.history, f.chart).predictions


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_prediction_does_not_depend_on_how_many_runs_come_after_it(
    share: float, whole_log: tuple[Fleet, pd.DataFrame]
) -> None:
    """When to learn anew, and what each learning starts from, are settled by the past alone."""
    f, whole = whole_log
    begun = f.history.runs.groupby("job").started.min().sort_values()
    when = begun.iloc[int(share * len(begun))]
    short = shortened(f.history, when)
    one = compare(f.rotor, short, f.chart).predictions
    keys = ["method", "job", "run", "sensor", "regime"]
    started = short.runs.set_index(["job", "run"]).started
    # Runs of jobs that overlap: only what was flown before the first run that was left out.
    past = np.array([started[key] < when for key in zip(one.job, one.run, strict=True)])
    assert past.sum() > 100
    a = one[past].set_index(keys)
    b = whole.set_index(keys).loc[a.index]
    np.testing.assert_allclose(a.error.to_numpy(), b.error.to_numpy(), rtol=1e-6)
    assert (a.inside_95.fillna(0.0) == b.inside_95.fillna(0.0)).all()


def test_learning_anew_starts_from_what_was_learned_of_the_past_alone() -> None:
    """Each fit goes on from the one before it; what that one saw came before what this one sees."""
    f = fleet(np.random.default_rng(35), rotors=4, jobs=3, runs=3)
    with pytest.MonkeyPatch.context() as patch:
        seen: list[tuple[set[str], object, object]] = []

        def noted(rotor, runs, *given, start=None, **named):  # type: ignore[no-untyped-def]
            found = learn_runs(rotor, runs, *given, start=start, **named)
            pairs = {f"{runs.jobs[j]} {n}" for j, n in zip(runs.job, runs.names, strict=True)}
            seen.append((pairs, start, found.fitted))
            return found

        patch.setattr(walk, "learn_runs", noted)
        compare(f.rotor, f.history, f.chart)
    assert len(seen) > 4
    assert seen[0][1] is None
    for (before, _, fitted), (now, start, _) in pairwise(seen):
        assert start is fitted
        assert before < now


def test_the_first_job_of_the_log_is_predicted_from_the_chart_alone() -> None:
    """Its first pair: the level is the first reading, the coefficients are the chart's."""
    f = fleet(np.random.default_rng(23), rotors=5, jobs=2, runs=4)
    outcome = compare(f.rotor, f.history, f.chart)
    first = f.history.runs.sort_values("started").iloc[0].job
    learned, chart = of(outcome, "learned").loc[first, "1"], of(outcome, "chart").loc[first, "1"]
    np.testing.assert_allclose(
        learned.predicted.to_numpy(dtype=complex), chart.predicted.to_numpy(dtype=complex)
    )


def test_what_other_rotors_showed_serves_a_rotor_without_runs() -> None:
    """With a wrong chart, late first jobs are predicted better than early ones."""
    f = fleet(np.random.default_rng(24), rotors=40, jobs=1, runs=3, spread=0.05)
    wrong = replace(f.chart, mean=f.type_ * np.exp(0.8j), sd=0.5 * np.abs(f.type_))
    learned = of(compare(f.rotor, f.history, wrong), "learned").reset_index()
    started = f.history.runs.set_index(["job", "run"]).started
    pairs = learned[learned.run == "1"]
    rank = pairs.job.map(lambda job: started[job, "0"]).rank(method="dense")
    assert pairs.error[rank > 20].mean() < 0.6 * pairs.error[rank <= 3].mean()


def test_missing_regimes_are_predicted_from_the_last_run_that_has_them() -> None:
    f = fleet(np.random.default_rng(25), rotors=4, jobs=2, runs=5, missing=0.4)
    outcome = compare(f.rotor, f.history, f.chart)
    value = f.history.readings.set_index(["job", "run", "sensor", "regime"]).value
    same = of(outcome, "no change")
    gaps = 0
    for (job, run, sensor, regime), row in same.iterrows():
        earlier = [k for k in range(int(run)) if (job, str(k), sensor, regime) in value.index]
        assert row.predicted == value[job, str(earlier[-1]), sensor, regime]
        gaps += earlier[-1] != int(run) - 1
    assert gaps > 10


def test_an_event_cuts_what_is_predicted() -> None:
    f = fleet(np.random.default_rng(26), rotors=4, jobs=1, runs=4)
    events = history([], [], events=[("J001-0", "1", "hardware changed", "", "")]).events
    outcome = compare(f.rotor, replace(f.history, events=events), f.chart)
    runs = set(zip(outcome.predictions.job, outcome.predictions.run, strict=True))
    assert ("J001-0", "2") not in runs
    assert {("J001-0", "1"), ("J001-0", "3"), ("J000-0", "2")} <= runs


def test_after_a_moved_reference_the_rotor_starts_again_from_the_fleet() -> None:
    """Before the event phases were turned by a third: what was learned then would mislead."""
    f = fleet(np.random.default_rng(27), rotors=6, jobs=3, runs=4)
    readings = f.history.readings.copy()
    turned = readings.job.isin(["J003-0", "J003-1"])
    readings.loc[turned, "value"] *= np.exp(0.7j)
    events = history([], [], events=[("J003-1", "3", "reference moved", "", "")]).events
    log = replace(f.history, readings=readings)
    told = of(compare(f.rotor, replace(log, events=events), f.chart), "learned")
    untold = of(compare(f.rotor, log, f.chart), "learned")
    job = "J003-2"
    assert told.loc[job].error.mean() < 0.7 * untold.loc[job].error.mean()


def test_without_a_chart_there_are_two_methods_and_no_fit_of_a_chart() -> None:
    f = fleet(np.random.default_rng(28), rotors=6, jobs=2, runs=5)
    outcome = compare(f.rotor, f.history)
    assert set(outcome.predictions.method) == {"no change", "early fit", "learned"}
    assert outcome.chart_fit.empty
    assert any("chart" in note for note in outcome.notes)
    assert outcome.summary.skill_against_chart.isna().all()


def test_channels_that_the_chart_lacks_are_left_out_for_every_method() -> None:
    f = fleet(np.random.default_rng(29), rotors=3, jobs=2, runs=4)
    mean, sd = f.chart.mean.copy(), f.chart.sd.copy()
    mean[2, 1] = sd[2, 1] = np.nan
    outcome = compare(f.rotor, f.history, replace(f.chart, mean=mean, sd=sd))
    counts = outcome.summary.groupby(["sensor", "regime"], dropna=False).runs.nunique()
    assert (counts == 1).all()
    none = compare(f.rotor, f.history, without_chart_rows(f.chart))
    learned = none.predictions[none.predictions.method == "learned"]
    assert not learned[learned.sensor.notna()].moved.any()


def test_logs_without_a_pair_give_empty_tables() -> None:
    f = fleet(np.random.default_rng(30), rotors=2, jobs=1, runs=1)
    for log in (f.history, history([], [])):
        outcome = compare(f.rotor, log, f.chart)
        assert outcome.predictions.empty
        assert outcome.summary.empty
        assert outcome.runs == 0
        assert outcome.notes


def test_runs_without_dates_are_taken_in_the_order_of_the_log() -> None:
    f = fleet(np.random.default_rng(31), rotors=4, jobs=2, runs=4)
    undated = replace(f.history, runs=f.history.runs.assign(started=pd.NaT))
    outcome = compare(f.rotor, undated, f.chart)
    assert outcome.runs == 4 * 2 * 3


@pytest.mark.parametrize("blades", [1, 2])
def test_few_blades_are_compared_too(blades: int) -> None:
    f = fleet(np.random.default_rng(32), invented_rotor(blades, 1, 1, 1), rotors=8, jobs=2, runs=5)
    outcome = compare(f.rotor, f.history, f.chart)
    summary = outcome.summary[outcome.summary.regime.isna()].set_index("method")
    assert summary[summary.sensor.notna()].loc["learned"].skill > 0.5
    assert summary.sensor.isna().any() == (blades > 1)


def test_progress_is_told_for_every_job() -> None:
    f = fleet(np.random.default_rng(33), rotors=3, jobs=2, runs=3)
    told: list[tuple[int, int]] = []
    compare(f.rotor, f.history, f.chart, progress=lambda done, of: told.append((done, of)))
    assert told == [(k, 6) for k in range(7)]
