"""Plans under constraints and penalties of the user's own, against trying every plan."""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import cvxpy as cp
import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job, job_of, posterior_of, small_rotor, steady

import adapt
from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import Plan
from adapt.planning.problem.building import build_problem
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 400.0), minutes=15.0, access_minutes=5.0)
LINK = Adjuster("pitch link", "flats", 1.0, (-3.0, 3.0), minutes=30.0)


def planned(job: Job, **asked: object) -> Plan:
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


def a_job(seed: int) -> Job:
    return drawn_job(
        np.random.default_rng(seed), blades=3, adjusters=2, regimes=2, reach=2, carefree=True
    )


class Tried:
    """All plans of at most so many moves, with their values by the definitions."""

    def __init__(self, job: Job, moves: int) -> None:
        hardware = hardware_of(job.rotor, job.history, JOB)
        standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
        problem, _ = build_problem(job.rotor, job.coefficients, standing, hardware)
        plans = [np.zeros(len(hardware.step), np.int64)]
        for size in range(1, moves + 1):
            for moved in combinations(range(len(hardware.step)), size):
                steps = [
                    [n for n in range(hardware.low[v], hardware.high[v] + 1) if n] for v in moved
                ]
                for some in product(*steps):
                    plan = np.zeros(len(hardware.step), np.int64)
                    plan[list(moved)] = some
                    plans.append(plan)
        every = np.array(plans)
        self.plans = every[hardware.allows(every)]
        self.amounts = hardware.amounts(self.plans)  # (plan, blade, adjuster)
        self.moves = (self.plans != 0).sum(axis=1)
        self.worst = problem.worst_ratio(self.plans)
        self.inside = problem.outside(self.plans) <= 1.0 + 1e-9
        self.chance = problem.chances(self.plans)


def equal_and_opposite(moved: Any) -> Any:
    """The first adjuster's moves on the first two blades cancel each other."""
    first = moved["adjuster 1"]
    return first["A"] + first["B"] == 0


def touching_one_blade_at_most(moved: Any) -> Any:
    touched = {blade: cp.Variable(boolean=True) for blade in "ABC"}
    return [
        *(
            cp.abs(moves[blade]) <= 100.0 * touched[blade]
            for moves in moved.values()
            for blade in "ABC"
        ),
        sum(touched.values()) <= 1,
    ]


def near_in_squares(moved: Any) -> Any:
    both = cp.hstack([moved["adjuster 1"][blade] for blade in "ABC"])
    return cp.norm(both) <= 1.5 * 20.0


RULES = {
    "linear": (
        equal_and_opposite,
        lambda t: np.abs(t.amounts[:, 0, 0] + t.amounts[:, 1, 0]) < 1e-9,
    ),
    "with booleans": (
        touching_one_blade_at_most,
        lambda t: (
            ((t.amounts != 0).any(axis=2).sum(axis=1) <= 1)
            & (np.abs(t.amounts) <= 100.0).all(axis=(1, 2))
        ),
    ),
    "a cone": (
        near_in_squares,
        lambda t: np.sqrt((t.amounts[:, :, 0] ** 2).sum(axis=1)) <= 1.5 * 20.0 + 1e-9,
    ),
}


