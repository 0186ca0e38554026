"""The verb: same answer wherever the work is done, the early fit, breakdowns that add up."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet, invented_rotor

from adapt.outcomes import Outcome, compare
from adapt.outcomes.scores import EXPERIENCE, SIZES
from adapt.problems import BadInput
from adapt.rotor import Limit

EARLY = 6


@pytest.fixture(scope="module")
def flown() -> tuple[Fleet, Outcome]:
    """Eight rotors, three jobs each, limits of track beside those of vibration."""
    f = fleet(np.random.default_rng(51), rotors=8, jobs=3, runs=4)
    limits = (*f.rotor.limits, Limit(None, 18.0))
    f.rotor = replace(f.rotor, limits=limits)
    return f, compare(f.rotor, f.history, f.chart, early_jobs=EARLY)


@pytest.fixture(scope="module")
def few() -> tuple[Fleet, Outcome]:
    """Four rotors, two short jobs each: for what can be seen on any answer."""
    f = fleet(np.random.default_rng(56), rotors=4, jobs=2, runs=3)
    return f, compare(f.rotor, f.history, f.chart, early_jobs=EARLY)


def same(one: Outcome, other: Outcome) -> None:
    for name in ("predictions", "whole_runs", "summary", "breakdown", "coverage", "reliability",
                 "chart_fit"):  # fmt: skip
        a, b = getattr(one, name), getattr(other, name)
        pd.testing.assert_frame_equal(a, b, rtol=1e-9, check_exact=False)


def test_processes_give_the_same_answer(few: tuple[Fleet, Outcome]) -> None:
    f, outcome = few
    with ProcessPoolExecutor(2, get_context("fork")) as pool:
        same(outcome, compare(f.rotor, f.history, f.chart, early_jobs=EARLY, executor=pool))


def test_a_cluster_of_two_workers_gives_the_same_answer(few: tuple[Fleet, Outcome]) -> None:
    """A Dask cluster's client gives an executor; its workers are processes of their own."""
    distributed = pytest.importorskip("distributed")
    f, outcome = few
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        executor = client.get_executor()
        other = compare(f.rotor, f.history, f.chart, early_jobs=EARLY, executor=executor)
    same(outcome, other)


def test_the_early_fit_is_what_was_learned_until_it_stops_learning(
    flown: tuple[Fleet, Outcome],
) -> None:
    f, outcome = flown
    table = outcome.predictions.set_index(["job", "run", "sensor", "regime"])
    early, learned = table[table.method == "early fit"], table[table.method == "learned"]
    begun = f.history.runs.groupby("job").started.min().sort_values()
    first = early.index.get_level_values("job").isin(begun.index[:EARLY])
    assert first.sum() > 50
    np.testing.assert_array_equal(early.error[first], learned.error[first])
    assert (early.error[~first].to_numpy() != learned.error[~first].to_numpy()).mean() > 0.7
    late = early.index.get_level_values("job").isin(begun.index[-8:])
    assert (early.error[late] ** 2).mean() > (learned.error[late] ** 2).mean()


def test_an_early_fit_after_more_jobs_than_there_are_is_the_learned_one() -> None:
    f = fleet(np.random.default_rng(52), rotors=4, jobs=2, runs=3)
    table = compare(f.rotor, f.history, f.chart, early_jobs=99).predictions
    early, learned = (table[table.method == m].error.to_numpy() for m in ("early fit", "learned"))
    np.testing.assert_array_equal(early, learned)


def test_what_later_jobs_teach_does_not_reach_the_early_fit(flown: tuple[Fleet, Outcome]) -> None:
    """With every reading of the middle third changed, the last third is foretold the same."""
    f, outcome = flown
    begun = f.history.runs.groupby("job").started.min().sort_values()
    middle, last = set(begun.index[EARLY + 2 : 16]), set(begun.index[16:])
    runs = f.history.runs.set_index("job").started
    assert max(runs[list(middle)]) < min(runs[list(last)])
    readings = f.history.readings.copy()
    changed = readings.job.isin(middle)
    readings.loc[changed, "value"] = readings.loc[changed, "value"] * 1j + 0.1
    other = compare(f.rotor, replace(f.history, readings=readings), f.chart, early_jobs=EARLY)
    for method, equal in (("early fit", True), ("learned", False)):
        a, b = (
            o.predictions[(o.predictions.method == method) & o.predictions.job.isin(last)]
            for o in (outcome, other)
        )
        assert bool((a.error.to_numpy() == b.error.to_numpy()).all()) == equal


def test_amplitude_and_phase_errors_are_those_of_the_vectors(flown: tuple[Fleet, Outcome]) -> None:
    _, outcome = flown
    rows = outcome.predictions[outcome.predictions.sensor.notna()]
    np.testing.assert_allclose(rows.error, np.abs(rows["read"] - rows.predicted))
    np.testing.assert_allclose(
        rows.amplitude_error, np.abs(rows["read"]) - np.abs(rows.predicted), atol=1e-12
    )
    told = rows[rows.phase_error_deg.notna()]
    turned = told.predicted * np.exp(1j * np.deg2rad(told.phase_error_deg))
    np.testing.assert_allclose(np.angle(turned / told["read"]), 0.0, atol=1e-9)
    lost = rows[rows.phase_error_deg.isna()]
    assert 0 < len(lost) < 0.2 * len(rows)
    assert np.minimum(np.abs(lost["read"]), np.abs(lost.predicted)).max() < 0.1


