"""Lower bounds are the heart of `proven`: no plan in a box may be better than its bound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_job import random_job

from adapt.planning.bounds import Boxes, box_minimum
from adapt.planning.hardware import hardware_of
from adapt.planning.objectives import ChancePenalty, Objective, WorstRatio
from adapt.planning.problem import Problem, build_problem
from adapt.planning.standing import standing_of


def problem_of(rng: np.random.Generator) -> Problem:
    job = random_job(rng, amount_sd=float(rng.choice([0.0, 0.2])), sum_range=None)
    standing = standing_of(job.rotor, job.coefficients, job.history, "J-1")
    hardware = hardware_of(job.rotor, job.history, "J-1")
    problem, _ = build_problem(job.rotor, job.coefficients, standing, hardware)
    return problem


@settings(max_examples=200)
@given(st.integers(0, 10**6), st.integers(1, 5), st.floats(0.0, 1.0))
def test_box_minimum_is_below_every_point_of_the_box_and_near_the_best(
    seed: int, moves: int, dependent: float
) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(1, moves + 1, moves))
    root[:, :, -1] = dependent * root[:, :, 0] + (1 - dependent) * 1e-9 * root[:, :, -1]
    g, b = np.swapaxes(root, 1, 2) @ root, rng.normal(size=(1, moves))
    low = -rng.integers(0, 6, (1, moves)).astype(float)
    high = low + rng.integers(0, 8, (1, moves))
    x, bound = box_minimum(g, b, np.zeros(1), low, high)
    points = rng.uniform(low[0], high[0], (400, moves))
    values = ((points @ g[0]) * points).sum(axis=1) + 2 * points @ b[0]
    assert bound[0] <= values.min() + 1e-9 * (1 + np.abs(values).max())
    assert ((x >= low) & (x <= high)).all()


@pytest.mark.parametrize("make", [WorstRatio, ChancePenalty])
@pytest.mark.parametrize("cutoff", [0.1, 5.0, np.inf])
@pytest.mark.parametrize("seed", range(12))
def test_no_plan_of_a_box_is_better_than_its_bound(
    seed: int, cutoff: float, make: type[WorstRatio] | type[ChancePenalty]
) -> None:
    rng = np.random.default_rng(seed)
    objective: Objective = make(problem_of(rng))
    hardware = objective.problem.hardware
    moves = min(3, len(hardware.step))
    support = np.sort(
        np.array([rng.choice(len(hardware.step), moves, replace=False) for _ in range(40)]), axis=1
    )
    ends = np.sort(
        rng.integers(hardware.low[support], hardware.high[support] + 1, (2, *support.shape)), axis=0
    )
    boxes = Boxes(support, ends[0], ends[1])
    bound, points, state = objective.bound(boxes, objective.start(boxes), cutoff, 4)
    again, _, _ = objective.bound(boxes, state, cutoff, 3)
    assert ((points >= boxes.low - 1e-9) & (points <= boxes.high + 1e-9)).all()
    for _ in range(60):
        steps = rng.integers(boxes.low, boxes.high + 1)
        values = objective.value(boxes.plans(steps, len(hardware.step)), np.inf)
        # a bound need only hold for plans at or under the cutoff: others are of no interest
        wanted = values <= cutoff
        assert (bound <= values + 1e-9 * (1 + np.abs(values)))[wanted].all()
        assert (again <= values + 1e-9 * (1 + np.abs(values)))[wanted].all()


@pytest.mark.parametrize("seed", range(6))
def test_the_cheap_value_is_never_above_the_exact_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    objective = ChancePenalty(problem_of(rng))
    hardware = objective.problem.hardware
    plans = rng.integers(hardware.low, hardware.high + 1, (50, len(hardware.step)))
    plans = np.where(rng.random(plans.shape) < 0.6, 0, plans)
    exact = objective.value(plans, np.inf)
    assert (objective.rough(plans) <= exact + 1e-9).all()
    chances = objective.problem.chances(plans)
    good = np.isfinite(exact)
    assert np.exp(-exact[good]) == pytest.approx(chances[good], rel=1e-6, abs=1e-12)
