"""The chance that the next reading is inside its limit: amplitudes and track spreads.

The amplitude of a circular normal follows the non-central chi-square law with two degrees of
freedom, the difference of two heights that with one, a track spread the law of the range of N
normals. Sources: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 2 (1995),
ch. 29; David & Nagaraja, Order Statistics (2003), section 2.3 (range of independent variables).
Both from memory; the tests hold them against scipy.stats and Monte Carlo.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import chndtr, ive, ndtr, ndtri, roots_hermitenorm

__all__ = ["amplitude_chance", "penalty", "spread_chance"]

Real = npt.NDArray[Any]

# Beyond this many sds outside the limit a penalty goes on along its tangent (see `penalty`).
_TAIL = 5.0
# No reading is known better than to a thousandth of its limit here: the series of the chi-square
# law takes ever longer below it, and fails at a billionth.
_LEAST_VAR = 1e-6
# Shared factors that a grid of more nodes would take are integrated on a lattice of this many.
_MOST_NODES = 4096
_AT_ONCE = 1 << 15  # nodes of all plans together: what bounds the memory


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


def penalty(square: Real, var: Real, df: npt.ArrayLike) -> tuple[Real, Real, Real]:
    """Return -log chance of |m|^2 = square under limit 1, and its two derivatives by `square`.

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
    height, slope, bend = (np.zeros(square.shape) for _ in range(3))
    height[felt], slope[felt], bend[felt] = _felt_penalty(square[felt], tau[felt], df[felt])
    return height, slope, bend


