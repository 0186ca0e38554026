"""The chance of all limits together, with the correlation that channels share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_jobs import JOB, drawn_job
from invented_job import coefficients_of, one_run
from scipy import stats

import adapt
from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import ByHand, Plan
from adapt.planning.problem.building import build_problem
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor


def one_sensor(regimes: int, most: float) -> Rotor:
    """Return a rotor of two blades and one sensor with a limit of 0.2 ips everywhere."""
    return Rotor(
        name="main rotor",
        blades=("A", "B"),
        rpm=400.0,
        sensors=(Sensor("S", "ips"),),
        regimes=tuple(Regime(f"G{g + 1}") for g in range(regimes)),
        adjusters=(Adjuster("weight", "g", 1.0, (0.0, most)),),
        limits=(Limit("S", 0.2),),
    )


def test_joint_chance_is_the_product_where_channels_are_independent_and_more_where_not() -> None:
    rotor = one_sensor(regimes=4, most=10.0)
    readings = np.full(4, 0.17 + 0j)
    coefficients = coefficients_of(rotor, np.full((4, 1), 0.001))
    history = one_run(rotor, readings)

    def plan_with(correlation: np.ndarray | None) -> Plan:
        noise = replace(coefficients.noise, correlation=correlation)
        return adapt.plan(
            rotor, replace(coefficients, noise=noise), history, "J-1", "smoothest", most_moves=0
        )

    apart = plan_with(np.eye(4, dtype=complex))
    single = apart.readings[0].chance
    assert single is not None
    assert apart.chance == pytest.approx(single**4)
    assert apart.joint_chance == pytest.approx(single**4, abs=0.012)
    assert plan_with(None).joint_chance == apart.joint_chance
    # four channels that say the same are one channel
    assert plan_with(np.ones((4, 4), complex)).joint_chance == pytest.approx(single, abs=0.012)


def test_regimes_that_are_known_together_come_inside_together() -> None:
    """Two regimes of one sensor: an effect that is unknown alike in both is one unknown."""
    rotor = one_sensor(regimes=2, most=400.0)
    var = 2 * 0.0007**2
    history = one_run(rotor, np.array([0.3 + 0j, 0.3 + 0j]))

    def held(alike: float) -> ByHand:
        coefficients = coefficients_of(
            rotor, np.full((2, 1), 0.001), reading_var=1e-10, run_var=1e-10
        )
        known = replace(
            coefficients.unseen, joint=var * np.array([[[1.0, alike], [alike, 1.0]]], complex)
        )
        plan = adapt.plan(
            rotor, replace(coefficients, unseen=known), history, "J-1", "smoothest",
            most_moves=0, by_hand=[("B", "weight", 300.0)], explain=False,
        )  # fmt: skip
        assert plan.by_hand is not None
        return plan.by_hand

    single = stats.rayleigh.cdf(0.2, scale=300.0 * 0.0007)
    apart, together = held(0.0), held(1.0)
    assert apart.chance == together.chance == pytest.approx(single**2, rel=1e-6)
    assert apart.joint_chance == pytest.approx(single**2, abs=0.01)
    assert together.joint_chance == pytest.approx(single, abs=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_shared_errors_are_those_of_the_single_variances(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed), runs=1 + seed % 3, amount_sd=0.1)
    standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
    hardware = hardware_of(job.rotor, job.history, JOB)
    problem, _ = build_problem(job.rotor, job.coefficients, standing, hardware)
    rng = np.random.default_rng(seed)
    steps = rng.integers(-3, 4, len(hardware.step)).astype(float)
    v, t = problem.vibration, problem.track
    loading = v.shared.loading(steps)[:, 0]
    inexact = v.inexact_var @ (steps != 0)
    np.testing.assert_allclose(
        (np.abs(loading) ** 2).sum(axis=1) + v.base_var + inexact,
        problem.variances(steps),
        rtol=1e-9,
    )
    shared = t.level_doubt + np.einsum("tbfv,v->tbf", t.doubt, steps)
    np.testing.assert_allclose(
        (t.shared.loading(steps) ** 2).sum(axis=2), (shared**2).sum(axis=2), rtol=1e-9, atol=1e-12
    )
