"""Intervals of amplitude and phase of a circular normal, exact also near zero.

c ~ CN(m, v), sd s = sqrt(v / 2) per component, b = |m| / s. The amplitude over s follows the Rice
law of b. The phase follows the projected normal law (Mardia and Jupp, Directional Statistics, Wiley
2000, section 3.5.6, from memory); the chance that it is off by more than h is

    P(h) = Phi(-b sin h) + 2 T(b sin h, cot h),   T of Owen (Ann. Math. Stat. 27 (1956) 1075)

derived here from the half-plane beyond the ray at h, which T cuts at the ray's end.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

__all__ = [
    "amplitude_below",
    "amplitude_interval",
    "holds_zero",
    "phase_half_width",
    "phase_interval_deg",
]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

LARGE = 200.0  # amplitude over sd from which the Rice law is normal to 1e-5 of its sd
HALVINGS = 40  # of an interval of a quarter turn: 1e-12 rad


def holds_zero(mean: Array, sd: Array, level: float = 0.95) -> npt.NDArray[np.bool_]:
    """Return where the circle that holds `level` of the probability holds zero: no phase there.

    mean: complex. sd: per component. False where either is NaN.
    """
    far = np.sqrt(-2.0 * np.log1p(-level))
    return np.asarray(np.abs(mean) <= far * np.asarray(sd))


def amplitude_interval(mean: Array, sd: Array, level: float = 0.95) -> tuple[Real, Real]:
    """Return the low and high end of the amplitude, with `level` of its probability between them.

    mean: complex, any shape. sd: per component, its shape and unit. As much is cut off at each end;
    where the circle of `level` holds zero the interval starts at 0 and all is cut off above. NaN
    where either is.

    >>> low, high = amplitude_interval(np.array([3.0j, 0.1]), np.array([1.0, 1.0]))
    >>> low.round(2), high.round(2)
    (array([1.3, 0. ]), array([5.09, 2.45]))
    """
    mean, sd = np.broadcast_arrays(np.abs(mean).astype(float), np.asarray(sd, dtype=float))
    open_ = holds_zero(mean, sd, level)
    tail = 0.5 * (1.0 - level)
    low = np.where(open_, 0.0, _quantile(np.full(mean.shape, tail), mean, sd))
    high = _quantile(np.where(open_, level, 1.0 - tail), mean, sd)
    lost = np.isnan(mean) | np.isnan(sd)
    return np.where(lost, np.nan, low), np.where(lost, np.nan, high)


def amplitude_below(mean: Array, sd: Array, level: float = 0.95) -> Real:
    """Return the amplitude that `level` of the probability stays below; NaN where either is.

    mean: complex or its amplitude, any shape. sd: per component, its shape and unit.

    >>> amplitude_below(np.array([0.0, 3.0j]), np.array([1.0, 0.0])).round(3)
    array([2.448, 3.   ])
    """
    mean, sd = np.broadcast_arrays(np.abs(mean).astype(float), np.asarray(sd, dtype=float))
    return np.where(np.isnan(mean) | np.isnan(sd), np.nan, _quantile(np.array(level), mean, sd))


def phase_half_width(ratio: Array, level: float = 0.95) -> Real:
    """Return h [rad] such that a phase is within h of its mean's with probability `level`.

    ratio: |mean| / sd per component. Range: 0 to inf; 0 gives level * pi. NaN gives NaN.

    >>> phase_half_width(np.array([0.0, 10.0])).round(4)
    array([2.9845, 0.1973])
    """
    b = np.asarray(ratio, dtype=float)
    low, high = np.zeros(b.shape), np.full(b.shape, np.pi)
    for _ in range(HALVINGS + 2):
        middle = 0.5 * (low + high)
        outside = special.ndtr(-b * np.sin(middle)) + 2.0 * special.owens_t(
            b * np.sin(middle), 1.0 / np.tan(middle)
        )
        wide = outside < 1.0 - level
        low, high = np.where(wide, low, middle), np.where(wide, middle, high)
    return np.where(np.isnan(b), np.nan, 0.5 * (low + high))


def phase_interval_deg(
    mean: Array, sd: Array, lead: Array | bool = False, level: float = 0.95
) -> tuple[Real, Real]:
    """Return the ends [deg, 0..360) of the phase's interval, read in the sense of growing phase.

    mean: complex (lag). sd: per component. lead: where the sensor's own phase is a lead. 0 and 360
    (any phase) where the circle of `level` holds zero; NaN where either is NaN.
    """
    mean, sd, lead = np.broadcast_arrays(mean, np.asarray(sd, dtype=float), lead)
    size = np.abs(mean)
    any_ = holds_zero(mean, sd, level)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(any_ | np.isnan(sd), np.nan, size / sd)
    half = np.zeros(ratio.shape)
    sure = np.isinf(ratio)
    half[~sure] = phase_half_width(ratio[~sure], level)
    phase = np.where(lead, -1.0, 1.0) * np.angle(mean)
    low, high = np.rad2deg(phase - half) % 360.0, np.rad2deg(phase + half) % 360.0
    return np.where(any_, 0.0, low), np.where(any_, 360.0, high)


def _quantile(p: Real, size: Real, sd: Real) -> Real:
    """Return quantiles of the Rice law of mean size `size` and sd per component `sd`."""
    sure = size >= LARGE * sd
    b = np.where(sure, LARGE, size / np.where(sure, 1.0, sd))
    exact = sd * np.sqrt(special.chndtrix(p, 2.0, b**2))
    # |m + e| = (|m| + e_along) + e_across^2 / (2 |m|), whose mean is sd^2 / (2 |m|).
    large = size + sd * special.ndtri(p) + 0.5 * sd * (sd / np.where(sure & (size > 0), size, 1.0))
    return np.asarray(np.where(sure, large, exact))