def _felt_penalty(square: Real, tau: Real, df: Real) -> tuple[Real, Real, Real]:
    """The penalty where it matters; derivatives from those of the law by its non-centrality.

    dF/dnc = -f(df + 2) and d2F/dnc2 = (f(df + 2) - f(df + 4)) / 2, f(k) the density with k degrees
    of freedom (Johnson, Kotz & Balakrishnan, as above).
    """
    x = 1.0 / tau
    nc = square / tau
    at = np.minimum(nc, (np.sqrt(x) + _TAIL) ** 2)
    chance = np.clip(chndtr(x, df, at), 1e-300, 1.0)
    safe = np.maximum(at, 1e-10)
    root = np.sqrt(safe * x)
    common = 0.5 * np.exp(-0.5 * (np.sqrt(x) - np.sqrt(safe)) ** 2)
    ratio = x / safe
    density = common * ratio ** (df / 4.0) * ive(df / 2.0, root)
    next_density = common * ratio ** (df / 4.0 + 0.5) * ive(df / 2.0 + 1.0, root)
    slope = density / chance
    bend = np.where(nc > at, 0.0, slope**2 + 0.5 * (next_density - density) / chance)
    return (
        -np.log(chance) + slope * (nc - at),
        slope * x,
        np.maximum(bend, 0.0) * x**2,
    )


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
    blades = heights.shape[-1]
    limit = np.broadcast_to(np.asarray(limit, dtype=float), heights.shape[:-1])
    var = np.broadcast_to(np.asarray(own_var, dtype=float), heights.shape)
    sd = np.sqrt(np.maximum(var, _LEAST_VAR * limit[..., None] ** 2))
    if blades == 1:
        return np.ones(heights.shape[:-1])
    if loading is None or loading.shape[-1] == 0:
        return _range_chance(heights, sd, limit)
    centred = loading - loading.mean(axis=-2, keepdims=True)
    left, size, _ = np.linalg.svd(centred, full_matrices=False)
    counts = _node_counts(size / sd.min(axis=-1)[..., None]).reshape(-1, size.shape[-1])
    principal = (left * size[..., None, :]).reshape(-1, blades, size.shape[-1])
    heights, sd, flat_limit = heights.reshape(-1, blades), sd.reshape(-1, blades), limit.ravel()
    chances = np.empty(len(heights))
    for count in np.unique(counts, axis=0):
        rows = np.flatnonzero((counts == count).all(axis=1))
        rank = int((count > 1).sum())
        grid, mass = _normal_grid(tuple(count[:rank].tolist()))
        for some in np.array_split(rows, -(-len(rows) * len(mass) // _AT_ONCE)):
            shifts = np.einsum("nbf,gf->ngb", principal[some, :, :rank], grid)
            found = _range_chance(
                heights[some, None] + shifts, sd[some, None], flat_limit[some, None]
            )
            chances[some] = found @ mass
    return chances.reshape(limit.shape)


def _node_counts(size: Real) -> npt.NDArray[np.int64]:
    """Nodes to integrate a factor with, by its size against the blades' own sd; 1 = leave out."""
    edges = np.array([1e-3, 0.2, 0.5, 1.0, 1.5, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0])
    nodes = np.array([1, 3, 5, 9, 17, 31, 61, 121, 241, 481, 961, 1921])
    return nodes[np.searchsorted(edges, size, side="right")]


@lru_cache(maxsize=64)
def _normal_grid(counts: tuple[int, ...]) -> tuple[Real, Real]:
    """Nodes (node, factor) and weights (node,) of independent standard normals."""
    if math.prod(counts) > _MOST_NODES:
        return _fixed(_normal_lattice(len(counts)), np.full(_MOST_NODES, 1.0 / _MOST_NODES))
    nodes, weights = [np.zeros(1)], [np.ones(1)]
    for count in counts:
        if count < 10:
            x, w = roots_hermitenorm(count)
        else:  # the chance turns within 1 / size of a factor: a trapezoidal rule of that spacing
            x = np.linspace(-5.0, 5.0, count)
            w = np.exp(-0.5 * x**2)
        nodes.append(x)
        weights.append(w / w.sum())
    grid = np.stack([a.ravel() for a in np.meshgrid(*nodes, indexing="ij")], axis=-1)[:, 1:]
    mass = np.prod(np.stack([a.ravel() for a in np.meshgrid(*weights, indexing="ij")]), axis=0)
    return _fixed(grid, mass)


def _fixed(grid: Real, mass: Real) -> tuple[Real, Real]:
    """Return both as arrays that nobody changes, for they are kept."""
    for array in (grid, mass):
        array.setflags(write=False)
    return grid, mass


def _normal_lattice(factors: int) -> Real:
    """Return nodes (node, factor) of equal weight, spread evenly over standard normals.

    Richtmyer's lattice, multiples of the square roots of primes, folded so that both ends agree
    (Genz & Bretz, Computation of Multivariate Normal and t Probabilities, 2009, section 4.2; from
    memory). Good to some 1e-4, and to 2e-3 for factors a hundred times the blades' own sd.
    """
    primes = [p for p in range(2, 20 * factors) if all(p % q for q in range(2, p))]
    share = (np.arange(1, _MOST_NODES + 1)[:, None] * np.sqrt(primes[:factors])) % 1.0
    folded = np.clip(np.abs(2.0 * share - 1.0), 1e-9, 1.0 - 1e-9)
    return ndtri(folded)


def _range_chance(heights: Real, sd: Real, width: Real) -> Real:
    """P(range <= width) of independent normals: heights, sd (..., blade), width (...).

    With the lowest at t: the integral over t of sum_b pdf_b(t) prod_(others) [cdf(t + width) -
    cdf(t)]. The lowest is no lower than 6.4 sds below some mean and no higher than 6.4 sds above
    every mean (what is left out is 2e-10). For integrands as smooth as a normal density the
    trapezoidal rule converges geometrically.
    """
    sd = np.broadcast_to(sd, heights.shape)
    low = (heights - 6.4 * sd).min(axis=-1)
    high = (heights + 6.4 * sd).min(axis=-1)
    uneven = min(4.0, float((sd.max(axis=-1) / sd.min(axis=-1)).max(initial=1.0)))
    share = np.linspace(0.0, 1.0, int(32 * uneven) + 1)
    t = low[..., None] + (high - low)[..., None] * share
    z = (t[..., None, :] - heights[..., :, None]) / sd[..., :, None]
    inside = ndtr(z + (width[..., None] / sd)[..., None]) - ndtr(z)
    density = np.exp(-0.5 * z**2) / (np.sqrt(2.0 * np.pi) * sd[..., None])
    before = np.ones_like(t)
    total = np.zeros_like(t)
    for blade in range(heights.shape[-1]):  # d/ds of prod (inside + s density), at s = 0
        total = total * inside[..., blade, :] + before * density[..., blade, :]
        before = before * inside[..., blade, :]
    return np.clip(total.sum(axis=-1) * (high - low) * share[1], 0.0, 1.0)
