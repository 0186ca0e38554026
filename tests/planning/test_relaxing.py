"""What would open a way where no plan reaches the limits, in cases that can be worked out by hand.

One gram on blade A reads 0.001 towards the reading, on blade C the same away from it: a reading of
0.5 with a limit of 0.2 wants at least 300 g.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job, job_of, posterior_of, small_rotor, steady

import adapt
from adapt.planning.plan import Plan, Relaxation
from adapt.rotor import Adjuster, Rotor, SharedRange

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 300.0), minutes=15.0)


def a_job(reading: complex = 0.5, weight: Adjuster = WEIGHT, **of_rotor: object) -> Job:
    rotor: Rotor = replace(small_rotor(adjusters=(weight,)), **of_rotor)  # type: ignore[arg-type]
    return job_of(
        rotor, np.array([[reading]]), posterior_of([[0.001]]), fitted=np.full((4, 1), 100.0)
    )


def planned(job: Job, **asked: object) -> Plan:
    asked = {"chance": 0.0, **asked}
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


def of(plan: Plan, what: str) -> Relaxation:
    (found,) = [r for r in plan.relaxations if r.what == what]
    return found


def test_one_move_more_or_a_wider_range_opens_a_way() -> None:
    plan = planned(a_job(), most_moves=1)
    assert not plan.feasible
    # the best single move is 200 g on C, which leaves 0.3
    assert of(plan, "limits").needed == pytest.approx(1.5)
    assert of(plan, "most moves") == Relaxation("most moves", "", 1.0, 2.0, "", True)
    # 100 g are fitted on C and 300 g more must come
    assert of(plan, "fitted range") == Relaxation(
        "fitted range", "hub weight", 300.0, 400.0, "g", True
    )
    assert {r.what for r in plan.relaxations} == {"limits", "most moves", "fitted range"}


def test_a_plan_that_reaches_the_limits_names_no_relaxation() -> None:
    plan = planned(a_job())
    assert plan.feasible
    assert plan.relaxations == ()


def test_a_locked_blade_in_the_way_is_named() -> None:
    plan = planned(a_job(), locked_blades=["C"])
    assert not plan.feasible
    assert [r.name for r in plan.relaxations if r.what == "locked"] == ["C"]
    one = planned(a_job(), locked=[("C", "hub weight"), ("B", "hub weight")])
    assert [r.name for r in one.relaxations if r.what == "locked"] == ["C"]


def test_the_largest_move_the_sum_and_the_labour_in_the_way_are_named() -> None:
    wide = replace(WEIGHT, fitted_range=(0.0, 600.0))
    largest = planned(a_job(weight=replace(wide, largest_move=100.0)), most_moves=1)
    assert of(largest, "largest move") == Relaxation(
        "largest move", "hub weight", 100.0, 300.0, "g", True
    )
    summed = planned(a_job(weight=replace(WEIGHT, sum_range=(0.0, 0.0))), most_moves=2)
    # 200 g on C and 100 g off A
    assert of(summed, "sum") == Relaxation("sum", "hub weight", 0.0, 100.0, "g", True)
    downwards = planned(
        a_job(weight=replace(WEIGHT, fitted_range=(0.0, 100.0), sum_range=(0.0, 0.0))),
        most_moves=2,
    )
    assert not downwards.feasible  # 100 g off A is all there is
    assert [r for r in downwards.relaxations if r.what == "sum"] == []
    less = planned(
        a_job(0.3, weight=replace(WEIGHT, fitted_range=(0.0, 100.0), sum_range=(0.0, 0.0))),
        most_moves=2,
    )
    assert of(less, "sum") == Relaxation("sum", "hub weight", 0.0, -100.0, "g", True)
    labour = planned(a_job(), most_minutes=20.0)
    assert of(labour, "most minutes") == Relaxation("most minutes", "", 20.0, 30.0, "min", True)


def test_a_range_that_two_adjusters_share_is_named() -> None:
    tip = Adjuster("tip weight", "g", 20.0, (0.0, 300.0))
    rotor = replace(
        small_rotor(adjusters=(replace(WEIGHT, fitted_range=(0.0, 600.0)), tip)),
        shared_ranges=(SharedRange(("hub weight", "tip weight"), (0.0, 300.0)),),
    )
    job = job_of(
        rotor,
        np.array([[0.5]]),
        posterior_of([[0.001, 0.0]]),
        fitted=np.array([[100.0, 0.0]] * 4),
    )
    plan = planned(job, most_moves=1)
    found = of(plan, "fitted range")
    assert (found.name, found.now, found.needed) == ("hub weight and tip weight", 300.0, 400.0)


def test_limits_that_are_wider_reach_the_chance_asked_for() -> None:
    job = a_job(0.45)
    noisy = replace(job, coefficients=replace(job.coefficients, noise=steady(job.rotor, 0.03)))
    plan = planned(noisy, chance=0.9, most_moves=1)
    assert not plan.feasible
    factor = of(plan, "limits").needed
    assert factor is not None

    def with_limits(scale: float) -> Plan:
        limits = tuple(replace(limit, limit=scale * limit.limit) for limit in job.rotor.limits)
        rotor = replace(job.rotor, limits=limits)
        return planned(replace(noisy, rotor=rotor), chance=0.9, most_moves=1)

    assert with_limits(factor).feasible
    assert not with_limits(factor - 0.02).feasible


@pytest.mark.parametrize("seed", range(12))
def test_what_is_said_to_open_a_way_does(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed + 40), adjusters=2, rest=0.8)
    plan = planned(job, most_moves=1, seconds=10.0)
    for r in plan.relaxations:
        rotor, moves = job.rotor, 1
        if r.what == "limits":
            assert r.needed is not None
            scaled = tuple(replace(x, limit=r.needed * x.limit) for x in rotor.limits)
            rotor = replace(rotor, limits=scaled)
        elif r.what == "most moves":
            moves = round(r.needed or 0)
        elif r.what == "fitted range" and " and " not in r.name:
            adjusters = []
            for a in rotor.adjusters:
                if a.name == r.name:
                    low, high = a.fitted_range
                    ends = (low, r.needed) if (r.needed or 0.0) > high else (r.needed, high)
                    a = replace(a, fitted_range=ends)
                adjusters.append(a)
            rotor = replace(rotor, adjusters=tuple(adjusters))
        else:
            continue
        assert planned(replace(job, rotor=rotor), most_moves=moves).feasible, r
