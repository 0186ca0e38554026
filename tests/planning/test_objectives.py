"""Bounds of awkward problems: what `proven` rests on, where numbers are at their worst."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, drawn_job
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.coefficients import Posterior
from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.kernel.chances import total_penalty
from adapt.planning.kernel.forms import squares
from adapt.planning.problem.building import build_problem
from adapt.planning.problem.values import Problem
from adapt.planning.search.objectives import ChancePenalty, WorstRatio

AWKWARD = ("as drawn", "same columns", "no effect", "no doubt", "huge effects", "tiny effects")


def awkward_problem(rng: np.random.Generator, kind: str) -> Problem | None:
    """Return a problem of that kind; None when nothing can move."""
    job = drawn_job(
        rng,
        blades=int(rng.integers(1, 5)),
        adjusters=2,
        regimes=int(rng.integers(1, 3)),
        reach=int(rng.choice([2, 5, 40])),
        runs=int(rng.integers(1, 3)),
        rest=float(rng.choice([0.0, 0.3, 3.0])),
        doubt=float(rng.choice([1e-9, 0.1, 0.3])),
        noise=float(rng.choice([0.03, 0.3])),
        amount_sd=float(rng.choice([0.0, 0.3])),
    )
    posterior = job.coefficients.unseen
    mean, cov = posterior.mean.copy(), posterior.cov.copy()
    lift, lift_cov = posterior.track_mean.copy(), posterior.track_cov.copy()
    if kind == "same columns":
        mean[:, 1] = mean[:, 0] * (1.0 + 1e-9)
        lift[:, 1] = lift[:, 0]
    elif kind == "no effect":
        mean[:, 0] = lift[:, 0] = 0.0
        cov[:, 0] = cov[:, :, 0] = 0.0
        lift_cov[:, 0] = lift_cov[:, :, 0] = 0.0
    elif kind == "no doubt":
        cov[:], lift_cov[:] = 0.0, 0.0
    elif kind != "as drawn":
        scale = 1e3 if kind == "huge effects" else 1e-6
        mean, cov = mean * scale, cov * scale**2
    changed = Posterior.of_channels(
        mean, cov, lift, lift_cov, posterior.pairs, posterior.track_pairs
    )
    coefficients = replace(job.coefficients, unseen=changed, type_=changed)
    hardware = hardware_of(job.rotor, job.history, JOB)
    if not len(hardware.step):
        return None
    standing = standing_of(job.rotor, coefficients, job.history, JOB)
    problem, _ = build_problem(
        job.rotor, coefficients, standing, hardware, hedge=bool(rng.random() < 0.5)
    )
    return problem


@pytest.mark.parametrize("make", [WorstRatio, ChancePenalty])
@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    kind=st.sampled_from(AWKWARD),
    cutoff=st.sampled_from([0.105, 0.69, 0.7, 1.0, 3.0, 30.0, np.inf]),
    whole=st.booleans(),
)
def test_no_bound_is_above_a_plan_of_its_box(make, seed, kind, cutoff, whole):
    """Boxes inside, boxes of one point, one-sided boxes and those with 0 in them."""
    rng = np.random.default_rng(seed)
    problem = awkward_problem(rng, kind)
    if problem is None:
        return
    objective = make(problem)
    ceiling = min(cutoff, 1e6)
    search = objective.search.at(ceiling)
    job = search.job
    variables = len(job.low)
    for _ in range(6):
        moves = int(rng.integers(1, min(variables, 4) + 1))
        support = np.sort(rng.choice(variables, moves, replace=False))
        if np.isin(job.partner[support], support).any():
            continue
        low, high = job.low[support], job.high[support]
        if not whole:
            low, high = np.sort(rng.integers(low, high + 1, (2, moves)).astype(float), axis=0)
        bound, point = search.bound(support, low, high, ceiling)
        assert np.isfinite(point).all()
        tried = [np.clip(np.round(point), low, high), np.clip(0.0, low, high)]
        tried += [rng.integers(low, high + 1).astype(float) for _ in range(12)]
        steps = np.zeros((len(tried), variables))
        steps[:, support] = tried
        plans = np.stack([objective.search.plans(x[None])[0] for x in steps])
        # Not where fewer moves do the same.
        plans = plans[(plans != 0).sum(axis=1) == (steps != 0) @ job.cost]
        for value in map(float, objective.value(plans, np.inf)):
            if value <= ceiling:
                # A tenth of the gap that counts as equal, and the tables' error.
                slack = 0.1 * objective.gap(value) + 1e-6 * (make is ChancePenalty)
                assert bound <= value + slack


@pytest.mark.parametrize("seed", range(40))
def test_the_value_of_the_search_is_at_most_the_exact_one(seed):
    """Equal without track; with it, a spread is held by its worst pair of blades alone."""
    rng = np.random.default_rng(seed)
    problem = awkward_problem(rng, "as drawn")
    if problem is None:
        return
    objective = ChancePenalty(problem)
    job = objective.search.at(1e6).job
    hardware = problem.hardware
    found = np.empty(len(job.offset))
    for _ in range(40):
        x = np.where(rng.random(len(job.low)) < 0.5, rng.integers(job.low, job.high + 1), 0.0)
        support = np.flatnonzero(x)
        plan = objective.search.plans(x[None])[:1]
        if (plan[0] != 0).sum() != job.cost[support].sum() or not hardware.allows(plan)[0]:
            continue
        if np.isin(job.partner[support], support).any():
            continue
        squares(job, support, len(support), x[support], found)
        value = total_penalty(job, support, len(support), found)
        exact = float(objective.value(plan, np.inf)[0])
        if exact < 30.0:
            assert value <= exact + 2e-6
            if not job.law.deferred:
                assert value == pytest.approx(exact, abs=2e-6)
