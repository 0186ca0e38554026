"""Chances that a reading is inside its limit, by scipy.stats and by sampling, on plain numbers.

For comparison with `adapt.planning`; nothing here knows it. Sources: scipy.stats.ncx2 (the square
of a circular normal is a non-central chi-square with two degrees of freedom) and
scipy.stats.studentized_range (the range of equal normals is the studentized range with infinitely
many degrees of freedom).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

Sampled = tuple[float, float]  # chance, and its standard error


def amplitude_chance(mean: complex, var: float, limit: float) -> float:
    """Return P(|mean + e| <= limit) for e ~ CN(0, var), var = E|e|^2."""
    return float(stats.ncx2.cdf(2.0 * limit**2 / var, df=2, nc=2.0 * abs(mean) ** 2 / var))


def sampled_amplitude_chance(
    mean: complex, var: float, limit: float, rng: np.random.Generator, samples: int = 200_000
) -> Sampled:
    """Return the same by sampling the two components."""
    error = rng.normal(scale=np.sqrt(var / 2.0), size=(2, samples))
    return _share(np.hypot(mean.real + error[0], mean.imag + error[1]) <= limit)


def sampled_spread_chance(
    heights: npt.ArrayLike,
    cov: npt.ArrayLike,
    limit: float,
    rng: np.random.Generator,
    samples: int = 200_000,
) -> Sampled:
    """Return P(highest - lowest <= limit) for heights ~ N(heights, cov), by sampling.

    heights: (blade,); cov: (blade, blade), of the heights before or after the mean is removed
    (which changes no spread).
    """
    drawn = rng.multivariate_normal(np.asarray(heights), np.asarray(cov), samples, method="eigh")
    return _share(np.ptp(drawn, axis=1) <= limit)


def equal_heights_spread_chance(blades: int, sd: float, limit: float) -> float:
    """Return P(highest - lowest <= limit) of blades that fly alike, each with its own sd."""
    return float(stats.studentized_range.cdf(limit / sd, blades, np.inf))


def _share(inside: npt.NDArray[np.bool_]) -> Sampled:
    chance = float(inside.mean())
    variance = max(chance * (1.0 - chance), 1.0 / len(inside))
    return chance, float(np.sqrt(variance / len(inside)))