@pytest.mark.parametrize("name", RULES)
@pytest.mark.parametrize("seed", range(6))
def test_no_plan_that_keeps_the_rules_is_better(name: str, seed: int) -> None:
    rule, keeps = RULES[name]
    job, tried = a_job(seed), Tried(a_job(seed), 2)
    kept = keeps(tried)
    smooth = planned(job, aim="smoothest", most_moves=2, constraints=rule)
    assert smooth.proven
    assert smooth.worst_ratio == pytest.approx(tried.worst[kept].min(), rel=1e-6, abs=1e-9)
    likely = planned(job, aim="likeliest", most_moves=2, constraints=rule)
    assert likely.proven
    assert likely.chance == pytest.approx(tried.chance[kept].max(), rel=2e-6, abs=1e-9)
    few = planned(job, chance=0.0, most_moves=2, constraints=rule)
    reach = kept & (tried.worst <= 1.0 + 1e-9)
    assert few.feasible == reach.any()
    assert few.proven
    if reach.any():
        moves = tried.moves[reach].min()
        assert len(few.moves) == few.lower_bound == moves
        value = tried.worst[reach & (tried.moves == moves)].min()
        assert few.worst_ratio == pytest.approx(value, rel=1e-6)
    else:
        assert few.worst_ratio == pytest.approx(tried.worst[kept].min(), rel=1e-6)
    sure = planned(job, chance=0.5, most_moves=2, constraints=rule)
    enough = kept & (tried.chance >= 0.5)
    assert sure.feasible == enough.any()
    if enough.any():
        assert len(sure.moves) == tried.moves[enough].min()


@pytest.mark.parametrize("seed", range(4))
def test_a_penalty_is_weighed_against_the_worst_ratio(seed: int) -> None:
    job, tried = a_job(seed), Tried(a_job(seed), 2)
    step = job.rotor.adjusters[0].step

    def little(moved: Any) -> Any:
        return 0.1 * sum(cp.abs(moved["adjuster 1"][blade]) for blade in "ABC") / step

    plan = planned(job, aim="smoothest", most_moves=2, constraints=little)
    cost = 0.1 * np.abs(tried.amounts[:, :, 0]).sum(axis=1) / step
    moved = sum(abs(m.amount) for m in plan.moves if m.adjuster == "adjuster 1")
    assert plan.proven
    assert plan.penalty == pytest.approx(0.1 * moved / step, abs=1e-9)
    assert plan.lower_bound <= plan.worst_ratio + plan.penalty + 1e-9
    assert plan.worst_ratio + 0.1 * moved / step == pytest.approx(
        (tried.worst + cost).min(), rel=1e-6
    )


def weights(**more: object) -> Job:
    rotor = small_rotor(adjusters=(WEIGHT, LINK))
    return job_of(
        replace(rotor, **more),  # type: ignore[arg-type]
        np.array([[0.3]]),
        posterior_of([[0.001, 0.02j]]),
        fitted=np.array([[100.0, 0.0]] * 4),
        noise=steady(rotor, 0.003),
    )


def test_what_is_fitted_can_be_bound() -> None:
    def alike(_: Any, fitted: Any) -> Any:
        weights = fitted["hub weight"]
        return [weights[a] - weights[b] <= 50.0 for a in "ABCD" for b in "ABCD"]

    plan = planned(weights(), aim="smoothest", most_moves=4, constraints=alike)
    after = dict.fromkeys("ABCD", 100.0)
    for move in plan.moves:
        if move.adjuster == "hub weight":
            after[move.blade] += move.amount
    assert max(after.values()) - min(after.values()) <= 50.0
    assert plan.proven


def test_moves_by_hand_that_break_the_rules_are_told_so() -> None:
    def never_down(moved: Any) -> Any:
        return [moved["hub weight"][blade] >= 0 for blade in "ABCD"]

    job = weights()
    for amount, broken in ((-20.0, True), (20.0, False)):
        by_hand = [("A", "hub weight", amount)]
        held = planned(job, constraints=never_down, by_hand=by_hand).by_hand
        assert held is not None
        assert ("your own constraints are not kept" in held.breaks) == broken


def test_linear_rules_keep_the_whole_plan_with_its_trade_off() -> None:
    def never_down(moved: Any) -> Any:
        return [moved["hub weight"][blade] >= 0 for blade in "ABCD"]

    plan = planned(weights(), constraints=never_down)
    assert all(m.amount >= 0 for t in plan.tradeoff for m in t.plan if m.adjuster == "hub weight")
    assert all(
        m.amount >= 0 for a in plan.alternatives for m in a.moves if m.adjuster != "pitch link"
    )
    assert plan.proven
    assert len(plan.tradeoff) > 1


