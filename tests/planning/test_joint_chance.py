"""The chance of all limits together, with the correlation that channels share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_job import coefficients_of, one_run

import adapt
from adapt.planning.plan import Plan
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor


def test_joint_chance_is_the_product_where_channels_are_independent_and_more_where_not() -> None:
    rotor = Rotor(
        name="main rotor",
        blades=("A", "B"),
        rpm=400.0,
        sensors=(Sensor("S", "ips"),),
        regimes=tuple(Regime(f"G{g}") for g in range(4)),
        adjusters=(Adjuster("weight", "g", 1.0, (0.0, 10.0)),),
        limits=(Limit("S", 0.2),),
    )
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
