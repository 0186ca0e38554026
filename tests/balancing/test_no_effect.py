"""Noise alone is not taken for an effect, also where the regimes of a sensor share it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fans import FRONT, _history, fan
from scipy.stats import chi2

from adapt.balancing.trial.conditioning import chance_of_sum
from adapt.balancing.trial.vectors import correction_of
from adapt.rotor import Regime

REGIMES = tuple(Regime(f"regime {k}") for k in range(6))
SD = 0.05


def said_to_have_an_effect(jobs: int, together: float, effect: float, seed: int) -> float:
    """Return the share of jobs with one trial weight in which it is said to change the readings.

    together: correlation of the noise between the regimes of a sensor. effect: what the trial
    weight truly changes in each regime, in any direction [mm/s].
    """
    rng = np.random.default_rng(seed)
    rotor = fan(1, 1, regimes=REGIMES)

    def noise() -> np.ndarray:
        draw = rng.normal(0.0, SD, (2, 7))
        parts = draw[0] + 1j * draw[1]
        return np.sqrt(together) * parts[0] + np.sqrt(1.0 - together) * parts[1:]

    runs = [("F-1", "J-1", str(k + 1), pd.Timestamp(f"2026-01-0{k + 1}"), k) for k in range(2)]
    moves = [("J-1", "1", "3", FRONT, 5.0)]
    said = 0
    for _ in range(jobs):
        level = np.exp(2j * np.pi * rng.random(6))
        there = level + effect * np.exp(2j * np.pi * rng.random(6)) + noise()
        readings = [
            ("J-1", run, regime.name, "front bearing", value, np.nan, 1)
            for run, read in (("1", level + noise()), ("2", there + noise()))
            for regime, value in zip(REGIMES, read, strict=True)
        ]
        _, found, _ = correction_of(rotor, _history(runs, readings, moves), "J-1")
        said += not found.conditioning.without_effect
    return said / jobs


def test_noise_that_regimes_share_is_not_taken_for_an_effect():
    # 1 in 100 is meant: of 150 jobs more than 5 in fewer than 1 of 200 studies (binomial law). Were
    # the regimes taken as independent it would be about 11.
    assert said_to_have_an_effect(150, 0.7, 0.0, 5) <= 5 / 150


def test_a_trial_weight_that_does_something_is_still_seen():
    # A change of 0.35 mm/s beside a change of noise of 0.087 mm/s per component.
    assert said_to_have_an_effect(40, 0.35, 0.35, 6) == 1.0


@pytest.mark.parametrize("together", [0.0, 0.4, 0.7])
def test_the_chance_of_a_sum_is_what_draws_of_it_show(together):
    rng = np.random.default_rng(1)
    alike = np.full((6, 6), together) + (1.0 - together) * np.eye(6)
    draw = rng.normal(size=(2, 200_000, 6)) / np.sqrt(2.0)
    errors = (draw[0] + 1j * draw[1]) @ np.linalg.cholesky(alike).T
    total = (np.abs(errors) ** 2).sum(axis=1)
    for limit in (6.0, 13.0, 20.0):
        drawn = float((total >= limit).mean())
        within = 4.0 * np.sqrt(max(drawn, 1e-4) / len(total))
        assert chance_of_sum(limit, alike) == pytest.approx(drawn, abs=within)


def test_independent_channels_follow_the_law_of_chi_squared():
    for channels in (1, 5, 24):
        limit = float(chi2.isf(0.01, 2 * channels)) / 2.0
        assert chance_of_sum(limit, np.eye(channels)) == pytest.approx(0.01, rel=1e-9)
