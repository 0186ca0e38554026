"""The single penalties that the search works with: against scipy's non-central chi-square law."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import chndtr, ndtr

from adapt.planning.kernel.laws import law, penalty
from adapt.planning.kernel.lines import FIRST_VAR, RATIO, STEEPEST, line_at
from adapt.planning.search.chance_table import penalty_lines, penalty_tables


def exact(df: float, mean: float, sd: float) -> float:
    """Return -log P(|m + e| <= 1) by scipy."""
    if df == 2.0:
        return -math.log(chndtr(1.0 / sd**2, 2.0, (mean / sd) ** 2))
    return -math.log(ndtr((1.0 - mean) / sd) - ndtr((-1.0 - mean) / sd))


@pytest.mark.parametrize("df", [1.0, 2.0])
def test_penalties_are_those_of_the_law(df: float) -> None:
    rng = np.random.default_rng(5)
    tables = penalty_tables()
    for sd in np.exp(rng.uniform(np.log(4e-3), np.log(8.0), 4000)):
        mean = abs(1.0 - rng.uniform(-4.5, 7.5) * sd)
        expected = exact(df, mean, sd)
        var = df * sd**2
        assert penalty(tables, df, mean**2, var) == pytest.approx(expected, abs=1e-6)
        assert law(tables, df, mean**2, var)[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("df", [1.0, 2.0])
def test_slopes_are_those_of_the_law(df: float) -> None:
    """Against differences of scipy's law, central and small."""
    rng = np.random.default_rng(6)
    tables = penalty_tables()
    for sd in np.exp(rng.uniform(np.log(0.02), np.log(3.0), 500)):
        mean = abs(1.0 - rng.uniform(-4.0, 3.0) * sd)
        square, step = mean**2 + 1e-3 * sd**2, 1e-4 * sd**2
        above, below = (exact(df, math.sqrt(square + s), sd) for s in (step, -step))
        slope = law(tables, df, square, df * sd**2)[1]
        assert slope == pytest.approx((above - below) / (2.0 * step), rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("ceiling", [0.05, 0.6, 2.0, 20.0])
@pytest.mark.parametrize("df", [1.0, 2.0])
def test_no_line_is_above_a_penalty_of_interest(df: float, ceiling: float) -> None:
    """For its own variance, and for any larger one where lines rise with the variance."""
    rng = np.random.default_rng(7)
    tables, lines = penalty_tables(), penalty_lines(ceiling)
    kind = int(df) - 1
    for _ in range(3000):
        k = int(rng.integers(60, lines.end.shape[2] - 60))
        slope = float(np.exp(rng.uniform(-9.0, 4.0)))
        height = line_at(lines, df, k, slope)
        more = int(rng.integers(0, 40))
        if slope > lines.end[STEEPEST, kind, k + more]:
            more = 0
        var = FIRST_VAR * RATIO ** (k + rng.uniform(0.0, 1.0) * more)
        sd = math.sqrt(var / df)
        square = max(1.0 - rng.uniform(-6.0, 6.0) * sd, 0.0) ** 2
        value = penalty(tables, df, square, var)
        if value <= ceiling:
            assert height + slope * square <= value + 1e-6


def test_a_line_of_a_law_touches_it() -> None:
    tables, lines = penalty_tables(), penalty_lines(2.0)
    for k in range(150, 250, 7):
        var = FIRST_VAR * RATIO**k
        for t in (-0.5, 0.5, 1.5, 2.5):
            square = max(1.0 - t * math.sqrt(var / 2.0), 0.1) ** 2
            value, slope = law(tables, 2.0, square, var)
            assert line_at(lines, 2.0, k, slope) + slope * square == pytest.approx(value, abs=2e-3)
