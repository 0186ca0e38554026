"""What a suspect pair would change, and that looking again where it may matter loses nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor

import adapt
from adapt.coefficients.values import component_sd
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.suspects import looking, sieve
from adapt.learning.suspects.screening import Screened, fit_screened


@pytest.fixture(scope="module")
def made() -> Fleet:
    rng = np.random.default_rng(31)
    return fleet(rng, invented_rotor(blades=5), rotors=8, jobs=3, runs=5)


def with_wrong_sign(made: Fleet, job: str, after: str) -> Fleet:
    moves = made.history.moves.copy()
    there = (moves["job"] == job) & (moves["after_run"] == after)
    moves.loc[there, "amount"] *= -1
    return replace(made, history=replace(made.history, moves=moves))


def test_what_a_last_pair_would_change_is_what_taking_it_in_changes(made: Fleet) -> None:
    """Against the recursion of `update`, which takes pairs in one at a time."""
    job, after = "J003-2", "3"
    wrong = with_wrong_sign(made, job, after)
    learned = adapt.learn(wrong.rotor, wrong.history, wrong.chart)
    told = next(s for s in learned.suspects if (s["job"], s["after_run"]) == (job, after))
    assert learned.withheld == {(job, after)}
    before = learned.of("R003")
    for change, history in (
        (told["would_change"]["as_entered"], wrong.history),
        (told["would_change"]["as_explained"], made.history),
    ):
        taken = adapt.update(
            replace(learned, withheld=frozenset()), made.rotor, history, look=False
        )
        own = taken.of("R003")
        vibration = np.abs(own.mean - before.mean) / component_sd(before.cov)
        var = np.einsum("gaa->ga", before.track_cov)
        apart = np.abs(own.track_mean - before.track_mean)
        track = np.divide(apart, np.sqrt(var), out=np.zeros_like(apart), where=var > 0)
        assert change["sds"] == pytest.approx(max(vibration.max(), track.max()), rel=1e-6)
        adjuster = made.rotor.adjuster_names.index(change["adjuster"])
        if change["sensor"] is None:
            found = track[made.rotor.regime_names.index(change["regime"]), adjuster]
        else:
            channel = made.rotor.channels.index((change["sensor"], change["regime"]))
            found = vibration[channel, adjuster]
        assert change["sds"] == pytest.approx(found, rel=1e-6)


def test_a_middle_pair_would_change_more_as_entered_than_as_explained(made: Fleet) -> None:
    wrong = with_wrong_sign(made, "J004-1", "1")
    learned = adapt.learn(wrong.rotor, wrong.history, wrong.chart)
    told = next(s for s in learned.suspects if s["job"] == "J004-1")
    change = told["would_change"]
    assert change["as_entered"]["sds"] > 3 > change["as_explained"]["sds"] > 0


def test_what_nobody_can_explain_has_no_explained_change(made: Fleet) -> None:
    runs = runs_of(made.rotor, made.history)
    readings, heights = runs.readings.copy(), runs.heights.copy()
    rng = np.random.default_rng(5)
    row = 42
    assert not runs.starts[row]
    job = runs.job == runs.job[row]
    later = job & (np.arange(len(runs)) >= row)
    jump = rng.standard_normal(readings.shape[1]) + 1j * rng.standard_normal(readings.shape[1])
    readings[later] += jump
    heights[later] += 30.0 * rng.standard_normal(heights.shape[1:])
    found = fit_screened(
        made.rotor, replace(runs, readings=readings, heights=heights), made.chart
    ).coefficients.suspects
    told = next(s for s in found if s["kind"] == "unexplained")
    assert told["explanations"][0]["entries"] == []
    assert told["would_change"]["as_explained"] is None
    assert told["would_change"]["as_entered"]["sds"] > 3


def spoiled(made: Fleet, share: float, seed: int) -> Runs:
    """Return the runs with moves on the next blade, or with the other sign, here and there."""
    rng = np.random.default_rng(seed)
    runs = runs_of(made.rotor, made.history)
    amounts = runs.amounts.copy()
    for row in np.flatnonzero(~runs.starts & (rng.random(len(runs)) < share)):
        amounts[row] = -amounts[row] if rng.random() < 0.5 else np.roll(amounts[row], 1, axis=0)
    return replace(runs, amounts=amounts)


def told(screened: Screened) -> list[tuple[int, str, float]]:
    return [(s.row, s.kind, round(s.probability, 9)) for s in screened.suspects]


@pytest.mark.parametrize("share", [0.0, 0.05, 0.15])
def test_looking_again_only_where_it_may_matter_loses_nothing(
    made: Fleet, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs = spoiled(made, share, 7)
    where = looking.may_change
    looked = []

    def noted(*given: object) -> np.ndarray:
        again = where(*given)
        looked.append(again.sum())
        return again

    monkeypatch.setattr(looking, "may_change", noted)
    some = fit_screened(made.rotor, runs, made.chart)
    monkeypatch.setattr(looking, "may_change", lambda *given: runs.starts.copy())
    every = fit_screened(made.rotor, runs, made.chart)
    assert told(some) == told(every)
    assert some.coefficients.withheld == every.coefficients.withheld
    if share == 0.05:
        assert min(looked) < runs.starts.sum()  # and it does spare work


def test_pairs_found_right_are_not_suspected_again(made: Fleet) -> None:
    runs = spoiled(made, 0.1, 8)
    rows = {s.row for s in fit_screened(made.rotor, runs, made.chart).suspects}
    kept = runs.kept.copy()
    kept[list(rows)] = True
    again = fit_screened(made.rotor, replace(runs, kept=kept), made.chart).suspects
    assert rows
    assert not rows & {step for s in again for step in s.steps}


def test_the_first_look_lets_no_suspect_by(made: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against weighing every segment exactly."""
    runs = spoiled(made, 0.12, 9)
    some = fit_screened(made.rotor, runs, made.chart)
    monkeypatch.setattr(sieve, "LOOK", 60.0)
    every = fit_screened(made.rotor, runs, made.chart)
    assert some.suspects
    assert told(some) == told(every)


def test_long_jobs_with_averaged_readings_are_looked_through() -> None:
    """Thirty runs, more than one gust, readings that are averages, some missing."""
    rng = np.random.default_rng(11)
    rotor = invented_rotor(blades=5, sensors=2, regimes=2, track=False)
    long = fleet(rng, rotor, rotors=4, jobs=1, runs=30, missing=0.1)
    runs = runs_of(rotor, long.history)
    repeats = np.where(rng.random(runs.repeats.shape) < 0.3, 4.0, 1.0)
    readings = runs.readings.copy()
    for row in (9, 17, 24):  # gusts: the level of the first rotor's job changes three times over
        jump = rng.standard_normal((2, readings.shape[1]))
        readings[row:30] += 0.04 * (jump[0] + 1j * jump[1])
    moved = np.flatnonzero(~runs.starts & (np.abs(runs.amounts).sum(axis=(1, 2)) > 0))
    row = int(moved[moved > 40][3])
    amounts = runs.amounts.copy()
    amounts[row] = np.roll(amounts[row], 1, axis=0)
    runs = replace(runs, readings=readings, repeats=repeats, amounts=amounts)
    found = fit_screened(rotor, runs, long.chart).suspects
    assert row in {s.row for s in found}
    assert len(found) <= 4
