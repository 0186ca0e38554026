"""The likelihood of amplitudes read without phase, and all its maxima; readings near 1 in size.

One sensor: run k reads a_k = |u + c X_k + noise|, which follows the Rice law (Rice, Bell System
Tech. J. 24 (1945) 46, from memory). A point of the search is p = (u, Re c, Im c). Scales, units and
what a maximum means for a correction: `amplitudes`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize
from scipy.special import i0e

__all__ = ["cost", "cost_of", "far_out", "gradients", "maxima", "mean_alone", "residual"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


def maxima(a: Real, x: Complex, sd: float) -> list[Real]:
    """Return the different local maxima of the likelihood, as (u, Re c, Im c); scaled readings."""
    found: list[Real] = []
    for start in _starts(a, x):
        result = minimize(
            cost, start, args=(a, x, max(sd, 1e-4)), method="BFGS", options={"gtol": 1e-9}
        )
        p = _polished(np.asarray(result.x, dtype=float), a, x)
        better = p if cost(p, a, x, sd) <= cost(result.x, a, x, sd) else result.x
        p = np.asarray(better if better[0] >= 0 else -better, dtype=float)
        reach = 1e-3 * (1.0 + np.abs(p).max())
        if not any(np.abs(p - q).max() < reach for q in found):
            found.append(p)
    return found


def _starts(a: Real, x: Complex) -> list[Real]:
    """Return starting points: effects of several sizes in every direction about the run without."""
    u = float(a[x == 0].mean())
    moved = x != 0
    # |u + c X|^2 is linear in u^2, |c|^2 and u c: solved as least squares where runs allow it.
    rows = np.stack([np.ones(len(a)), np.abs(x) ** 2, 2.0 * x.real, -2.0 * x.imag], axis=1)
    solved, *_ = np.linalg.lstsq(rows, a**2, rcond=None)
    starts = []
    if solved[0] > 0:
        base = np.sqrt(solved[0])
        starts.append(np.array([base, solved[2] / base, solved[3] / base]))
    size = float(np.sqrt(np.mean((a[moved] - u) ** 2)) + 1e-3)
    for effect in (size, u + size, 2.0 * u + size):
        for angle in np.deg2rad(np.arange(0.0, 360.0, 30.0)):
            starts.append(np.array([u, effect * np.cos(angle), effect * np.sin(angle)]))
    return starts


def _polished(p: Real, a: Real, x: Complex) -> Real:
    """Return the point after a few Gauss-Newton steps where these make the residual smaller."""
    best, least = p, residual(p, a, x)
    for _ in range(20):
        gradient = gradients(best, x)
        error = a - np.abs(best[0] + (best[1] + 1j * best[2]) * x)
        step, *_ = np.linalg.lstsq(gradient, error, rcond=1e-10)
        trial = best + step
        now = residual(trial, a, x)
        if not now < least:
            break
        best, least = trial, now
    return best


def cost(p: Real, a: Real, x: Complex, sd: float) -> float:
    """Return minus the log likelihood of the Rice law, up to what does not depend on p."""
    return cost_of(np.abs(p[0] + (p[1] + 1j * p[2]) * x), a, sd)


def cost_of(size: Real, a: Real, sd: float) -> float:
    product = a * size / sd**2
    # log I0(z) = log i0e(z) + z keeps large arguments finite.
    return float(np.sum(0.5 * (a - size) ** 2 / sd**2 - np.log(i0e(product))))


def residual(p: Real, a: Real, x: Complex) -> float:
    return float(np.sum((a - np.abs(p[0] + (p[1] + 1j * p[2]) * x)) ** 2))


def gradients(p: Real, x: Complex) -> Real:
    """Return how fitted amplitudes change with u, Re c and Im c, (run, 3)."""
    value = p[0] + (p[1] + 1j * p[2]) * x
    size = np.maximum(np.abs(value), 1e-12)
    away = value.conj() / size
    return np.stack([away.real, (away * x).real, (away * 1j * x).real], axis=1)


def mean_alone(a: Real, sd: float) -> float:
    """Return the one amplitude that fits all readings best."""
    grid = np.linspace(0.0, float(a.max()) * 1.2, 400)
    return float(grid[np.argmin([cost_of(np.full(len(a), g), a, sd) for g in grid])])


def far_out(cov: Real, share: float = 0.95) -> float:
    """Return the length that a normal vector in the plane, covariance (2, 2), stays below.

    share: how often it does. From P(|v| <= R) = 1 - mean over directions of exp(-R^2 / 2 g^2),
    g(direction) = |L (cos, sin)| with L L' = cov; derived here in polar coordinates.

    >>> round(far_out(np.eye(2)), 3)
    2.448
    """
    angle = np.linspace(0.0, np.pi, 181)[:-1]
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    size = np.sum((root @ np.stack([np.cos(angle), np.sin(angle)])) ** 2, axis=0)
    top = float(values[-1])
    if not top > 0.0:
        return 0.0
    size = np.maximum(size, 1e-12 * top)

    def beyond(r: float) -> float:
        return float(np.exp(-0.5 * r**2 / size).mean()) - (1.0 - share)

    return float(brentq(beyond, 0.0, 10.0 * np.sqrt(top)))
