"""Channels that move together by themselves are known to do so, and others are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from invented_fleet import fleet, invented_rotor

from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.fitting.learner import fit
from adapt.learning.rows.runs import Runs, runs_of


def correlation_of(shared_sd: float) -> np.ndarray:
    """Return what is learned where every run shakes all channels by one common amount more."""
    rng = np.random.default_rng(31)
    made = fleet(rng, invented_rotor(blades=4, sensors=2, regimes=3), rotors=12, jobs=3, runs=6)
    runs: Runs = runs_of(made.rotor, made.history)
    common = shared_sd * (rng.normal(size=(len(runs), 1)) + 1j * rng.normal(size=(len(runs), 1)))
    # the second sensor feels it a quarter turn later
    turned = np.repeat([1.0, 1.0j], 3)
    coefficients, _, _ = fit(
        made.rotor, replace(runs, readings=runs.readings + common * turned), made.chart
    )
    found = coefficients.noise.correlation
    assert found is not None
    return found


def test_independent_channels_are_found_to_be_nearly_so() -> None:
    found = correlation_of(0.0)
    off = np.abs(found[~np.eye(len(found), dtype=bool)])
    assert off.max() < 0.15
    assert speaking_share(found) > 0.9


def test_a_common_shake_is_found_with_its_phase() -> None:
    # differences of readings: shared 0.03 beside 0.02 of scatter and 0.015 from run to run
    found = correlation_of(0.03)
    share = 2 * 0.03**2 / (2 * 0.03**2 + 2 * 0.02**2 + 0.015**2)
    within, across = found[0, 1], found[0, 3]
    assert abs(within - share) < 0.15
    assert abs(across - share * -1j) < 0.15  # e_0 conj(e_3), e_3 = i e_0
    assert speaking_share(found) < 0.5
    assert np.linalg.eigvalsh(found).min() > 0.0
    assert np.allclose(np.diag(found), 1.0)
