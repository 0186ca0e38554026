"""What is estimated is where the penalised restricted likelihood is highest, by finite differences.

The likelihood is held against dense algebra and statsmodels in `tests/outside/test_mixed_model.py`;
what was expected beforehand is written out here again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import fleet, invented_rotor

from adapt.learning.fitting.fleet import informed_directions, solve_fleet
from adapt.learning.fitting.learner import Learned, fit
from adapt.learning.fitting.noise import restricted_log_likelihood
from adapt.learning.fitting.shares import Shares, spread_of
from adapt.learning.rows.runs import runs_of

STEP = 2e-3  # in the logarithm of a variance
NOISE_FREEDOM, RATIO_PRECISION, SHARE_FREEDOM = 4.0, 1.0, 4.0


def learned_of(seed: int, rotors: int, missing: float) -> Learned:
    """Return what is learned of vibration from a fleet at two sensors, without a chart."""
    rotor = invented_rotor(blades=4, sensors=2, regimes=3, track=False)
    made = fleet(np.random.default_rng(seed), rotor, rotors=rotors, jobs=3, runs=6, missing=missing)
    return fit(rotor, runs_of(rotor, made.history))[1]


def loss(learned: Learned, theta: np.ndarray) -> float:
    """Return the penalised -log likelihood; theta: log q, log r by channel, log shares^2."""
    v = learned.variances
    channels = len(v.run_var)
    q, r = np.exp(theta[:channels]), np.exp(theta[channels : 2 * channels])
    shares = np.exp(0.5 * theta[2 * channels :]).reshape(3, -1)
    spread = spread_of(Shares(*shares), v.spread.loading, learned.prior, learned.table.half)
    value = -restricted_log_likelihood(learned.table, q, r, spread, learned.prior).sum()
    assert v.center is not None
    wanted = v.center.run_var + 2 * v.center.reading_var
    value += (0.5 * NOISE_FREEDOM * (np.log(q + 2 * r) + wanted / (q + 2 * r))).sum()
    ratio = np.log(r / q) - np.log(v.center.reading_var / v.center.run_var)
    value += 0.5 * RATIO_PRECISION * (ratio**2).sum()
    expected = np.array([v.expected.gain, v.expected.adjuster, v.expected.rest])
    value += (SHARE_FREEDOM * (np.log(shares) + 0.5 * (expected / shares) ** 2)).sum()
    return float(value)


@pytest.mark.parametrize(("rotors", "missing"), [(12, 0.0), (9, 0.3), (2, 0.1)])
def test_no_small_change_of_a_variance_makes_the_log_likelier(rotors: int, missing: float) -> None:
    learned = learned_of(40 + rotors, rotors, missing)
    v = learned.variances
    theta = np.concatenate([np.log(v.run_var), np.log(v.reading_var), 2 * np.log(v.shares.flat)])
    middle = loss(learned, theta)
    for at in range(len(theta)):
        step = np.zeros_like(theta)
        step[at] = STEP
        above, below = loss(learned, theta + step), loss(learned, theta - step)
        slope, bend = (above - below) / (2 * STEP), (above - 2 * middle + below) / STEP**2
        assert bend > 0
        assert abs(slope / bend) < 0.01, at


def test_the_mean_that_shares_are_shares_of_is_that_of_the_estimated_variances() -> None:
    learned = learned_of(60, 10, 0.1)
    v = learned.variances
    known = informed_directions(learned.table, learned.prior)
    solved = solve_fleet(
        learned.table, v.taught_run_var, v.taught_reading_var, v.spread, learned.prior, known
    )
    sd = np.sqrt(np.einsum("jaa->ja", solved.cov).real)
    assert (np.abs(solved.mean - v.spread.loading) < 0.05 * sd).all()


def test_a_search_that_goes_on_from_other_rows_ends_where_one_from_the_start_does() -> None:
    rotor = invented_rotor(blades=4, sensors=2, regimes=3)
    made = fleet(np.random.default_rng(70), rotor, rotors=10, jobs=3, runs=6)
    runs = runs_of(rotor, made.history)
    half = np.isin(runs.job, np.unique(runs.job)[::2])
    before = fit(rotor, runs.only(half), made.chart)
    noisy = replace(runs.only(half), readings=1.3 * runs.readings[half])
    cold = fit(rotor, runs, made.chart)
    for start in (before, fit(rotor, noisy, made.chart)):
        warm = fit(rotor, runs, made.chart, start=start)
        for one, other in zip(warm[1:], cold[1:], strict=True):
            assert one is not None
            assert other is not None
            a, b = one.variances, other.variances
            np.testing.assert_allclose(a.run_var, b.run_var, rtol=0.01)
            np.testing.assert_allclose(a.reading_var, b.reading_var, rtol=0.02)
            np.testing.assert_allclose(a.shares.flat, b.shares.flat, rtol=0.01)
            sd = np.sqrt(np.einsum("jaa->ja", other.fleet.cov).real)
            off = np.abs(one.fleet.mean - other.fleet.mean)
            assert (off[sd > 0] < 0.02 * sd[sd > 0]).all()
