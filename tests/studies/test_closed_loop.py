"""The closed loop of the studies: few jobs, so that it is what it says, not what it finds."""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from demo_folder import copied_demo

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import closed_loop as loop
import flights_to_limits
import loop_worlds
from flights_to_limits import Task, every_aim
from loop_history import first_pairs, history_of_jobs, pairs_in
from loop_tables import Cells
from loop_workers import run_all
from loop_worlds import MOST_PAIRS, Setting, inside, night_of, worst_of
from wrong_entries_cost import spoiled_night

import adapt
from adapt.coefficients import Coefficients

SILENT = {"gust_sd": 0.0, "walk_sd": 0.0, "track_sd": 0.0, "track_walk_sd": 0.0}


@pytest.fixture
def few_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three other rotors with two jobs each, where the fleet is not what is looked at."""
    monkeypatch.setattr(loop_worlds, "OTHERS", 3)
    monkeypatch.setattr(loop_worlds, "JOBS_OF_OTHERS", 2)


def without_noise(coefficients: Coefficients) -> Coefficients:
    """Return coefficients that expect next to no noise of a run, and exact moves."""
    noise = coefficients.noise
    tiny = np.full_like(noise.reading_var, 1e-12), np.full_like(noise.track_reading_var, 1e-12)
    silent = replace(
        noise, reading_var=tiny[0], run_var=tiny[0], track_reading_var=tiny[1],
        track_run_var=tiny[1], move_var=None, track_move_var=None,
    )  # fmt: skip
    return replace(coefficients, noise=silent)


@pytest.mark.usefixtures("few_others")
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_oracle_without_noise_needs_one_correction(seed: int) -> None:
    night = night_of(seed, Setting("model", noise=0.0))
    known = without_noise(loop.oracle(night, loop.from_chart(night)))
    outcome, runs, moves = loop.to_limits(night, loop.planner(known), ("oracle",))
    assert not inside(night.rotor, runs[0])
    assert (outcome.corrections, outcome.first_inside) == (1, True)
    # What came is what the definition of the model makes of the moves, by hand.
    turned = np.exp(1j * night.rotor.psi) @ moves[0]
    foretold = runs[0].readings + night.machine.coefficients() @ turned
    np.testing.assert_allclose(runs[1].readings, foretold, atol=1e-9)


@pytest.mark.usefixtures("few_others")
def test_a_chart_that_points_the_wrong_way_does_not_come_inside_in_one() -> None:
    night = night_of(1, Setting("model", noise=0.0))
    turned = replace(night, chart=replace(night.chart, mean=-night.chart.mean))
    known = without_noise(loop.as_printed(turned, loop.from_chart(night)))
    outcome, _, _ = loop.to_limits(turned, loop.planner(known), ("chart",))
    assert not outcome.first_inside
    assert outcome.corrections > 1


@pytest.mark.usefixtures("few_others")
def test_all_get_the_same_rotor_faults_and_noise() -> None:
    one, other = night_of(5, Setting()), night_of(5, Setting())
    nothing = np.zeros_like(one.fitted)
    states = [n.move(n.first.state, nothing, 1) for n in (one, other)]
    flown = [n.fly(s, 1) for n, s in zip((one, other), states, strict=True)]
    np.testing.assert_array_equal(flown[0].readings, flown[1].readings)
    np.testing.assert_array_equal(one.first.track, other.first.track)
    assert worst_of(one.rotor, one.first.readings, one.first.track) > 1.0


def test_a_rotor_that_a_job_left_far_out_still_gets_its_next_one() -> None:
    # One of this fleet's rotors ends a job at five times its limits: no wear brings it to three.
    night = night_of(509, Setting("model"))
    assert len(night.others) == 50


@pytest.mark.usefixtures("few_others")
def test_as_many_workers_as_you_like_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flights_to_limits, "AIMS", ("fewest", "smoothest"))
    tasks = [Task("aims", seed) for seed in (0, 1)]
    alone = run_all(every_aim, tasks)
    with ProcessPoolExecutor(2) as executor:
        together = run_all(every_aim, tasks, executor)
    assert [repr(o) for o in alone] == [repr(o) for o in together]


def test_the_fleet_needs_fewer_corrections_than_the_chart() -> None:
    """Ten jobs as they are drawn: on most the chart is near enough, on some far off."""
    found = []
    for seed in range(10):
        night = night_of(seed, Setting("model"))
        fleet = loop.learned_from_fleet(night)
        known = {
            "chart": loop.as_printed(night, loop.from_chart(night)),
            "fleet": fleet,
            "oracle": loop.oracle(night, fleet),
        }
        found += [loop.to_limits(night, loop.planner(c), (k,))[0] for k, c in known.items()]
    cells = Cells(found)
    needed = {cell: cells.column(cell, "corrections").mean() for cell in cells.by_cell}
    assert needed["oracle",] <= needed["fleet",] < needed["chart",] - 0.5


@pytest.mark.usefixtures("few_others")
def test_earlier_pairs_are_counted_and_cut() -> None:
    night = night_of(3, Setting())
    assert pairs_in(night.own) == MOST_PAIRS
    assert pairs_in(first_pairs(night.own, 3)) == 3
    log = history_of_jobs(night.rotor, first_pairs(night.own, 3))
    assert len(loop.learned_from_own(night, 3).taught) == 3
    assert len(log.runs) - log.runs["job"].nunique() == 3


def test_a_history_in_memory_teaches_what_its_files_teach(tmp_path: Path) -> None:
    demo = copied_demo(tmp_path / "demo")
    rotor = adapt.read_rotor(demo.tail_rotor)
    checked = adapt.check(rotor, adapt.read_log(demo.log))
    chart = adapt.read_chart(demo.tail_chart, rotor)
    of_files = adapt.learn(rotor, checked, chart=chart, health=False)
    in_memory = adapt.learn(rotor, _again(rotor, checked), chart=chart, health=False)
    for serial, own in of_files.rotors.items():
        np.testing.assert_allclose(in_memory.rotors[serial].mean, own.mean, rtol=1e-8)


def _again(rotor: adapt.rotor.Rotor, checked: adapt.log.History) -> adapt.log.History:
    """Return a checked log made anew from arrays."""
    from loop_history import LogJob

    jobs = []
    for name in checked.runs["job"].unique():
        of_job = checked.runs[checked.runs["job"] == name]
        runs = list(of_job["run"])
        shape = (len(runs), len(rotor.sensors), len(rotor.regimes))
        readings = np.full(shape, np.nan + 0j)
        for x in checked.readings[checked.readings["job"] == name].itertuples():
            sensor = [s.name for s in rotor.sensors].index(x.sensor)
            regime = rotor.regime_names.index(x.regime)
            readings[runs.index(x.run), sensor, regime] = x.value
        moves = np.zeros((len(runs) - 1, len(rotor.blades), len(rotor.adjusters)))
        for x in checked.moves[checked.moves["job"] == name].itertuples():
            if x.after_run != runs[-1]:
                b, a = rotor.blades.index(x.blade), rotor.adjuster_names.index(x.adjuster)
                moves[runs.index(x.after_run), b, a] += x.amount
        heights = np.full((len(runs), len(rotor.regimes), len(rotor.blades)), np.nan)
        jobs.append(
            LogJob(
                of_job["rotor"].iloc[0], name, of_job["started"].iloc[0], readings, heights, moves,
                np.zeros(moves.shape[1:]),
            )
        )  # fmt: skip
    return history_of_jobs(rotor, jobs)


def test_a_goal_that_is_met_by_chance_alone_says_so() -> None:
    assert flights_to_limits._held((0.99, 0.96, 1.0), 0.95).endswith("met")
    assert flights_to_limits._held((0.99, 0.93, 1.0), 0.95).endswith("the interval reaches below")
    assert flights_to_limits._held((0.94, 0.90, 0.96), 0.95).endswith("missed by 0.010")


@pytest.mark.usefixtures("few_others")
@pytest.mark.parametrize("slipped_deg", [0.0, 30.0])
def test_a_slipped_reference_turns_readings_and_the_oracle_knows(slipped_deg: float) -> None:
    usual, night = (
        night_of(4, Setting(scatter=SILENT, slipped_deg=x, told=x > 0)) for x in (0.0, slipped_deg)
    )
    far = np.abs(usual.first.readings) > 0.05  # [ips]
    ratio = (night.first.readings / usual.first.readings)[far]
    assert np.rad2deg(np.angle(ratio)) == pytest.approx(slipped_deg, abs=0.5)  # the grid
    start = loop.from_chart(night)
    turned = loop.oracle(night, start).of("MR-own").mean / loop.oracle(usual, start).of("").mean
    np.testing.assert_allclose(np.rad2deg(np.angle(turned)), slipped_deg, atol=1e-9)
    events = history_of_jobs(night.rotor, night.earlier(4)).events
    assert list(events["kind"]) == (["reference moved"] if slipped_deg else [])


def test_wrong_entries_change_the_log_and_not_the_night() -> None:
    night = night_of(2, Setting())
    clean, wrong = spoiled_night(night, 0.0), spoiled_night(night, 0.5)
    before = [*night.others, *night.own]
    for job, same in zip(before, [*clean.others, *clean.own], strict=True):
        np.testing.assert_array_equal(job.moves, same.moves)
        np.testing.assert_array_equal(job.readings, same.readings)
    changed = [
        not np.array_equal(job.moves, other.moves)
        or not np.array_equal(job.readings, other.readings, equal_nan=True)
        for job, other in zip(before, [*wrong.others, *wrong.own], strict=True)
    ]
    assert sum(changed) > len(before) / 3
    assert loop.error_of(wrong, loop.learned_from_fleet(wrong, hold_back=False)) > loop.error_of(
        clean, loop.learned_from_fleet(clean)
    )


def test_intervals_come_from_whole_jobs() -> None:
    def outcome(seed: int, cell: str, corrections: int) -> loop.Outcome:
        one = corrections == 1
        return loop.Outcome(
            seed, (cell,), corrections, one, 1, 1, 15.0, 0.9, 0.9, True, 0
        )  # fmt: skip

    needed = {"chart": [3, 2, 4, 3], "oracle": [1, 1, 1, 1], "half": [2, 1, 3, 2]}
    cells = Cells([outcome(k, c, n) for c, all_ in needed.items() for k, n in enumerate(all_)])
    closed, low, high = cells.gap_closed(("half",), ("chart",), ("oracle",))
    assert closed == pytest.approx(4 / 8)
    # Of four drawn jobs, each half closes 1 of gaps 2, 1, 3, 2: sums of 11 and 12 have the chance
    # 9 / 256, a sum of 12 alone 1 / 256; 4 and 5 likewise.
    assert (low, high) == pytest.approx((4 / 11, 4 / 5))
    # Four of four, Wilson by hand: z^2 / (n + z^2) below 1.
    share = cells.mean(("oracle",), "first_inside")
    assert share == pytest.approx((1.0, 1.0 - 3.8415 / 7.8415, 1.0), abs=1e-4)
    assert cells.mean(("oracle",), "corrections") == pytest.approx((1.0, 1.0, 1.0))
    # None of four is not done: Wilson's upper end is z^2 / (n + z^2).
    left = cells.mean(("oracle",), "not_done")
    assert left == pytest.approx((0.0, 0.0, 3.8415 / 7.8415), abs=1e-4)
    less = cells.less(("half",), ("chart",), "corrections")
    assert less == pytest.approx((-1.0, -1.0, -1.0))  # the same in every job: no doubt
