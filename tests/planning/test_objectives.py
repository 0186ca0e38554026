"""Bounds of awkward problems: what `proven` rests on, where numbers are at their worst."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, drawn_job
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.coefficients import Posterior
from adapt.planning.bounds import Boxes
from adapt.planning.hardware import hardware_of
from adapt.planning.objectives import ChancePenalty, WorstRatio
from adapt.planning.problem import Problem, build_problem
from adapt.planning.standing import standing_of

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
@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    kind=st.sampled_from(AWKWARD),
    cutoff=st.sampled_from([0.105, 0.69, 0.7, 1.0, 3.0, 30.0, np.inf]),
    whole=st.booleans(),
)
def test_no_bound_is_above_a_plan_of_its_box(make, seed, kind, cutoff, whole):
    rng = np.random.default_rng(seed)
    problem = awkward_problem(rng, kind)
    if problem is None:
        return
    objective, hardware = make(problem), problem.hardware
    variables = len(hardware.step)
    moves = int(rng.integers(1, min(variables, 4) + 1))
    support = np.sort(
        np.array([rng.choice(variables, moves, replace=False) for _ in range(6)]), axis=1
    )
    low, high = hardware.low[support], hardware.high[support]
    if not whole:  # boxes inside, boxes of one point and one-sided boxes among them
        low, high = np.sort(rng.integers(low, high + 1, (2, *support.shape)), axis=0)
    boxes = Boxes(support, low, high)
    first, points, state = objective.bound(boxes, objective.start(boxes), cutoff, 4)
    second, nearer, _ = objective.bound(boxes, state, cutoff, 3)
    assert np.isfinite(points).all()
    tried = [np.clip(np.round(p), low, high).astype(np.int64) for p in (points, nearer)]
    tried += [np.clip(0, low, high), *(rng.integers(low, high + 1) for _ in range(8))]
    for steps in tried:
        values = objective.value(boxes.plans(steps, variables), np.inf)
        wanted = np.isfinite(values) & (values <= cutoff)
        # A tenth of the gap that counts as equal.
        slack = np.array([0.1 * objective.gap(v) for v in values[wanted]])
        assert (first[wanted] <= values[wanted] + slack + 1e-7 * (make is ChancePenalty)).all()
        assert (second[wanted] <= values[wanted] + slack + 1e-7 * (make is ChancePenalty)).all()
