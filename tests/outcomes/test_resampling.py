"""Intervals from resampled jobs: they hold, and many looks are paid for."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from adapt.outcomes.resampling import discoveries, job_draws, ratio_of, spread_of


@pytest.mark.parametrize("jobs", [8, 30])
def test_an_interval_of_a_skill_holds_in_about_95_of_100(jobs: int) -> None:
    """Jobs of different size and roughness, errors of one job alike; truth: a ratio of 0.25."""
    rng = np.random.default_rng(61)
    held, told = 0, 0
    for _ in range(400):
        rough = rng.lognormal(0.0, 0.4, jobs)
        runs = rng.integers(2, 6, jobs)
        top = np.array(
            [0.25 * r * rng.chisquare(8 * n) / 8 for r, n in zip(rough, runs, strict=True)]
        )
        bottom = np.array([r * rng.chisquare(8 * n) / 8 for r, n in zip(rough, runs, strict=True)])
        found = ratio_of(top, bottom)
        told += not np.isnan(found.low)
        held += bool(found.low <= 0.25 <= found.high)
    assert told == 400
    assert 0.92 <= held / 400 <= 0.985


def test_an_interval_of_a_share_holds() -> None:
    rng = np.random.default_rng(62)
    held = 0
    for _ in range(400):
        number = rng.integers(3, 9, 25)
        of_job = rng.beta(6.0, 2.0, 25)  # jobs differ; the share over all is 0.75
        found = ratio_of(rng.binomial(number, of_job).astype(float), number, scale="share")
        held += bool(found.low <= 0.75 <= found.high)
        assert 0.0 <= found.low <= found.value <= found.high <= 1.0
    assert 0.92 <= held / 400 <= 0.985


def test_few_jobs_give_a_value_and_no_interval() -> None:
    found = ratio_of(np.array([1.0, 2.0, 3.0]), np.array([2.0, 2.0, 2.0]))
    assert found.value == 1.0
    assert np.isnan([found.low, found.high, found.p]).all()
    assert np.isnan(ratio_of(np.zeros(0), np.zeros(0)).value)
    assert np.isnan(ratio_of(np.zeros(9), np.zeros(9)).value)


def test_jobs_that_have_nothing_below_are_left_out() -> None:
    top, bottom = np.arange(1.0, 8.0), np.full(7, 2.0)
    padded = ratio_of(np.append(top, [0.0, 0.0]), np.append(bottom, [0.0, 0.0]))
    assert padded == ratio_of(top, bottom)


def test_skill_turns_the_interval_round() -> None:
    found = ratio_of(np.array([1.0, 2, 1, 2, 1, 2]), np.array([4.0, 5, 6, 4, 5, 6]))
    skill, low, high = found.share_gone()
    assert low < skill < high
    assert (skill, low, high) == pytest.approx((1 - found.value, 1 - found.high, 1 - found.low))


def test_draws_are_of_whole_jobs_and_the_same_again() -> None:
    draws = job_draws(12)
    assert (draws.sum(axis=1) == 12).all()
    assert draws.mean() == pytest.approx(1.0)
    np.testing.assert_array_equal(draws, job_draws(12))


def test_p_values_are_even_where_nothing_is_different() -> None:
    rng = np.random.default_rng(63)
    p = [ratio_of(rng.chisquare(6, 20), rng.chisquare(6, 20)).p for _ in range(500)]
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.085
    assert 0.4 <= np.mean(p) <= 0.6


def test_adjusted_p_values_are_those_of_a_general_library() -> None:
    """Statsmodels' multipletests, Benjamini and Hochberg."""
    p = np.random.default_rng(64).random(40) ** 3
    expected = multipletests(p, method="fdr_bh")[1]
    np.testing.assert_allclose(discoveries(p), expected)
    with_gaps = np.insert(p, [3, 20], np.nan)
    np.testing.assert_allclose(discoveries(with_gaps)[~np.isnan(with_gaps)], expected)
    assert np.isnan(discoveries(np.full(3, np.nan))).all()


@pytest.mark.filterwarnings("error")
def test_a_spread_of_nothing_is_not_known_and_warns_nobody() -> None:
    values = np.array([[np.nan, 1.0], [np.inf, 2.0], [-np.inf, 3.0]])
    spread = spread_of(values)
    assert np.isnan(spread[0])
    assert spread[1] > 0.0
