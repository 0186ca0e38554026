"""The reference solvers held against each other and against answers worked out by hand.

Only what agrees here is fit to judge `adapt.planning` elsewhere. Problems are seeded.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chances import (
    amplitude_chance,
    equal_heights_spread_chance,
    sampled_amplitude_chance,
    sampled_spread_chance,
)
from planning_problems import INSIDE, PlanningProblem, allowed, random_problem, ratios, worst_ratio
from scipy import stats
from solvers import SOLVERS, by_enumeration, by_highs, by_scip

each_solver = pytest.mark.parametrize("solve", SOLVERS.values(), ids=SOLVERS.keys())


def lateral(reach: int, level: complex = 0.5, limit: float = 0.2) -> PlanningProblem:
    """Return two opposite blades, 0.1 a step, one reading and no track."""
    return PlanningProblem(
        lower=np.full(2, -float(reach)),
        upper=np.full(2, float(reach)),
        level=np.array([level], dtype=complex),
        column=np.array([[0.1, -0.1]], dtype=complex),
        limit=np.array([limit]),
        hedge=np.zeros((1, 2, 2)),
        only_inside=np.array([False]),
        heights=np.zeros((0, 2)),
        track_column=np.zeros((0, 2, 2)),
        track_limit=np.zeros(0),
        track_hedge=np.zeros((0, 2, 2, 2, 2)),
        track_only_inside=np.zeros(0, dtype=bool),
        linear=np.zeros((0, 2)),
        linear_low=np.zeros(0),
        linear_high=np.zeros(0),
        most_moves=None,
    )


@each_solver
def test_one_move_of_four_steps_leaves_half_the_limit(solve):
    answer = solve(replace(lateral(reach=4), most_moves=1), "smoothest")
    assert answer.worst_ratio == pytest.approx(0.5, abs=1e-9)  # 0.5 - 4 * 0.1 = 0.1 of 0.2
    assert tuple(answer.steps) in {(-4, 0), (0, 4)}


@each_solver
def test_two_moves_take_out_what_one_cannot(solve):
    answer = solve(lateral(reach=4), "smoothest")
    assert answer.worst_ratio == pytest.approx(0.0, abs=1e-6)
    assert answer.steps[0] - answer.steps[1] == -5


@each_solver
def test_fewest_stops_at_the_first_number_of_moves_that_is_inside(solve):
    answer = solve(lateral(reach=4), "fewest")
    assert (answer.moves, answer.worst_ratio) == (1, pytest.approx(0.5, abs=1e-9))
    assert solve(lateral(reach=4, level=0.1), "fewest").moves == 0
    assert solve(lateral(reach=2), "fewest").moves == 2  # 0.5 - 2 * 0.1 is outside 0.2


@each_solver
def test_fewest_has_no_answer_when_the_hardware_does_not_reach(solve):
    assert solve(lateral(reach=1), "fewest") is None
    assert solve(lateral(reach=1), "smoothest").worst_ratio == pytest.approx(1.5, abs=1e-9)


@each_solver
def test_zero_sum_is_kept(solve):
    problem = replace(
        lateral(reach=4),
        linear=np.ones((1, 2)),
        linear_low=np.zeros(1),
        linear_high=np.zeros(1),
    )
    answer = solve(problem, "smoothest")
    assert answer.steps.sum() == 0
    assert answer.worst_ratio == pytest.approx(0.5, abs=1e-9)  # 0.5 - 2 * 2 * 0.1, or 3 * 2 * 0.1


@each_solver
def test_a_hedge_stops_short_of_what_the_mean_alone_would_do(solve):
    # (10 - n)^2 + n^2 is least at n = 5.
    problem = lateral(reach=12)
    problem = replace(
        problem,
        lower=np.array([0.0, 0.0]),
        upper=np.array([12.0, 0.0]),
        level=np.array([10.0 + 0j]),
        column=np.array([[-1.0, 0.0]], dtype=complex),
        limit=np.array([1.0]),
        hedge=np.diag([1.0, 0.0])[None],
    )
    answer = solve(problem, "smoothest")
    assert answer.steps[0] == 5
    assert answer.worst_ratio == pytest.approx(np.sqrt(50.0))


@each_solver
def test_track_and_vibration_are_weighed_together(solve):
    # n steps on blade 1 lift it by n, lower blade 2 by n and add 0.1 n to the reading: the ratios
    # are |6 + 2 n| / 4 and |0.2 + 0.1 n| / 0.2.
    problem = replace(
        lateral(reach=4, level=0.2),
        heights=np.array([[3.0, -3.0]]),
        track_column=np.array([[[1.0, -1.0], [-1.0, 1.0]]]),
        track_limit=np.array([4.0]),
        track_hedge=np.zeros((1, 2, 2, 2, 2)),
        track_only_inside=np.array([False]),
        most_moves=1,
    )
    answer = solve(problem, "smoothest")
    assert answer.worst_ratio == pytest.approx(0.5, abs=1e-9)  # n = -2 or -3
    strict = replace(problem, track_only_inside=np.array([True]))
    assert solve(strict, "smoothest").worst_ratio == pytest.approx(0.0, abs=1e-6)  # n = -2
    narrow = replace(strict, track_limit=np.array([1.0]))
    assert solve(narrow, "smoothest").worst_ratio == pytest.approx(0.5, abs=1e-9)  # only n = -3


def test_hedged_track_is_the_largest_over_pairs_of_blades():
    rng = np.random.default_rng(1)
    problem = random_problem(rng, blades=3, adjusters=1, regimes=1, sensors=1, track=True)
    root = rng.normal(size=(3, 3, 3, 3))
    pair = root @ root.swapaxes(-1, -2)
    hedge = np.zeros((1, 3, 3, 3, 3))
    for a, b in ((0, 1), (0, 2), (1, 2)):
        hedge[0, a, b] = hedge[0, b, a] = pair[a, b]
    problem = replace(problem, track_hedge=hedge)
    n = np.array([1, -2, 1])
    h = problem.heights[0] + problem.track_column[0] @ n
    by_hand = max(
        np.sqrt((h[a] - h[b]) ** 2 + n @ pair[a, b] @ n) for a, b in ((0, 1), (0, 2), (1, 2))
    )
    assert ratios(problem, n)[-1] == pytest.approx(by_hand / problem.track_limit[0])


@pytest.mark.parametrize("aim", ["smoothest", "fewest"])
@pytest.mark.parametrize("seed", range(40))
def test_enumeration_scip_and_highs_agree(seed, aim):
    problem = random_problem(np.random.default_rng(seed))
    exact = by_enumeration(problem, aim)
    for solve in (by_scip, by_highs):
        found = solve(problem, aim)
        if exact is None:
            assert found is None
            continue
        assert found.worst_ratio == pytest.approx(exact.worst_ratio, abs=1e-6)
        assert allowed(problem, found.steps)
        assert worst_ratio(problem, found.steps) == found.worst_ratio
        assert found.moves == np.count_nonzero(found.steps) <= problem.cap
        if aim == "fewest":
            assert found.moves == exact.moves
            assert found.worst_ratio <= INSIDE


def test_random_problems_are_of_many_kinds():
    problems = [random_problem(np.random.default_rng(seed)) for seed in range(40)]
    fewest = [by_enumeration(problem, "fewest") for problem in problems]
    moves = {None if answer is None else answer.moves for answer in fewest}
    assert {None, 0, 1, 2} <= moves
    assert {len(problem.heights) > 0 for problem in problems} == {True, False}
    assert {bool(problem.hedge.any()) for problem in problems} == {True, False}
    assert any(problem.only_inside.any() for problem in problems)
    assert any(len(problem.linear) for problem in problems)
    assert any((problem.lower == 0.0).sum() > 1 for problem in problems)


def test_amplitude_chance_is_the_rayleigh_law_without_a_mean_and_agrees_with_sampling():
    assert amplitude_chance(0.0, 0.5, 0.7) == pytest.approx(1.0 - np.exp(-(0.7**2) / 0.5))
    rng = np.random.default_rng(7)
    for mean, var, limit in [(0.3 + 0.1j, 0.04, 0.4), (0.5j, 0.02, 0.4), (-0.1 + 0j, 0.3, 0.2)]:
        chance, error = sampled_amplitude_chance(mean, var, limit, rng)
        assert abs(amplitude_chance(mean, var, limit) - chance) < 4.0 * error


def test_spread_chance_by_sampling_agrees_with_the_laws_of_two_blades_and_of_equal_blades():
    rng = np.random.default_rng(8)
    chance, error = sampled_spread_chance([2.0, -1.0], [[1.0, 0.3], [0.3, 2.0]], 4.0, rng)
    sd = np.sqrt(1.0 + 2.0 - 2.0 * 0.3)
    exact = stats.norm.cdf((4.0 - 3.0) / sd) - stats.norm.cdf((-4.0 - 3.0) / sd)
    assert abs(chance - exact) < 4.0 * error
    for blades in (2, 4, 5):
        chance, error = sampled_spread_chance(np.zeros(blades), 0.25 * np.eye(blades), 1.4, rng)
        assert abs(chance - equal_heights_spread_chance(blades, 0.5, 1.4)) < 4.0 * error
