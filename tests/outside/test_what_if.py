"""Plans with parts held fast, caps, weights and labour against trying every plan.

The arrays come from `plan_by_definition`; every plan of at most so many moves is tried here and
held against what was asked for, straight from the words of the request.
"""

from __future__ import annotations

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job
from plan_by_definition import (
    Variable,
    arrays_of,
    chances_of,
    every_plan,
    steps_of,
    variables_of,
)
from planning_problems import INSIDE, PlanningProblem, allowed, ratios

import adapt


def every_allowed(job: Job, problem: PlanningProblem) -> np.ndarray:
    """Return all allowed plans of at most two moves, (plan, variable)."""
    plans = np.concatenate([every_plan(job, moves) for moves in (0, 1, 2)])
    return plans[allowed(problem, plans)]


def amounts_of(job: Job, variables: list[Variable], plans: np.ndarray) -> np.ndarray:
    """Return (plan, blade, adjuster) amounts."""
    table = np.zeros((len(plans), len(job.rotor.blades), len(job.rotor.adjusters)))
    for i, v in enumerate(variables):
        table[:, v.blade, v.adjuster] += plans[:, i] * v.step
    return table


def minutes_of(job: Job, amounts: np.ndarray) -> np.ndarray:
    moved = amounts != 0
    minutes = np.array([a.minutes for a in job.rotor.adjusters])
    access = np.array([a.access_minutes for a in job.rotor.adjusters])
    return moved.sum(axis=1) @ minutes + moved.any(axis=1) @ access


def a_job(seed: int, **more: object) -> tuple[Job, PlanningProblem, list[Variable]]:
    rng = np.random.default_rng(seed)
    job = drawn_job(
        rng, blades=3 + seed % 2, adjusters=2, regimes=2, reach=3, carefree=True, **more
    )  # type: ignore[arg-type]
    return job, arrays_of(job, 2, hedged=True), variables_of(job)


def worst(problem: PlanningProblem, plans: np.ndarray, weight: np.ndarray) -> np.ndarray:
    return (ratios(problem, plans) * weight)[:, problem.counts].max(axis=1, initial=0.0)


def planned(job: Job, **asked: object) -> adapt.plan:
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(24))
def test_what_is_held_fast_stays_and_nothing_that_keeps_to_it_is_better(seed: int) -> None:
    job, problem, variables = a_job(seed)
    rng = np.random.default_rng(1000 + seed)
    first, second = job.rotor.adjusters
    plans = every_allowed(job, problem)
    amounts = amounts_of(job, variables, plans)
    cap = float(rng.integers(0, 3)) * first.step
    largest = float(rng.integers(1, 3)) * second.step
    asked = {
        "locked_blades": [job.rotor.blades[0]],
        "locked": [(job.rotor.blades[1], second.name)],
        "caps": {first.name: cap},
        "largest_moves": {second.name: largest},
    }
    assert first.fitted_range[0] <= cap
    kept = (amounts[:, 0] == 0).all(axis=1) & (amounts[:, 1, 1] == 0)
    kept &= (np.abs(amounts[:, :, 1]) <= largest + 1e-9).all(axis=1)
    for b in range(len(job.rotor.blades)):
        before = job.fitted[b, 0]
        after = before + amounts[:, b, 0]
        inside = np.abs(after) <= cap + 1e-6 * first.step
        nearer = (np.abs(after) <= abs(before)) & (after * before >= -1e-9)
        outside = abs(before) > cap + 1e-6 * first.step
        # what carries more may only be moved towards it
        kept &= (amounts[:, b, 0] == 0) | inside | (outside & nearer)
    value = worst(problem, plans[kept], np.ones(1)).min()
    plan = planned(job, aim="smoothest", most_moves=2, **asked)
    steps = steps_of(job, plan.moves)
    at = np.flatnonzero((plans == steps).all(axis=1))
    assert plan.proven
    assert len(at) == 1
    assert kept[at[0]]
    assert plan.worst_ratio == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize("seed", range(24))
def test_weights_caps_of_labour_and_what_only_must_be_inside(seed: int) -> None:
    job, problem, variables = a_job(seed + 100)
    rng = np.random.default_rng(2000 + seed)
    plans = every_allowed(job, problem)
    minutes = minutes_of(job, amounts_of(job, variables, plans))
    weights = {"regime 1": float(rng.uniform(0.3, 3.0))}
    most = float(rng.choice([10.0, 20.0, 35.0, 60.0]))
    keys = [r for r in job.rotor.channels if job.rotor.limit_for(*r) is not None]
    regimes = [r for _, r in keys] + [
        r for r in job.rotor.regime_names if job.rotor.has_track and job.rotor.limit_for(None, r)
    ]
    weight = np.array([weights.get(r, 1.0) for r in regimes])
    kept = minutes <= most + 1e-9
    value = worst(problem, plans[kept], weight).min()
    plan = planned(job, aim="smoothest", most_moves=2, most_minutes=most, weights=weights)
    assert plan.proven
    assert plan.minutes <= most + 1e-9
    assert plan.weighted_ratio == pytest.approx(value, rel=1e-6)
    steps = steps_of(job, plan.moves)
    assert plan.worst_ratio == pytest.approx(float(worst(problem, steps[None], np.ones(1))[0]))
    assert plan.lower_bound <= plan.weighted_ratio + 1e-12
    # every plan of the trade-off keeps the labour too
    assert all(
        minutes_of(job, amounts_of(job, variables, steps_of(job, t.plan)[None]))[0] <= most + 1e-9
        for t in plan.tradeoff
    )


@pytest.mark.parametrize("seed", range(12))
def test_one_sensor_only_inside_does_not_count_but_is_held(seed: int) -> None:
    job, problem, _ = a_job(seed + 200, sensors=2)
    plans = every_allowed(job, problem)
    aside = np.array(
        [s == "sensor 1" for s, r in job.rotor.channels if job.rotor.limit_for(s, r) is not None]
        + [False] * len(problem.track_limit)
    )
    every = ratios(problem, plans)
    held = (every[:, aside] <= INSIDE).all(axis=1)
    plan = planned(job, aim="smoothest", most_moves=2, only_inside=["sensor 1"])
    if not held.any():
        assert not plan.feasible
        return
    value = every[held][:, ~aside].max(axis=1, initial=0.0).min()
    assert plan.worst_ratio == pytest.approx(value, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_the_cheapest_plan_with_the_cost_of_another_run(seed: int) -> None:
    job, problem, variables = a_job(seed + 300, track=False)
    plans = every_allowed(job, problem)
    minutes = minutes_of(job, amounts_of(job, variables, plans))
    chance = chances_of(job).amplitudes(plans).prod(axis=1)
    for run in (5.0, 60.0, 1000.0):
        expected = minutes + (1.0 - chance) * run
        plan = planned(job, aim="quickest", run_minutes=run, most_moves=2)
        assert plan.proven
        assert plan.expected_minutes == pytest.approx(expected.min(), rel=1e-5)
        assert plan.expected_minutes == pytest.approx(
            plan.minutes + (1.0 - plan.chance) * run, rel=1e-6
        )
        assert plan.lower_bound <= expected.min() * (1.0 + 1e-6)
