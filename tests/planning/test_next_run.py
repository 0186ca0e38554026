"""The run after a plan: drawn as it is foretold, with what coefficients share over regimes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, drawn_job

from adapt.planning.job.hardware import fitted_now, hardware_on
from adapt.planning.job.next_run import NEXT_RUN, after_next_run
from adapt.planning.job.standing import standing_of
from adapt.planning.problem.building import build_problem

DRAWS = 1500


@pytest.mark.parametrize("seed", range(4))
def test_drawn_runs_come_inside_as_often_together_as_the_joint_chance_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    job = drawn_job(
        rng, regimes=3, sensors=1, adjusters=1, track=seed % 2 == 0, carefree=True, doubt=0.4
    )
    known = job.coefficients.unseen
    size = known.joint.shape[1]
    sd = np.sqrt(np.einsum("gaa->ga", known.joint).real)
    alike = (0.1 * np.eye(size) + 0.9).astype(complex)
    tied = sd[:, :, None] * alike * sd[:, None, :]
    coefficients = replace(job.coefficients, unseen=replace(known, joint=tied))
    standing = standing_of(job.rotor, coefficients, job.history, JOB)
    fitted = fitted_now(job.rotor, job.history, JOB)
    hardware = hardware_on(job.rotor, fitted)
    problem, _ = build_problem(job.rotor, coefficients, standing, hardware)
    steps = rng.integers(hardware.low, hardware.high + 1)
    amounts = hardware.amounts(steps)
    limits = [job.rotor.limit_for(*key) for key in job.rotor.channels]
    drawn = [after_next_run(job.rotor, coefficients, standing, amounts, rng) for _ in range(DRAWS)]
    sizes = np.array([np.abs(d.last) for d in drawn])
    spreads = np.array([np.ptp(d.last_heights, axis=1) for d in drawn])
    # limits so wide that about half the runs are inside
    scale = np.median(
        np.max([s / x.limit for s, x in zip(sizes.T, limits, strict=True) if x is not None], axis=0)
    )
    inside = np.ones(DRAWS, dtype=bool)
    for size_, limit in zip(sizes.T, limits, strict=True):
        if limit is not None:
            inside &= size_ <= scale * limit.limit
    if job.rotor.has_track:
        for spread, regime in zip(spreads.T, job.rotor.regime_names, strict=True):
            limit = job.rotor.limit_for(None, regime)
            if limit is not None:
                inside &= spread <= scale * limit.limit
    stated = problem.scaled(float(scale)).joint_chance(steps)
    assert inside.mean() == pytest.approx(stated, abs=4.0 * np.sqrt(0.25 / DRAWS))


def test_the_run_that_is_expected_moves_no_mean_and_leaves_less_doubt() -> None:
    job = drawn_job(np.random.default_rng(1), adjusters=2, track=True, carefree=True)
    standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
    hardware = hardware_on(job.rotor, fitted_now(job.rotor, job.history, JOB))
    steps = hardware.high * (np.arange(len(hardware.step)) == 1)
    after = after_next_run(job.rotor, job.coefficients, standing, hardware.amounts(steps))
    np.testing.assert_allclose(after.vibration.mean, standing.vibration.mean, rtol=1e-9)
    before = np.einsum("gaa->", standing.vibration.joint).real
    assert np.einsum("gaa->", after.vibration.joint).real < before
    assert after.after_run == NEXT_RUN
    assert set(after.read_in) == {NEXT_RUN}
