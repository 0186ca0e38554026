"""Single penalties, -log of the chance to be inside, and their slopes by the squared mean.

Limits are 1. Of amplitudes: from tables (`search.chance_table`), read by Lagrange's formula
through six nodes each way. Of differences of two heights: from the error function. Both are convex
in the squared mean, see `problem.chance`. The slope of an amplitude's: f / (s^2 P), f the
non-central chi-square density of four degrees of freedom at 1 / s^2 (Johnson, Kotz & Balakrishnan,
Continuous Univariate Distributions 2 (1995), ch. 29; from memory).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy.typing as npt

from adapt.compiling import bare

__all__ = [
    "FIRST_AWAY", "FIRST_SMALL", "FIRST_T", "FIRST_WIDE", "MOST_SD", "STEP", "STEP_LOG", "STEP_U",
    "STEP_WIDE", "Tables",
    "component_sd", "law", "penalty",
]  # fmt: skip

Array = npt.NDArray[Any]

# Tables: steps across (t or a / s), in log s, and in log(1 + y) of the Bessel function.
STEP, STEP_LOG, STEP_WIDE, STEP_U = 0.1, 0.1, 0.04, 0.05
FIRST_T, FIRST_AWAY = -12.0, -0.5
_WIDE = 0.18
FIRST_SMALL, FIRST_WIDE = math.log(1e-3), math.log(0.8 * _WIDE)
_LEAST_VAR = 1e-6  # of a component: no reading is known better than to a thousandth of its limit
MOST_SD = 20.0
FLAT = 7.0  # sds inside, from where a penalty is below 1e-11
FAR = -11.5  # sds outside, from where it goes on along its tangent
_ROOT2 = math.sqrt(2.0)
_ROOT_2PI = math.sqrt(2.0 * math.pi)


class Tables(NamedTuple):
    """Logs of penalties, small: (log s, t), wide: (log s, a / s); bessel: log(I1(y) e^-y / y)."""

    small: Array
    wide: Array
    bessel: Array


@bare
def _six(table: Array, z: float, t: float) -> float:
    """Return a table at (z, t), its first node at (0, 0) and a step of 1."""
    i = min(max(int(z) - 2, 0), table.shape[0] - 6)
    j = min(max(int(t) - 2, 0), table.shape[1] - 6)
    t0, t1, t2, t3, t4, t5 = _lagrange(t - j)
    z0, z1, z2, z3, z4, z5 = _lagrange(z - i)
    total = 0.0
    for p, weight in enumerate((z0, z1, z2, z3, z4, z5)):
        row = table[i + p]
        total += weight * (
            t0 * row[j]
            + t1 * row[j + 1]
            + t2 * row[j + 2]
            + t3 * row[j + 3]
            + t4 * row[j + 4]
            + t5 * row[j + 5]
        )
    return total


@bare
def _lagrange(f: float) -> tuple[float, float, float, float, float, float]:
    """Return the weights of the nodes 0 ... 5 at f."""
    a, b, c, d, e = f - 1.0, f - 2.0, f - 3.0, f - 4.0, f - 5.0
    ab, de, fa = a * b, d * e, f * a
    return (
        ab * c * de / -120.0,
        f * b * c * de / 24.0,
        fa * c * de / -12.0,
        fa * b * de / 12.0,
        fa * b * c * e / -24.0,
        fa * b * c * d / 120.0,
    )


@bare
def _height(tables: Tables, df: float, a: float, sd: float) -> float:
    """Return the penalty, where it is not out of reach."""
    if df == 2.0:
        z = math.log(sd)
        if sd < _WIDE:
            z, x = (z - FIRST_SMALL) / STEP_LOG, ((1.0 - a) / sd - FIRST_T) / STEP
            return math.exp(_six(tables.small, z, x))
        z, x = (z - FIRST_WIDE) / STEP_WIDE, (a / sd - FIRST_AWAY) / STEP
        return math.exp(_six(tables.wide, z, x))
    return -math.log(_between(a, sd))


@bare
def _between(a: float, sd: float) -> float:
    """Return the chance that a real normal about a is between -1 and 1."""
    upper, lower = (1.0 - a) / sd, (1.0 + a) / sd
    return max(0.5 * (math.erfc(-upper / _ROOT2) - math.erfc(lower / _ROOT2)), 1e-300)


@bare
def _log_slope(tables: Tables, df: float, a: float, sd: float, height: float) -> float:
    """Return the log of the slope by a^2, given the penalty, where it is not out of reach."""
    upper = (1.0 - a) / sd
    if df == 2.0:
        u = math.log1p(a / (sd * sd)) / STEP_U + 2.0
        j = min(max(int(u) - 2, 0), tables.bessel.size - 6)
        w0, w1, w2, w3, w4, w5 = _lagrange(u - j)
        line = tables.bessel
        bessel = w0 * line[j] + w1 * line[j + 1] + w2 * line[j + 2]
        bessel += w3 * line[j + 3] + w4 * line[j + 4] + w5 * line[j + 5]
        return height + bessel - 0.5 * upper * upper - math.log(2.0 * sd**4)
    chance = math.exp(-height)
    if a > 1e-4 * sd:
        density = math.exp(-0.5 * upper * upper) * -math.expm1(-2.0 * a / (sd * sd))
        return math.log(max(density, 1e-300) / (_ROOT_2PI * 2.0 * a * sd * chance))
    return -0.5 / (sd * sd) - math.log(_ROOT_2PI * sd**3 * chance)


@bare
def component_sd(df: float, var: float) -> float:
    """Return the sd of one component, within what the laws are made for."""
    return min(math.sqrt(max(var / df, _LEAST_VAR)), MOST_SD)


@bare
def law(tables: Tables, df: float, square: float, var: float) -> tuple[float, float]:
    """Return the penalty of |mean|^2 = square and its slope by it.

    df: 2 for a circular normal of E|e|^2 = var, 1 for a real normal of variance var.
    """
    sd = component_sd(df, var)
    a = math.sqrt(max(square, 0.0))
    if 1.0 - a > FLAT * sd:
        return 0.0, 0.0
    near = min(a, 1.0 - FAR * sd)
    height = _height(tables, df, near, sd)
    slope = math.exp(_log_slope(tables, df, near, sd, height))
    if near < a:
        height += slope * (square - near * near)
    return height, slope


@bare
def penalty(tables: Tables, df: float, square: float, var: float) -> float:
    """Return the penalty alone, see `law`."""
    sd = component_sd(df, var)
    a = math.sqrt(max(square, 0.0))
    if 1.0 - a > FLAT * sd:
        return 0.0
    if a > 1.0 - FAR * sd:
        return law(tables, df, square, var)[0]
    return _height(tables, df, a, sd)