def test_a_rule_that_the_next_stage_cannot_keep_does_not_lose_this_one() -> None:
    links = small_rotor(adjusters=(WEIGHT, LINK), track_limit=10.0)
    job = job_of(
        links,
        np.array([[0.1]]),
        posterior_of([[0.001, 0.02j]], track_mean=[[0.0, 3.0]]),
        heights=np.array([[[9.0, -3.0, -3.0, -3.0]]]),
        fitted=np.array([[100.0, 0.0]] * 4),
    )

    def far_down(moved: Any) -> Any:
        return moved["pitch link"]["A"] <= -2.0

    plan = planned(job, track_first=True, constraints=far_down)
    assert plan.moves
    assert plan.next_stage is not None
    assert "cannot be kept by any move" in plan.next_stage.why
    assert plan.next_stage.counts == {}


def test_rules_that_nothing_keeps_are_said_to_be_so() -> None:
    def much(moved: Any) -> Any:
        return cp.norm(cp.hstack([moved["hub weight"]["A"] - 1000.0, 0.0])) <= 10.0

    for asked in ({"aim": "smoothest"}, {"aim": "likeliest", "most_moves": 2}, {"chance": 0.0}):
        with pytest.raises(CannotBeMet, match="keeps your own constraints"):
            planned(weights(), constraints=much, **asked)

    def more_than_fits(moved: Any) -> Any:
        return moved["hub weight"]["A"] >= 1000.0

    with pytest.raises(BadInput, match="cannot be kept by any move"):
        planned(weights(), constraints=more_than_fits)


def failing(moved: Any) -> Any:
    return 1 / 0


def asking_for_nothing_there(moved: Any) -> Any:
    return moved["tip weight"]["A"] == 0


def giving_text(moved: Any) -> Any:
    return "A stays"


def not_convex(moved: Any) -> Any:
    return cp.square(moved["hub weight"]["A"]) >= 4.0


def a_penalty_of_two(moved: Any) -> Any:
    return [], cp.hstack([moved["hub weight"]["A"], moved["hub weight"]["B"]])


def a_concave_penalty(moved: Any) -> Any:
    return -cp.square(moved["hub weight"]["A"])


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (failing, "ZeroDivisionError"),
        (asking_for_nothing_there, "'tip weight', which the rotor file does not have; it has hub"),
        (giving_text, "gave a str: expected a cvxpy constraint"),
        (not_convex, "not convex"),
        (a_penalty_of_two, "expected one number"),
        (a_concave_penalty, "the penalty"),
        (lambda moved: None, "gave a NoneType"),
        (lambda moved: [False], "false whatever is moved"),
    ],
)
def test_a_function_that_is_wrong_is_refused_with_what_to_do(rule: Any, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        planned(weights(), constraints=rule)


def test_a_penalty_does_not_go_with_a_chance() -> None:
    def little(moved: Any) -> Any:
        return cp.abs(moved["hub weight"]["A"])

    with pytest.raises(BadInput, match="penalty of your own goes with worst ratios"):
        planned(weights(), constraints=little)


def test_without_the_library_the_message_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "cvxpy", None)
    with pytest.raises(BadInput, match=r"pip install 'adapt\[custom\]'"):
        planned(weights(), constraints=lambda moved: [])


def test_time_that_ends_leaves_a_plan_that_keeps_the_rules_or_says_there_is_none() -> None:
    job = drawn_job(np.random.default_rng(3), blades=5, adjusters=3, reach=6, carefree=True)

    def near(moved: Any) -> Any:
        every = [moves[blade] for moves in moved.values() for blade in "ABCDE"]
        return cp.norm(cp.hstack(every)) <= 30.0

    plan = planned(job, aim="smoothest", most_moves=4, seconds=0.0, constraints=near)
    assert np.sqrt(sum(m.amount**2 for m in plan.moves)) <= 30.0 + 1e-6
    assert plan.lower_bound <= plan.worst_ratio + 1e-9
