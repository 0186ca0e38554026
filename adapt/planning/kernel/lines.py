"""Lower lines of the single penalties: the largest c with c + slope * square never above them.

For one variance, c is concave in the slope, so that between two slopes the chord is safe.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy.typing as npt

from adapt.compiling import bare
from adapt.planning.kernel.laws import FAR, FLAT, Tables, component_sd, law

__all__ = ["FIRST_VAR", "RATIO", "STEEPEST", "Lines", "fill_lines", "line_at"]

Array = npt.NDArray[Any]

SLOPE, HEIGHT = 0, 1  # places in Lines.tangent
FAR_OUT, STEEPEST = 0, 1  # places in Lines.end
FIRST_VAR, RATIO = 1e-6, 1.06  # variances of the lines: FIRST_VAR * RATIO^k


class Lines(NamedTuple):
    """Tangents. tangent: (SLOPE or HEIGHT, law, variance, tangent), slopes rising.

    HEIGHT: at a square of 0. Law 0: differences of heights, 1: amplitudes. end: (FAR_OUT or
    STEEPEST, law, variance). FAR_OUT: the largest square of interest, where the last tangent
    touches. STEEPEST: the largest slope with which lines rise with the variance; inf where all that
    is of interest has a chance of one half.
    """

    tangent: Array
    end: Array


@bare
def fill_lines(tables: Tables, lines: Lines, ceiling: float) -> None:
    """Fill lines for everything with a penalty up to a ceiling."""
    tangents = lines.tangent.shape[3]
    for kind in range(2):
        df = 1.0 + kind
        for k in range(lines.tangent.shape[2]):
            var = FIRST_VAR * RATIO**k
            sd = component_sd(df, var)
            first = max(1.0 - FLAT * sd, 0.0)
            last = _outermost(tables, df, var, ceiling, first, 1.0 - FAR * sd)
            half = math.inf
            for p in range(tangents):
                a = first + (last - first) * p / (tangents - 1.0)
                height, slope = law(tables, df, a * a, var)
                before = lines.tangent[SLOPE, kind, k, p - 1] if p else 0.0
                lines.tangent[SLOPE, kind, k, p] = max(slope, before)
                lines.tangent[HEIGHT, kind, k, p] = height - slope * a * a
                if height > math.log(2.0) and half == math.inf:
                    half = 0.98 * before
            lines.end[FAR_OUT, kind, k] = last * last
            lines.end[STEEPEST, kind, k] = half if ceiling > math.log(2.0) else math.inf


@bare
def _outermost(
    tables: Tables, df: float, var: float, ceiling: float, low: float, high: float
) -> float:
    """Return a mean, not less than the largest with a penalty up to a ceiling.

    Beyond `high`, where penalties go on along a tangent, it is found on that.
    """
    height, slope = law(tables, df, high * high, var)
    if height <= ceiling:
        return math.sqrt(high * high + (ceiling - height) / slope)
    for _ in range(40):
        middle = 0.5 * (low + high)
        if law(tables, df, middle * middle, var)[0] <= ceiling:
            low = middle
        else:
            high = middle
    return high


@bare
def line_at(lines: Lines, df: float, k: int, slope: float) -> float:
    """Return the height at a square of 0 of a safe line of this slope, for variance number k."""
    kind = 1 if df == 2.0 else 0
    slopes, heights = lines.tangent[SLOPE, kind, k], lines.tangent[HEIGHT, kind, k]
    last = slopes.size - 1
    if slope <= slopes[0]:
        # The tangent at the square where the first touches, or a flatter one through that point.
        return heights[0]
    if slope >= slopes[last]:
        return heights[last] - (slope - slopes[last]) * lines.end[FAR_OUT, kind, k]
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if slopes[middle] > slope:
            high = middle
        else:
            low = middle
    wide = slopes[high] - slopes[low]
    share = (slope - slopes[low]) / wide if wide > 0.0 else 0.0
    return heights[low] + share * (heights[high] - heights[low])
