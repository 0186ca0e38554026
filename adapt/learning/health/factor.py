"""By how much a part of a rotor's answer is other, once something was found: a complex factor.

The factor is raised until nothing of the found kind is left in the residuals: then the moves
concerned, multiplied by it, answer like the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.cases import Cases, whiten
from adapt.learning.health.evidence import sums_of
from adapt.learning.health.residuals import walk

__all__ = ["Factor", "fitted_factors", "how_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

ROUNDS = 25
CLOSE = 1e-4
WIDE = 1.96  # sds of a 95 % interval


@dataclass(frozen=True)
class Factor:
    """A complex factor, answer now over answer before (1 = the same), and its sd per component."""

    value: complex
    sd: float

    @property
    def size(self) -> tuple[float, float, float]:
        """Its size, with the ends of the 95 % interval."""
        size, half = abs(self.value), WIDE * self.sd
        return size, max(0.0, size - half), size + half

    @property
    def angle_deg(self) -> tuple[float, float, float] | None:
        """How much more it lags [deg], with the ends of the 95 % interval; None where not known."""
        size, half = abs(self.value), WIDE * self.sd
        if half >= size:
            return None
        angle = math.degrees(math.atan2(self.value.imag, self.value.real))
        turn = math.degrees(math.asin(half / size))
        return angle, angle - turn, angle + turn


def fitted_factors(
    cases: Cases, concerned: Truth, correlation: Array, inflation: Real
) -> list[Factor]:
    """Return the factor by which the moves concerned answered, for each case.

    concerned: (case, run, sensor, blade, adjuster). inflation: (case,), of the variance of scores.
    """
    part = (cases.moves * concerned).sum(axis=3)[:, None]
    value = np.ones(len(cases), dtype=complex)
    sd = np.full(len(cases), np.inf)
    for _ in range(ROUNDS):
        factors = np.where(concerned, value[:, None, None, None, None], 1.0)
        turned = replace(cases, moves=cases.moves * factors)
        rows = whiten(turned, part)
        sums, _ = sums_of(walk(turned, rows), rows.live, correlation)
        information = sums.information[:, 1].sum(axis=(1, 2)).real
        told = information > 0.0
        safe = np.where(told, information, 1.0)
        step = np.where(told, sums.score[:, 1, :, 0].sum(axis=1) / safe, 0.0)
        value = value + step * np.minimum(1.0, 0.5 / np.maximum(np.abs(step), 1e-12))
        sd = np.where(told, np.sqrt(0.5 * inflation / safe), np.inf)
        if (np.abs(step) < CLOSE).all():
            break
    return [Factor(complex(v), float(s)) for v, s in zip(value, sd, strict=True)]


def how_of(factor: Factor | None) -> str:
    """Return what a factor says in a word.

    Weaker or stronger where no turn is shown, or the turn is small beside the change in size;
    turned likewise; changed where both are plain, or where no one factor says it.
    """
    if factor is None:
        return "changed"
    size, low, high = factor.size
    angle = factor.angle_deg
    gain_word = "weaker" if size < 1.0 else "stronger"
    if angle is None:
        return gain_word
    gain, turn = abs(math.log(size)), abs(math.radians(angle[0]))
    if turn <= 0.5 * gain or angle[1] <= 0.0 <= angle[2]:
        return gain_word if not low <= 1.0 <= high or gain >= turn else "turned"
    return "turned" if gain <= 0.5 * turn or low <= 1.0 <= high else "changed"
