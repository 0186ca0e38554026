"""Why a chance is poor: cases in which one thing alone stands in the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job, job_of, posterior_of, small_rotor, steady
from scipy import stats

import adapt
from adapt.chart import Chart
from adapt.planning.plan import Chances, Plan
from adapt.problems import BadInput
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


@pytest.mark.parametrize("seed", range(8))
def test_what_is_said_of_other_circumstances_is_what_a_plan_in_them_says(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed), rest=0.6, noise=0.1, carefree=True, adjusters=2)
    asked: dict[str, object] = {"aim": "likeliest", "most_moves": 2, "explain": False}
    found = planned(job, **{**asked, "explain": True}).chances
    if found is None:
        assert planned(job, **asked).chance >= 0.9
        return

    def likeliest(other: Job) -> float:
        plan = planned(other, **asked)
        assert plan.proven
        return plan.chance

    now = likeliest(job)
    known = job.coefficients.unseen
    sure = replace(known, joint=0.0 * known.joint, track_joint=0.0 * known.track_joint)
    others = {
        "plan": (job, found.plan),
        "known": (
            replace(job, coefficients=replace(job.coefficients, unseen=sure, type_=sure)),
            found.known,
        ),
        "finer": (
            replace(
                job,
                rotor=replace(
                    job.rotor,
                    adjusters=tuple(replace(a, step=a.step / 4) for a in job.rotor.adjusters),
                ),
            ),
            found.finer,
        ),
    }
    for name, (other, said) in others.items():
        chance = likeliest(other)
        # half a hundredth more than is had anyhow, and chances under 1 in 100, are not told apart
        expected = max(chance, now)
        assert said == pytest.approx(expected, rel=0.006, abs=0.011), name


def test_a_locked_adjuster_that_is_not_known_does_not_lose_the_plan() -> None:
    """Unlocked it could not be planned with: the chart has no row for it."""
    link = Adjuster("pitch link", "flats", 1.0, (-6.0, 6.0))
    rotor = small_rotor(adjusters=(WEIGHT, link))
    nothing = np.full((1, 2), np.nan)
    job = job_of(
        rotor,
        np.array([[1.5]]),
        posterior_of([[0.001, np.nan]]),
        fitted=np.array([[200.0, 0.0]] * 4),
    )
    chart = Chart(np.array([[0.001, np.nan]], complex), nothing, nothing, nothing, "invented")
    job = replace(job, coefficients=replace(job.coefficients, chart=chart))
    plan = planned(job, locked_adjusters=["pitch link"])
    assert not plan.feasible
    assert plan.chances is not None
    assert {r.what for r in plan.relaxations} <= {"limits", "fitted range"}
    with pytest.raises(BadInput, match="the chart has no row"):
        planned(job)
