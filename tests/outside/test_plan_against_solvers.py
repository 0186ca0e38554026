"""Plans of drawn jobs against enumeration, SCIP and HiGHS on arrays that adapt did not make.

The arrays come from `plan_by_definition`, the solvers from `solvers` (SCIP, scipopt.org; HiGHS,
highs.dev). Jobs are seeded; some go through real CSV files, most through a history in memory.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_jobs import JOB, SERIAL, Job, drawn_job
from plan_by_definition import arrays_of, steps_of, variables_of
from planning_problems import INSIDE, allowed, worst_ratio
from solvers import Aim, Solver, by_enumeration, by_highs, by_scip

import adapt
from adapt.log import History


def planned(job: Job, log: History | str, aim: Aim, moves: int, hedged: bool) -> adapt.plan:
    return adapt.plan(
        job.rotor, job.coefficients, log, JOB, aim=aim, chance=0.0, most_moves=moves, hedge=hedged
    )


def compare(
    job: Job, log: History | str, aim: Aim, moves: int, hedged: bool, solve: Solver
) -> None:
    problem = arrays_of(job, moves, hedged)
    plan = planned(job, log, aim, moves, hedged)
    steps = steps_of(job, plan.moves)
    assert plan.proven
    assert len(plan.moves) <= moves
    exact = solve(problem, aim)
    assert plan.feasible == (exact is not None and exact.worst_ratio <= INSIDE)
    if exact is None and aim == "fewest":
        exact = solve(problem, "smoothest")
    if exact is None:  # nothing keeps what must only be inside: then it counts like the others
        problem = replace(
            problem,
            only_inside=np.zeros_like(problem.only_inside),
            track_only_inside=np.zeros_like(problem.track_only_inside),
        )
        exact = solve(problem, "smoothest")
        assert exact is not None
    assert allowed(problem, steps)
    assert plan.worst_ratio == pytest.approx(float(worst_ratio(problem, steps)), abs=1e-9)
    gap = max(1e-6 * exact.worst_ratio, 1e-9)
    assert plan.worst_ratio == pytest.approx(exact.worst_ratio, abs=1e-6)
    assert len(plan.moves) <= exact.moves
    if aim == "smoothest":
        assert exact.worst_ratio - gap - 1e-9 <= plan.lower_bound <= plan.worst_ratio + 1e-12
    elif plan.feasible:
        assert len(plan.moves) == exact.moves == plan.lower_bound
        assert plan.second_bound == pytest.approx(plan.worst_ratio, abs=gap)


@pytest.mark.parametrize("seed", range(60))
def test_a_plan_is_the_best_of_all_that_the_hardware_allows(seed):
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, reach=3)
    moves = int(rng.integers(1, 4 if len(variables_of(job)) <= 10 else 3))
    hedged = bool(seed % 3)
    for aim in ("smoothest", "fewest"):
        compare(job, job.history, aim, moves, hedged, by_enumeration)


@pytest.mark.parametrize("seed", range(100, 106))
def test_a_plan_from_files_is_the_best_of_all_that_the_hardware_allows(seed, tmp_path):
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, reach=3)
    write_log(job, tmp_path)
    for aim in ("smoothest", "fewest"):
        compare(job, str(tmp_path), aim, 2, True, by_enumeration)


@pytest.mark.parametrize("seed", range(200, 205))
def test_a_plan_of_larger_ranges_is_as_good_as_those_of_scip_and_highs(seed):
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, blades=int(rng.integers(3, 5)), adjusters=2, regimes=2, reach=12)
    for aim, solve in (("smoothest", by_scip), ("fewest", by_highs)):
        compare(job, job.history, aim, 3, bool(seed % 2), solve)


def test_the_drawn_jobs_are_of_many_kinds():
    jobs = [drawn_job(np.random.default_rng(seed), reach=3) for seed in range(60)]
    problems = [arrays_of(job, 2, hedged=True) for job in jobs]
    found = [by_enumeration(problem, "fewest") for problem in problems]
    assert {None, 0, 1, 2} <= {None if answer is None else answer.moves for answer in found}
    rotors = [job.rotor for job in jobs]
    assert {len(rotor.blades) for rotor in rotors} == {2, 3, 4, 5}
    assert any(a.sum_range == (0.0, 0.0) for rotor in rotors for a in rotor.adjusters)
    assert any(a.blades is not None for rotor in rotors for a in rotor.adjusters)
    assert any(rotor.shared_ranges for rotor in rotors)
    assert any(rotor.azimuth_deg for rotor in rotors)
    assert {s.order for rotor in rotors for s in rotor.sensors} == {1, 2}
    assert any(problem.only_inside.any() for problem in problems)
    assert any(len(problem.heights) for problem in problems)


def write_log(job: Job, folder: Path) -> None:
    """Write a one-run job as CSV files, phases in each sensor's own convention."""
    (folder / "runs.csv").write_text(
        f"rotor,job,run,started\n{SERIAL},{JOB},1,2026-01-05T08:00\n", encoding="utf-8"
    )
    lines = ["job,run,regime,sensor,amplitude,phase_deg"]
    for value, (sensor, regime) in zip(job.values[0], job.rotor.channels, strict=True):
        lead = job.rotor.sensor(sensor).phase == "lead"
        phase = math.degrees(np.angle(value.conj() if lead else value)) % 360.0
        lines.append(
            f"{JOB},1,{regime},{sensor},{abs(value)!r},{phase!r}".replace("np.float64", "")
        )
    text = "\n".join(lines).replace("(", "").replace(")", "")
    (folder / "readings.csv").write_text(text + "\n", encoding="utf-8")
    lines = ["job,run,regime,blade,height"]
    if job.rotor.has_track:
        lines += [
            f"{JOB},1,{regime},{blade},{float(job.heights[0, g, b])!r}"
            for g, regime in enumerate(job.rotor.regime_names)
            for b, blade in enumerate(job.rotor.blades)
        ]
        (folder / "track.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    lines = ["job,blade,adjuster,amount"]
    lines += [
        f"{JOB},{blade},{adjuster},{float(job.fitted[b, a])!r}"
        for b, blade in enumerate(job.rotor.blades)
        for a, adjuster in enumerate(job.rotor.adjuster_names)
    ]
    (folder / "fitted.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
