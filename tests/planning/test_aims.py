"""Which of equally good plans is chosen, and what a plan rests on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, drawn_job, job_of, posterior_of, small_rotor, steady

import adapt
from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.problem.building import build_problem
from adapt.planning.search.aims import choose, ladder_of_minutes
from adapt.rotor import Adjuster, Limit


def weights(**more: object) -> Adjuster:
    return Adjuster("hub weight", "g", 20.0, (0.0, 400.0), **more)  # type: ignore[arg-type]


def even_job(reading: complex = 0.31, fitted: float = 200.0, **shape: object):
    rotor = small_rotor(**shape)  # type: ignore[arg-type]
    adjusters = len(rotor.adjusters)
    return job_of(
        rotor,
        np.full((1, len(rotor.channels)), reading),
        posterior_of(np.full((len(rotor.channels), adjusters), 0.001)),
        fitted=np.full((len(rotor.blades), adjusters), fitted),
    )


def planned(job, **asked):
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)


@pytest.mark.parametrize("aim", ["smoothest", "likeliest"])
@pytest.mark.parametrize("most", [1, 2, 3, 4])
def test_moves_that_cancel_each_other_are_never_made(aim, most):
    # 0.3 = 300 g: one move of at most 200 g is not as good as two; three and four only cancel.
    job = even_job(0.3)
    noisy = replace(job.coefficients, noise=steady(job.rotor, 0.05))
    plan = planned(replace(job, coefficients=noisy), aim=aim, most_moves=most)
    assert len(plan.moves) == min(most, 2)
    assert plan.proven


def test_of_equal_plans_less_is_fitted_then_the_first_blade_moves():
    # 240 g off blade A, on blade C, or shared: the worst ratio is the same.
    off = planned(even_job(0.24, fitted=240.0), aim="smoothest", most_moves=2)
    assert [(m.blade, m.amount) for m in off.moves] == [("A", -240.0)]
    on = planned(even_job(0.24, fitted=0.0), aim="smoothest", most_moves=2)
    assert [(m.blade, m.amount) for m in on.moves] == [("C", 240.0)]
    # Two kinds of the same effect and range: the first in the file moves.
    kinds = (weights(), replace(weights(), name="tip weight"))
    first = planned(even_job(0.24, fitted=240.0, adjusters=kinds), aim="smoothest", most_moves=2)
    assert [(m.blade, m.adjuster) for m in first.moves] == [("A", "hub weight")]


def test_the_lower_mean_square_comes_before_less_fitted():
    # Both regimes count, only the first is worst: moves that help the second are no tie-break
    # for the worst ratio but for the mean square.
    rotor = small_rotor(regimes=2, adjusters=(weights(), replace(weights(), name="tip weight")))
    job = job_of(
        rotor,
        np.array([[0.24, 0.1]]),
        posterior_of(np.array([[0.001, 0.001], [0.0, 0.0004]]), regimes=2),
        fitted=np.full((4, 2), 240.0),
    )
    plan = planned(job, aim="smoothest", most_moves=1)
    assert [(m.adjuster, m.amount) for m in plan.moves] == [("tip weight", -240.0)]


def test_choose_goes_through_its_measures_in_order():
    job = even_job(0.3)
    standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
    hardware = hardware_of(job.rotor, job.history, JOB)
    problem, _ = build_problem(job.rotor, job.coefficients, standing, hardware)
    plans = np.array([[0, 0, 5, 0], [-5, 0, 0, 0], [-4, 0, 1, 0], [-5, 1, 0, 1]])
    np.testing.assert_array_equal(choose(problem, plans), [-5, 0, 0, 0])


def test_the_ladder_of_minutes_holds_every_share_of_moves_once_in_rising_order():
    kinds = (
        weights(minutes=15.0, access_minutes=30.0),
        replace(weights(minutes=5.0), name="tip weight"),
    )
    hardware = hardware_of(even_job(adjusters=kinds).rotor, even_job(adjusters=kinds).history, JOB)
    rungs = list(ladder_of_minutes(hardware, 3))
    assert [rung.cost for rung in rungs] == sorted({rung.cost for rung in rungs})
    assert rungs[0].cost == 5.0
    shares = [share for rung in rungs for share in rung.shares]
    assert len(shares) == len(set(shares)) == 9  # of two kinds, 1 to 3 moves


@pytest.mark.parametrize("seed", range(12))
def test_pairs_taken_in_by_the_plan_or_before_it_give_the_same_plan(seed):
    job = drawn_job(
        np.random.default_rng(seed), runs=2 + seed % 3, reach=3, carefree=True, adjusters=2
    )
    learned = adapt.update(job.coefficients, job.rotor, job.history)
    asked = {"aim": "likeliest", "most_moves": 2}
    fresh = planned(job, **asked)
    taught = planned(replace(job, coefficients=learned), **asked)
    assert fresh.moves == taught.moves
    assert fresh.chance == pytest.approx(taught.chance, rel=1e-9, abs=1e-12)
    assert fresh.worst_ratio == pytest.approx(taught.worst_ratio, rel=1e-9)
    for one, other in zip(fresh.readings, taught.readings, strict=True):
        assert one.after == pytest.approx(other.after, rel=1e-9, abs=1e-12)
        assert one.sd == pytest.approx(other.sd, rel=1e-9)
    assert any("taken in" in note for note in fresh.notes)
    assert not any("taken in" in note for note in taught.notes)


@pytest.mark.parametrize("seed", range(8))
def test_whatever_the_time_a_plan_keeps_all_bounds_and_claims_no_more_than_it_knows(seed):
    job = drawn_job(np.random.default_rng(seed), blades=4, adjusters=3, reach=12)
    hardware = hardware_of(job.rotor, job.history, JOB)
    best = planned(job, aim="smoothest", most_moves=3)
    for seconds in (0.0, 0.01, 0.05):
        plan = planned(job, aim="smoothest", most_moves=3, seconds=seconds)
        amounts = {(m.blade, m.adjuster): m.amount for m in plan.moves}
        steps = np.array(
            [
                round(amounts.get((job.rotor.blades[b], job.rotor.adjuster_names[a]), 0.0) / step)
                for b, a, step in zip(hardware.blade, hardware.adjuster, hardware.step, strict=True)
            ]
        )
        assert hardware.allows(steps)
        assert plan.lower_bound <= best.worst_ratio + 1e-9
        if plan.proven:
            assert plan.worst_ratio == pytest.approx(best.worst_ratio, rel=2e-6)


@pytest.mark.parametrize("seed", range(8))
def test_other_plans_keep_all_bounds_and_differ_in_what_they_move(seed):
    job = drawn_job(np.random.default_rng(seed), blades=4, adjusters=2, reach=6)
    plan = planned(job, aim="smoothest", most_moves=2)
    ratios = [rung.worst_ratio for rung in plan.tradeoff]
    assert ratios == sorted(ratios, reverse=True)
    moved = [frozenset((m.blade, m.adjuster) for m in plan.moves)]
    for other in plan.alternatives:
        moved.append(frozenset((m.blade, m.adjuster) for m in other.moves))
        assert len(other.moves) <= len(plan.moves)
        for move in other.moves:
            adjuster = job.rotor.adjuster(move.adjuster)
            at = job.rotor.blades.index(move.blade), job.rotor.adjuster_names.index(move.adjuster)
            after = job.fitted[at] + move.amount
            low, high = adjuster.fitted_range
            outside = max(low - job.fitted[at], job.fitted[at] - high, 0.0)
            assert low - outside - 1e-6 <= after <= high + outside + 1e-6
            assert abs(move.amount) <= (adjuster.largest_move or np.inf) + 1e-6
    assert len(set(moved)) == len(moved)


def test_what_is_inside_by_a_hair_is_not_pruned_away():
    # The only way to hold the first regime is all 200 g off blade A, and that by 5e-10 outside.
    adjuster = weights(blades=("A",))
    rotor = small_rotor(regimes=2, adjusters=(adjuster,))
    for level in (0.0, 1e-3, 0.02, 0.15):
        limits = (
            Limit("sensor 1", 0.3 / (1.0 + 5e-10), "regime 1", only_inside=True),
            Limit("sensor 1", 0.2, "regime 2"),
        )
        job = job_of(
            replace(rotor, limits=limits),
            np.array([[0.5, level]]),
            posterior_of(np.array([[0.001], [1e-5]]), regimes=2),
            fitted=np.full((4, 1), 200.0),
        )
        plan = planned(job, aim="smoothest", most_moves=1)
        assert [m.amount for m in plan.moves] == [-200.0]
        assert plan.worst_ratio == pytest.approx(abs(level - 2e-3) / 0.2)
        assert plan.lower_bound <= plan.worst_ratio
        assert plan.proven


@pytest.mark.parametrize("seconds", [0.0, 0.3, 1.0])
def test_when_time_ends_the_likeliest_is_at_least_as_likely_as_the_smooth_plans(seconds):
    job = drawn_job(
        np.random.default_rng(7), blades=5, adjusters=3, regimes=4, sensors=3, track=True,
        reach=12, carefree=True,
    )  # fmt: skip
    for asked in ({"aim": "likeliest"}, {"chance": 0.999999}):
        plan = planned(job, seconds=seconds, **asked)
        assert plan.chance >= max(rung.chance for rung in plan.tradeoff) * (1.0 - 2e-6)
