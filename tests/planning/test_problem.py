"""What must not become a planning problem."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, job_of, posterior_of, small_rotor, steady

import adapt


def test_noise_that_is_no_number_is_refused_and_never_taken_for_a_reading_inside():
    rotor = small_rotor(regimes=2)
    job = job_of(rotor, np.array([[0.1, 0.5]]), posterior_of(np.full((2, 1), 0.001), regimes=2))
    noise = replace(job.coefficients.noise, run_var=np.array([1e-4, np.nan]))
    coefficients = replace(job.coefficients, noise=noise)
    with pytest.raises(adapt.BadInput, match="sensor 1 in regime 2"):
        adapt.plan(rotor, coefficients, job.history, JOB)


def test_track_noise_that_is_no_number_is_refused():
    rotor = small_rotor(track_limit=5.0)
    job = job_of(
        rotor,
        np.array([[0.1]]),
        posterior_of(np.full((1, 1), 0.001)),
        heights=np.array([[[3.0, 1.0, -2.0, -2.0]]]),
    )
    noise = replace(job.coefficients.noise, track_reading_var=np.array([np.nan]))
    coefficients = replace(job.coefficients, noise=noise)
    with pytest.raises(adapt.BadInput, match="track in regime 1"):
        adapt.plan(rotor, coefficients, job.history, JOB)


def test_a_job_without_any_noise_never_passes_for_one_inside():
    # Two exact readings of an exact rotor leave nothing to weigh them by.
    rotor = small_rotor()
    moves = np.zeros((1, 4, 1))
    moves[0, 0, 0] = 40.0
    job = job_of(
        rotor,
        np.array([[0.5], [0.54]]),
        posterior_of(np.full((1, 1), 0.001)),
        moves=moves,
        fitted=np.full((4, 1), 100.0),
        noise=steady(rotor, 0.0),
    )
    try:
        plan = adapt.plan(rotor, job.coefficients, job.history, JOB, aim="smoothest", most_moves=0)
    except adapt.BadInput:
        return
    assert not plan.feasible
    assert plan.worst_ratio == pytest.approx(2.7)
