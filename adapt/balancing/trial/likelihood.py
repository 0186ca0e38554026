"""The likelihood of amplitudes read without phase, and all its maxima; readings near 1 in size.

One sensor: run k reads a_k = |u + c X_k + noise|, which follows the Rice law (Rice, Bell System
Tech. J. 24 (1945) 46, from memory). A point of the search is p = (u, Re c, Im c). Scales, units and
what a maximum means for a correction: `amplitudes`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize
from scipy.special import i0e, i1e

__all__ = ["cost", "cost_of", "far_out", "gradients", "maxima", "mean_alone", "residual"]

STEPS = 60  # of the search for least squares
SAME_POINT = 1e-3  # of the largest number of a point

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


def maxima(a: Real, x: Complex, sd: float) -> list[Real]:
    """Return the different local maxima of the likelihood, as (u, Re c, Im c); scaled readings.

    From many starting points to the nearest least squares, all at once, and from each different one
    of these to the maximum beside it.
    """
    found: list[Real] = []
    for start in _different(_least_squares(_starts(a, x), a, x)):
        result = minimize(cost, start, args=(a, x, max(sd, 1e-4)), jac=_slope, method="BFGS")
        ended = np.asarray(result.x, dtype=float)
        found.append(ended if cost(ended, a, x, sd) < cost(start, a, x, sd) else start)
    return _different(np.array(found))


def _different(points: Real) -> list[Real]:
    """Return the points, (point, 3), without those that stand where an earlier one stands."""
    found: list[Real] = []
    for point in points:
        p = point if point[0] >= 0 else -point
        reach = SAME_POINT * (1.0 + np.abs(p).max())
        if not any(np.abs(p - q).max() < reach for q in found):
            found.append(p)
    return found


def _least_squares(points: Real, a: Real, x: Complex) -> Real:
    """Return the local least squares that each point leads to, (point, 3).

    Damped Gauss-Newton steps (Levenberg and Marquardt) on all points together; a point stays where
    its step makes the residual larger, and the step is damped more.
    """
    damping = np.full(len(points), 1e-3)
    left, gradient = _differences(points, a, x)
    for _ in range(STEPS):
        curvature = np.einsum("pri,prj->pij", gradient, gradient)
        slope = np.einsum("pri,pr->pi", gradient, left)
        damped = curvature + damping[:, None, None] * np.eye(3)
        trial = points + np.linalg.solve(damped, slope[..., None])[..., 0]
        trial_left, trial_gradient = _differences(trial, a, x)
        better = (trial_left**2).sum(axis=1) < (left**2).sum(axis=1)
        points = np.where(better[:, None], trial, points)
        left = np.where(better[:, None], trial_left, left)
        gradient = np.where(better[:, None, None], trial_gradient, gradient)
        damping = np.clip(np.where(better, 0.2 * damping, 5.0 * damping), 1e-12, 1e6)
    return points


def _differences(points: Real, a: Real, x: Complex) -> tuple[Real, Real]:
    """Return what is left of the readings, (point, run), and the gradients, (point, run, 3)."""
    value = points[:, :1] + (points[:, 1:2] + 1j * points[:, 2:]) * x
    size = np.maximum(np.abs(value), 1e-12)
    away = value.conj() / size
    return a - size, np.stack([away.real, (away * x).real, (away * 1j * x).real], axis=2)


def _starts(a: Real, x: Complex) -> Real:
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
    return np.array(starts)


def cost(p: Real, a: Real, x: Complex, sd: float) -> float:
    """Return minus the log likelihood of the Rice law, up to what does not depend on p."""
    return cost_of(np.abs(p[0] + (p[1] + 1j * p[2]) * x), a, sd)


def _slope(p: Real, a: Real, x: Complex, sd: float) -> Real:
    """Return the gradient of `cost`: with I1 / I0 the slope of log I0."""
    size = np.abs(p[0] + (p[1] + 1j * p[2]) * x)
    product = a * size / sd**2
    away: Real = (size - a * i1e(product) / i0e(product)) / sd**2
    return np.asarray(gradients(p, x).T @ away)


def cost_of(size: Real, a: Real, sd: float) -> float:
    """Return the same for expected amplitudes without noise; size, a: (run,), the unit of sd."""
    product = a * size / sd**2
    # log I0(z) = log i0e(z) + z keeps large arguments finite.
    return float(np.sum(0.5 * (a - size) ** 2 / sd**2 - np.log(i0e(product))))


def residual(p: Real, a: Real, x: Complex) -> float:
    """Return the sum of squares that a point p, (3,), leaves of amplitudes a, (run,)."""
    return float(np.sum((a - np.abs(p[0] + (p[1] + 1j * p[2]) * x)) ** 2))


def gradients(p: Real, x: Complex) -> Real:
    """Return how fitted amplitudes change with u, Re c and Im c, (run, 3)."""
    gradient: Real = _differences(p[None, :], np.zeros(len(x)), x)[1][0]
    return gradient


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
