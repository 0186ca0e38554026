"""Plans under rules of the user's own, against trying every plan on arrays adapt did not make.

The arrays come from `plan_by_definition`; each rule stands here twice, once in cvxpy as a user
would write it and once as a plain condition on the amounts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cvxpy as cp
import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job
from plan_by_definition import arrays_of, every_plan, steps_of, variables_of
from planning_problems import INSIDE, PlanningProblem, allowed, ratios, worst_ratio

import adapt

MOVES = 2


@dataclass(frozen=True)
class Kind:
    """A rule. written: as a user would; keeps, costs: of amounts (plan, blade, adjuster)."""

    written: Callable[[Job], Callable[..., Any]]
    keeps: Callable[[Job, np.ndarray], np.ndarray]
    costs: Callable[[Job, np.ndarray], np.ndarray] = lambda job, amounts: np.zeros(len(amounts))


def unit(job: Job) -> np.ndarray:
    return np.array([a.step for a in job.rotor.adjusters])


def sum_of_two(job: Job) -> Callable[..., Any]:
    first = job.rotor.adjuster_names[0]

    def rule(moved: Any) -> Any:
        return moved[first]["A"] + moved[first]["B"] == 0

    return rule


def one_blade_touched(job: Job) -> Callable[..., Any]:
    def rule(moved: Any) -> Any:
        touched = {blade: cp.Variable(boolean=True) for blade in job.rotor.blades}
        kept = [sum(touched.values()) <= 1]
        for name, size in zip(job.rotor.adjuster_names, unit(job), strict=True):
            for blade in job.rotor.blades:
                kept.append(cp.abs(moved[name][blade]) <= 60.0 * size * touched[blade])
        return kept

    return rule


def near_each_other(job: Job) -> Callable[..., Any]:
    name, size = job.rotor.adjuster_names[0], unit(job)[0]

    def rule(moved: Any, fitted: Any) -> Any:
        after = cp.hstack(list(fitted[name].values()))
        return cp.max(after) - cp.min(after) <= 4.1 * size

    return rule


def small_in_squares(job: Job) -> Callable[..., Any]:
    def rule(moved: Any) -> Any:
        shares = [
            moved[name][blade] / size
            for name, size in zip(job.rotor.adjuster_names, unit(job), strict=True)
            for blade in job.rotor.blades
        ]
        return cp.sum_squares(cp.hstack(shares)) <= 2.5

    return rule


def a_price_of_all(job: Job) -> Callable[..., Any]:
    def rule(moved: Any) -> Any:
        return 0.07 * sum(
            cp.abs(moved[name][blade]) / size
            for name, size in zip(job.rotor.adjuster_names, unit(job), strict=True)
            for blade in job.rotor.blades
        )

    return rule


def a_price_by_a_helper(job: Job) -> Callable[..., Any]:
    name, size = job.rotor.adjuster_names[0], unit(job)[0]

    def rule(moved: Any) -> Any:
        most = cp.Variable()
        shares = [amount / size for amount in moved[name].values()]
        return [*(cp.abs(share) <= most for share in shares), shares[0] <= 1.0], 0.1 * most - 0.3

    return rule


def fitted_then(job: Job, amounts: np.ndarray) -> np.ndarray:
    return np.asarray(job.fitted + amounts)


def everything(job: Job, amounts: np.ndarray) -> np.ndarray:
    return np.ones(len(amounts), dtype=bool)


KINDS = {
    "the sum of two is zero": Kind(
        sum_of_two, lambda job, a: np.abs(a[:, 0, 0] + a[:, 1, 0]) < 1e-6 * unit(job)[0]
    ),
    "one blade is touched at most": Kind(
        one_blade_touched, lambda job, a: (a != 0).any(axis=2).sum(axis=1) <= 1
    ),
    "what is fitted stays near": Kind(
        near_each_other,
        lambda job, a: np.ptp(fitted_then(job, a)[:, :, 0], axis=1) <= 4.1 * unit(job)[0] + 1e-9,
    ),
    "squares stay small": Kind(
        small_in_squares, lambda job, a: ((a / unit(job)) ** 2).sum(axis=(1, 2)) <= 2.5
    ),
    "a price of all moves": Kind(
        a_price_of_all, everything, lambda job, a: 0.07 * np.abs(a / unit(job)).sum(axis=(1, 2))
    ),
    "a price by a helper": Kind(
        a_price_by_a_helper,
        lambda job, a: a[:, 0, 0] <= (1.0 + 1e-6) * unit(job)[0],
        lambda job, a: 0.1 * np.abs(a[:, :, 0] / unit(job)[0]).max(axis=1) - 0.3,
    ),
}


class Tried:
    """Every plan of at most MOVES moves that the hardware and a rule allow, by definition."""

    def __init__(self, job: Job, kind: Kind, hedged: bool) -> None:
        self.job, self.kind, self.variables = job, kind, variables_of(job)
        self.problem = arrays_of(job, MOVES, hedged)
        plans = np.concatenate([every_plan(job, moves) for moves in range(MOVES + 1)])
        self.plans = plans[kind.keeps(job, self.amounts(plans))]
        self.inside_what_must_be = allowed(self.problem, self.plans)
        if not self.inside_what_must_be.any():  # then it counts like the others
            self.problem = replace(
                self.problem,
                only_inside=np.zeros_like(self.problem.only_inside),
                track_only_inside=np.zeros_like(self.problem.track_only_inside),
            )
        self.plans = self.plans[allowed(self.problem, self.plans)]
        self.worst = worst_ratio(self.problem, self.plans)
        self.value = self.worst + kind.costs(job, self.amounts(self.plans))
        self.moves = (self.plans != 0).sum(axis=1)

    def amounts(self, plans: np.ndarray) -> np.ndarray:
        table = np.zeros((len(plans), *self.job.fitted.shape))
        for i, v in enumerate(self.variables):
            table[:, v.blade, v.adjuster] = plans[:, i] * v.step
        return table

    def minutes(self) -> np.ndarray:
        """Return the labour of each plan [min]: its moves, and access once for each adjuster."""
        total = np.zeros(len(self.plans))
        for a, adjuster in enumerate(self.job.rotor.adjusters):
            moves = (self.amounts(self.plans)[:, :, a] != 0).sum(axis=1)
            total += moves * (adjuster.minutes or 0.0) + (moves > 0) * adjuster.access_minutes
        return total

    def of(self, plan: adapt.Plan) -> tuple[np.ndarray, float]:
        """Return a plan's steps and its value; fail when it is not among those allowed."""
        steps = steps_of(self.job, plan.moves)
        at = np.flatnonzero((self.plans == steps).all(axis=1))
        assert len(at) == 1, "the plan is not allowed"
        return steps, float(self.value[at[0]])


