"""Tables of -log P(|m + e| <= 1) for circular normals e, to be read between their nodes.

With sd s per component and a = |m|: for s up to `WIDE` over t = (1 - a) / s, above it over a / s,
and log s. There the log of the penalty is smooth all over, also towards a = 0, s = 0 and far out.
Beside them the Bessel function that the slopes need.
"""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ive, log_ndtr

from adapt.planning.kernel.arrays import Law
from adapt.planning.kernel.laws import (
    FIRST_AWAY,
    FIRST_SMALL,
    FIRST_T,
    FIRST_WIDE,
    STEP,
    STEP_LOG,
    STEP_U,
    STEP_WIDE,
    Tables,
)  # fmt: skip
from adapt.planning.kernel.lines import Lines, fill_lines

__all__ = ["no_law", "penalty_lines", "penalty_tables"]

Real = npt.NDArray[np.float64]

SMALL_NODES, WIDE_NODES, ACROSS = 57, 132, 216
BESSEL_NODES = 300
VARIANCES, TANGENTS = 360, 128
_QUADRATURE = 48
_FAR = 9.5  # sds; what lies beyond is below 1e-20
_LEAST = 1e-18


@cache
def penalty_tables() -> Tables:
    """Return the tables that the compiled laws read."""
    small = np.exp(FIRST_SMALL + STEP_LOG * np.arange(SMALL_NODES))[:, None]
    wide = np.exp(FIRST_WIDE + STEP_WIDE * np.arange(WIDE_NODES))[:, None]
    across = STEP * np.arange(ACROSS)
    y = np.expm1(STEP_U * (np.arange(BESSEL_NODES) - 2.0))
    size = np.maximum(np.abs(y), 1e-9)  # even: goes on smoothly to the other side of 0
    return Tables(
        small=_log_penalty(np.abs(1.0 - (FIRST_T + across) * small), small),
        wide=_log_penalty(np.abs((FIRST_AWAY + across) * wide), wide),
        bessel=np.log(ive(1.0, size) / size) + np.abs(y) - y,
    )


@lru_cache(maxsize=8)
def penalty_lines(ceiling: float) -> Lines:
    """Return the lines of everything with a penalty up to a ceiling, see `kernel.lines`."""
    shape = (2, 2, VARIANCES, TANGENTS)
    lines = Lines(np.zeros(shape), np.zeros(shape[:3]))
    fill_lines(penalty_tables(), lines, ceiling)
    return lines


def no_law(variables: int) -> Law:
    """Return the law of a search that asks for no chances."""
    none, whole = np.zeros(0), np.zeros(0, dtype=np.int64)
    table = np.zeros((0, 0))
    return Law(
        df=none,
        base=none,
        inexact=np.zeros((variables, 0)),
        group=whole,
        groups=0,
        form=np.zeros((0, variables)),
        level=none,
        start=np.zeros(1, dtype=np.int64),
        highest=none,
        deferred=False,
        tables=Tables(table, table, none),
        lines=Lines(np.zeros((2, 2, 0, 0)), np.zeros((2, 2, 0))),
    )


def _log_penalty(a: Real, sd: Real) -> Real:
    """Return log(-log P) for a (sd, across) and sd (sd, 1).

    P = integral over the disc, in strips across m: with y = sin(angle) / s,
    phi(y) [Phi((cos - a) / s) - Phi((-cos - a) / s)] cos / s by Gauss-Legendre quadrature, in
    logarithms; `chance.amplitude_chance` gives the same by the non-central chi-square law.
    """
    x, weight = np.polynomial.legendre.leggauss(_QUADRATURE)
    widest = np.arcsin(np.minimum(1.0, _FAR * sd))
    angle = 0.5 * widest * (x + 1.0)  # (sd, node), one half of the disc
    cos, y = np.cos(angle), np.sin(angle) / sd
    log_mass = np.log(weight * widest * cos / sd) - 0.5 * y**2 - 0.5 * np.log(2.0 * np.pi)
    upper = log_ndtr((cos[:, :, None] - a[:, None, :]) / sd[:, :, None])
    lower = log_ndtr((-cos[:, :, None] - a[:, None, :]) / sd[:, :, None])
    terms = log_mass[:, :, None] + upper + np.log1p(-np.exp(np.minimum(lower - upper, -1e-300)))
    top = terms.max(axis=1)
    log_p = top + np.log(np.exp(terms - top[:, None, :]).sum(axis=1))
    return np.asarray(np.log(np.maximum(-log_p, _LEAST)))
