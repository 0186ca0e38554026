"""The chance that the next reading is inside its limit: amplitudes and track spreads.

The amplitude of a circular normal follows the non-central chi-square law with two degrees of
freedom, the difference of two heights that with one, a track spread the law of the range of N
normals. Sources: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 2 (1995),
ch. 29; David & Nagaraja, Order Statistics (2003), section 2.3 (range of independent variables).
Both from memory; the tests hold them against scipy.stats and Monte Carlo.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import chndtr, ive, ndtr, roots_hermitenorm

__all__ = ["amplitude_chance", "penalty", "spread_chance"]

Real = npt.NDArray[Any]

# Beyond this many sds outside the limit a penalty goes on along its tangent (see `penalty`).
_TAIL = 5.0
_LEAST_VAR = 1e-12


def amplitude_chance(amplitude: npt.ArrayLike, var: npt.ArrayLike, limit: npt.ArrayLike) -> Real:
    """Return P(|m + e| <= limit) for |m| = amplitude and e ~ CN(0, var).

    amplitude, limit: in one unit; var: E|e|^2 in that unit squared. Shapes broadcast.

    >>> float(amplitude_chance(0.0, 2.0, 2.0))  # a Rayleigh law: 1 - exp(-2)
    0.8646647167633873
    """
    amplitude, limit = np.asarray(amplitude, dtype=float), np.asarray(limit, dtype=float)
    tau = np.maximum(np.asarray(var, dtype=float) / 2.0, _LEAST_VAR * limit**2)
    amplitude, limit, tau = np.broadcast_arrays(amplitude, limit, tau)
    # 9 sds inside, the complement is below 1e-16: the chance is 1 to the last digit.
    open_ = limit - amplitude < 9.0 * np.sqrt(tau)
    chance = np.ones(open_.shape)
    chance[open_] = chndtr(limit[open_] ** 2 / tau[open_], 2.0, amplitude[open_] ** 2 / tau[open_])
    return chance


def penalty(square: Real, var: Real, df: npt.ArrayLike) -> tuple[Real, Real]:
    """Return -log chance of |m|^2 = square under limit 1, and its derivative by `square`.

    df: 2 for a circular normal of E|e|^2 = var, 1 for a real normal of variance var.

    For a fixed variance the penalty is convex and rising in `square`: the chance is a Poisson
    mixture, of mean proportional to `square`, of the log-concave sequence P(chi2_(df + 2k) <= x),
    and such mixtures are log-concave in the mean (Karlin, Total Positivity, 1968, ch. 3; from
    memory, checked numerically in the tests). So tangents in `square` are lower bounds everywhere.
    From `_TAIL` sds outside the limit the tangent itself stands in for the penalty: still a lower
    bound, and free of underflow.
    """
    square, var, df = np.broadcast_arrays(square, var, np.asarray(df, dtype=float))
    tau = np.maximum(var / df, _LEAST_VAR)
    # Six sds inside, the penalty is below 1e-8 and 0 is as good a bound.
    felt = 1.0 - np.sqrt(square) < 6.0 * np.sqrt(tau)
    height, slope = np.zeros(square.shape), np.zeros(square.shape)
    height[felt], slope[felt] = _felt_penalty(square[felt], tau[felt], df[felt])
    return height, slope


def _felt_penalty(square: Real, tau: Real, df: Real) -> tuple[Real, Real]:
    x = 1.0 / tau
    end = (np.sqrt(x) + _TAIL) ** 2
    at = np.minimum(square / tau, end)
    chance = np.clip(chndtr(x, df, at), 1e-300, 1.0)
    safe = np.maximum(at, 1e-10)
    density = (
        0.5
        * np.exp(-0.5 * (np.sqrt(x) - np.sqrt(safe)) ** 2)
        * (x / safe) ** (df / 4.0)
        * ive(df / 2.0, np.sqrt(safe * x))
    )
    slope = density / chance * x
    return -np.log(chance) + slope * (square - at * tau), slope


def spread_chance(
    heights: Real, own_var: npt.ArrayLike, limit: npt.ArrayLike, loading: Real | None = None
) -> Real:
    """Return P(max - min <= limit) of heights + loading @ g + e with independent e ~ N(0, own_var).

    heights, own_var: (..., blade), own_var broadcasts; limit: (...).
    loading: (..., blade, factor) on standard normal factors g shared by the blades (poorly known
    coefficients), integrated by Gauss-Hermite quadrature along their principal directions; a shift
    common to all blades changes no spread and is dropped. None: no shared part.
    """
    heights = np.asarray(heights, dtype=float)
    limit = np.broadcast_to(np.asarray(limit, dtype=float), heights.shape[:-1])
    var = np.broadcast_to(np.asarray(own_var, dtype=float), heights.shape)
    sd = np.sqrt(np.maximum(var, _LEAST_VAR * limit[..., None] ** 2))
    if heights.shape[-1] == 1:
        return np.ones(heights.shape[:-1])
    if loading is None or loading.shape[-1] == 0:
        return _range_chance(heights, sd, limit)
    centred = loading - loading.mean(axis=-2, keepdims=True)
    left, size, _ = np.linalg.svd(centred, full_matrices=False)
    size = size / sd.min(axis=-1)[..., None]
    rank = int((size > 1e-3).sum(axis=-1).max(initial=0))
    if rank == 0:
        return _range_chance(heights, sd, limit)
    principal = left[..., :rank] * (size * sd.min(axis=-1)[..., None])[..., None, :rank]
    grid, mass = _hermite_grid(size[..., :rank].reshape(-1, rank).max(axis=0))
    shifted = heights[..., None, :] + np.einsum("...bf,gf->...gb", principal, grid)
    chances = _range_chance(shifted, sd[..., None, :], limit[..., None])
    return np.asarray(chances @ mass)


def _hermite_grid(size: Real) -> tuple[Real, Real]:
    """Nodes (node, factor) and weights; more along factors that are large against the own sd."""
    nodes, weights = [], []
    for s in size:
        if s < 1.5:
            x, w = roots_hermitenorm(3 if s < 0.2 else 5 if s < 0.5 else 9)
        else:  # the chance turns within 1/s of a node: the trapezoidal rule with that spacing
            x = np.linspace(-5.0, 5.0, int(min(401.0, np.ceil(14.0 * s))))
            w = np.exp(-0.5 * x**2)
        nodes.append(x)
        weights.append(w / w.sum())
    grid = np.stack([a.ravel() for a in np.meshgrid(*nodes, indexing="ij")], axis=-1)
    mass = np.prod(np.stack([a.ravel() for a in np.meshgrid(*weights, indexing="ij")]), axis=0)
    return grid, mass


# Trapezoidal nodes in sds: for integrands as smooth as a normal density the rule converges
# geometrically, and 6.4 sds leave out 2e-10.
_OFFSETS = np.linspace(-6.4, 6.4, 33)
_DENSITY = np.exp(-0.5 * _OFFSETS**2) / np.sqrt(2.0 * np.pi) * (_OFFSETS[1] - _OFFSETS[0])


def _range_chance(heights: Real, sd: Real, width: Real) -> Real:
    """P(range <= width) of independent normals: heights, sd (..., blade), width (...).

    With the lowest at t: the integral over t of sum_b pdf_b(t) prod_(others) [cdf(t + width) -
    cdf(t)]. Each term is integrated over its own blade's mean plus and minus 6.4 sds.
    """
    sd = np.broadcast_to(sd, heights.shape)
    total = np.zeros(heights.shape[:-1])
    for lowest in range(heights.shape[-1]):
        t = heights[..., lowest, None] + sd[..., lowest, None] * _OFFSETS
        inside = np.ones_like(t)
        for other in range(heights.shape[-1]):
            if other != lowest:
                low = (t - heights[..., other, None]) / sd[..., other, None]
                step = width[..., None] / sd[..., other, None]
                inside *= ndtr(low + step) - ndtr(low)
        total += inside @ _DENSITY
    return np.clip(total, 0.0, 1.0)
