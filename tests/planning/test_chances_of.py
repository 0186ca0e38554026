"""Why a chance is poor: cases in which one thing alone stands in the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job, job_of, posterior_of, small_rotor, steady
from scipy import stats

import adapt
from adapt.planning.plan import Chances, Plan
from adapt.rotor import Adjuster

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 400.0))


def planned(job: Job, **asked: object) -> Plan:
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


def chances(job: Job, **asked: object) -> Chances:
    plan = planned(job, **asked)
    assert plan.chances is not None
    return plan.chances


def a_job(reading: complex, sd: float, doubt: float = 0.0, weight: Adjuster = WEIGHT) -> Job:
    """Return a job; 1 g on blade A reads 0.001, with a doubt of so much of it (sd)."""
    rotor = small_rotor(adjusters=(weight,))
    return job_of(
        rotor,
        np.array([[reading]]),
        posterior_of([[0.001]], np.array([[[2.0 * (doubt * 0.001) ** 2]]])),
        fitted=np.full((4, 1), 200.0),
        noise=steady(rotor, sd),
    )


def test_a_good_chance_is_not_explained() -> None:
    assert planned(a_job(0.3, 0.005)).chances is None


def test_noise_that_no_move_helps_against() -> None:
    found = chances(a_job(0.3, 0.1))
    assert found.main == "noise"
    # of one run: reading and change, each 0.1 per component, about nothing
    assert found.perfect == pytest.approx(stats.rayleigh.cdf(0.2, scale=np.hypot(0.1, 0.1)))
    assert found.perfect < 0.9


def test_effects_that_are_not_known() -> None:
    found = chances(a_job(0.4, 0.005, doubt=0.45))
    assert found.main == "known"
    assert found.known > 0.95 > 0.9 > found.plan


def test_steps_that_are_too_coarse() -> None:
    coarse = replace(WEIGHT, step=350.0, fitted_range=(0.0, 600.0))
    found = chances(a_job(0.545j, 0.01, weight=coarse))
    assert found.main == "finer"
    assert found.finer > found.plan + 0.1


def test_bounds_that_are_too_tight() -> None:
    narrow = replace(WEIGHT, fitted_range=(150.0, 250.0))
    found = chances(a_job(0.4, 0.005, weight=narrow), most_moves=1)
    assert found.main == "wider"
    assert found.wider > 0.9


def test_a_level_that_one_reading_does_not_tell() -> None:
    # Readings scatter far more than the rotor changes: the same run twice tells twice as much.
    job = a_job(0.3, 0.06)
    noise = job.coefficients.noise
    rough = replace(noise, run_var=np.full_like(noise.run_var, 1e-6))
    found = chances(replace(job, coefficients=replace(job.coefficients, noise=rough)), chance=0.99)
    assert found.repeated > found.plan
    # chances of the best whole steps, 300 g, by the law: twice read, half the doubt of the level
    r = float(rough.reading_var[0])
    once = stats.rayleigh.cdf(0.2, scale=np.sqrt((2.0 * r + 1e-6) / 2.0))
    level = (r + 1e-6) * r / (2.0 * r + 1e-6)
    twice = stats.rayleigh.cdf(0.2, scale=np.sqrt((level + 1e-6 + r) / 2.0))
    assert found.plan == pytest.approx(once, rel=1e-6)
    assert found.repeated == pytest.approx(twice, rel=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_what_would_be_otherwise_is_never_worse_for_it(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed), rest=0.6, noise=0.1)
    plan = planned(job, aim="smoothest", most_moves=2, seconds=8.0)
    if plan.chances is None:
        assert plan.chance >= 0.9
        return
    found = plan.chances
    assert found.plan >= plan.chance - 1e-12
    for other in (found.known, found.finer, found.wider):
        assert other >= found.plan - 1e-12
    assert 0.0 <= found.perfect <= 1.0