def test_a_breakdown_holds_every_moved_reading_once(flown: tuple[Fleet, Outcome]) -> None:
    f, outcome = flown
    table, by = outcome.predictions, outcome.breakdown
    learned = table[(table.method == "learned") & table.sensor.notna()]
    mine = by[(by.method == "learned") & (by["of"] == "vibration")]
    for way in ("rotor", "time", "experience", "entries"):
        assert mine[mine.by == way].runs.sum() == learned.moved.sum()
    assert mine[mine.by == "size"].runs.sum() == len(learned)
    assert set(mine[mine.by == "rotor"].group) == set(f.history.runs.rotor)
    assert set(mine[mine.by == "experience"].group) <= set(EXPERIENCE)
    assert set(mine[mine.by == "size"].group) <= set(SIZES)
    for adjuster in f.rotor.adjuster_names:
        row = mine[(mine.by == "adjuster") & (mine.group == adjuster)].iloc[0]
        has = learned.adjusters.str.contains(adjuster, regex=False) & learned.moved
        assert row.runs == has.sum()
        assert row.jobs == learned[has].job.nunique()


def test_a_breakdown_of_one_channel_is_that_channels_skill() -> None:
    """One channel: pooling changes nothing."""
    f = fleet(np.random.default_rng(53), rotors=6, jobs=2, runs=4)
    only = f.history.readings[
        (f.history.readings.sensor == "sensor 1") & (f.history.readings.regime == "regime 1")
    ]
    outcome = compare(f.rotor, replace(f.history, readings=only, track=f.history.track[:0]))
    by = outcome.breakdown
    table = outcome.predictions
    for serial in ("R000", "R003"):
        mine = table[(table.rotor == serial) & table.moved]
        square = (mine.error**2).groupby(mine.method).sum()
        row = by[(by.by == "rotor") & (by.group == serial) & (by.method == "learned")].iloc[0]
        assert row.skill == pytest.approx(1.0 - square["learned"] / square["no change"])


def test_experience_counts_the_rotors_earlier_pairs(flown: tuple[Fleet, Outcome]) -> None:
    f, outcome = flown
    table = outcome.predictions
    moved = set(zip(f.history.moves.job, f.history.moves.after_run, strict=True))
    runs = f.history.runs.sort_values("started")
    for serial in ("R000", "R005"):
        mine = runs[runs.rotor == serial]
        before = 0
        for job, run in zip(mine.job, mine.run, strict=True):
            at = table[(table.job == job) & (table.run == run)]
            if len(at):
                assert set(at.pairs) == {before}
            before += (job, str(int(run) - 1)) in moved


def test_chances_are_stated_of_what_has_a_limit(flown: tuple[Fleet, Outcome]) -> None:
    f, outcome = flown
    learned = outcome.predictions[outcome.predictions.method == "learned"]
    assert learned.chance.between(0.0, 1.0).all()
    amplitude = np.abs(learned["read"])[learned.sensor.notna()]
    np.testing.assert_array_equal(
        learned.inside_limit[learned.sensor.notna()] == 1.0, amplitude <= 0.2
    )
    assert set(outcome.brier) == {"vibration", "track", "run"}
    single = learned.groupby(["job", "run"], sort=False).inside_limit.min()
    whole = outcome.whole_runs.set_index(["job", "run"]).came_inside
    pd.testing.assert_series_equal(single, whole, check_names=False)
    least = learned.groupby(["job", "run"], sort=False).chance.min()
    stated = outcome.whole_runs.set_index(["job", "run"]).chance
    assert (stated <= least + 0.04).all()  # a joint chance is drawn, its sd at most 0.011
    no_limit = compare(replace(f.rotor, limits=()), f.history, f.chart)
    assert no_limit.reliability.empty
    assert no_limit.brier == {}


def test_single_chances_of_one_run_make_the_whole_runs_chance() -> None:
    """One channel and no track: the run's chance is the reading's, but for drawing it."""
    f = fleet(np.random.default_rng(54), invented_rotor(4, 1, 1, 3, track=False), rotors=5, runs=4)
    outcome = compare(f.rotor, f.history, f.chart)
    learned = outcome.predictions[outcome.predictions.method == "learned"]
    stated = outcome.whole_runs.set_index(["job", "run"]).chance
    single = learned.set_index(["job", "run"]).chance
    assert len(single) == len(stated)
    np.testing.assert_allclose(single, stated.loc[single.index], atol=0.05)


def test_an_early_fit_before_the_first_job_is_refused(flown: tuple[Fleet, Outcome]) -> None:
    f, _ = flown
    with pytest.raises(BadInput, match="early jobs -1"):
        compare(f.rotor, f.history, f.chart, early_jobs=-1)


def test_limits_that_the_rotor_file_does_not_name_are_refused(
    flown: tuple[Fleet, Outcome],
) -> None:
    f, _ = flown
    with pytest.raises(BadInput, match="overhaul"):
        compare(f.rotor, f.history, f.chart, limits="overhaul")


def test_pairs_that_look_wrong_are_told_apart() -> None:
    """One move of a job is entered with the wrong sign: its pair alone is of suspect entries."""
    f = fleet(np.random.default_rng(55), rotors=8, jobs=3, runs=4, moves=1)
    moves = f.history.moves.copy()
    at = moves.index[(moves.job == "J004-2") & (moves.after_run == "1")]
    assert len(at) == 1
    moves.loc[at, "amount"] *= -1.0
    outcome = compare(f.rotor, replace(f.history, moves=moves), f.chart)
    suspect = outcome.predictions[outcome.predictions.suspect]
    assert ("J004-2", "2") in set(zip(suspect.job, suspect.run, strict=True))
    assert suspect[["job", "run"]].drop_duplicates().shape[0] <= 2