def mean_square(problem: PlanningProblem, plans: np.ndarray) -> np.ndarray:
    return np.asarray((ratios(problem, plans) ** 2).mean(axis=-1))


def require_first_of_equals(tried: Tried, steps: np.ndarray, among: np.ndarray) -> None:
    """Hold a plan against the rule for ties: fewer moves, then the lower mean square."""
    best = tried.value[among].min()
    ties = among & (tried.value <= best + max(1e-6 * abs(best), 1e-9))
    moves = tried.moves[ties].min()
    assert np.count_nonzero(steps) == moves
    smooth = mean_square(tried.problem, tried.plans[ties & (tried.moves == moves)]).min()
    assert mean_square(tried.problem, steps) == pytest.approx(smooth, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("seed", range(8))
def test_the_plan_is_the_best_of_all_that_keep_the_rule(name: str, seed: int) -> None:
    kind = KINDS[name]
    job = drawn_job(np.random.default_rng(700 + seed), blades=2 + seed % 3, adjusters=2, reach=3)
    tried = Tried(job, kind, hedged=bool(seed % 2))
    if not len(tried.plans):
        pytest.skip("nothing keeps the rule on this job")
    asked = {"most_moves": MOVES, "hedge": bool(seed % 2), "constraints": kind.written(job)}
    everyone = np.ones(len(tried.plans), dtype=bool)

    plan = adapt.plan(job.rotor, job.coefficients, job.history, JOB, aim="smoothest", **asked)
    steps, value = tried.of(plan)
    least = tried.value.min()
    assert plan.proven
    assert value == pytest.approx(least, abs=max(1e-6 * abs(least), 1e-9))
    assert least - max(1e-6 * abs(least), 1e-9) <= plan.lower_bound <= value + 1e-9
    require_first_of_equals(tried, steps, everyone)

    reached = (tried.worst <= INSIDE) & tried.inside_what_must_be.any()
    for aim in ("fewest", "quickest"):
        plan = adapt.plan(
            job.rotor, job.coefficients, job.history, JOB, aim=aim, chance=0.0, **asked
        )
        steps, value = tried.of(plan)
        assert plan.proven
        assert plan.feasible == reached.any()
        if not plan.feasible:
            assert value == pytest.approx(least, abs=max(1e-6 * abs(least), 1e-9))
            continue
        cost = tried.minutes() if aim == "quickest" else tried.moves
        cheap = reached & (cost <= cost[reached].min() + 1e-9)
        assert plan.lower_bound == pytest.approx(cost[reached].min(), abs=1e-9)
        assert value == pytest.approx(tried.value[cheap].min(), abs=1e-6)
        require_first_of_equals(tried, steps, cheap)


def test_the_jobs_and_rules_are_of_many_kinds() -> None:
    """Rules bind: they change which plan is best, and some make limits out of reach."""
    changed, reached = dict.fromkeys(KINDS, 0), []
    for seed in range(8):
        rng = np.random.default_rng(700 + seed)
        job = drawn_job(rng, blades=2 + seed % 3, adjusters=2, reach=3)
        free = Tried(job, Kind(sum_of_two, everything), hedged=bool(seed % 2))
        for name, kind in KINDS.items():
            tried = Tried(job, kind, hedged=bool(seed % 2))
            if len(tried.plans):
                changed[name] += bool(tried.value.min() != free.worst.min())
                reached.append(bool((tried.worst <= INSIDE).any()))
    assert min(changed.values()) >= 2
    assert {True, False} <= set(reached)
