"""By how much a part of a rotor's answer is other, once something was found: a complex factor.

The factor is changed until nothing of the found kind is left in the residuals: then the moves
concerned, multiplied by it, answer like the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.cases import Cases
from adapt.learning.health.evidence import sums_of
from adapt.learning.health.residuals import walk
from adapt.learning.health.rows import whiten

__all__ = ["Factor", "fitted_factors", "how_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

ROUNDS = 25
CLOSE = 1e-3
ENDS = (0.025, 0.975)  # of a 95 % interval
WIDEST_TURN = 180.0  # [deg] of an interval that says anything


@dataclass(frozen=True)
class Factor:
    """A factor, answer now over answer before (1 = the same), with what is known of it.

    size: its size with the ends of the 95 % interval. angle_deg: how much more it lags [deg],
    likewise; None where not known, or where readings have no angle.
    """

    value: complex
    size: tuple[float, float, float]
    angle_deg: tuple[float, float, float] | None

    @classmethod
    def of(cls, value: complex, drawn: Array, real: bool = False) -> Factor:
        """Return a factor whose error is given by draws from what is believed of it."""
        low, high = np.quantile(drawn.real if real else np.abs(drawn), ENDS)
        size = (abs(value), float(low), float(high))
        if real:
            return cls(value, (value.real, size[1], size[2]), None)
        turn = np.rad2deg(np.angle(drawn / value))
        before, after = np.quantile(turn, ENDS)
        if after - before >= WIDEST_TURN:
            return cls(value, size, None)
        angle = math.degrees(math.atan2(value.imag, value.real))
        return cls(value, size, (angle, angle + float(before), angle + float(after)))


def fitted_factors(
    cases: Cases, concerned: Real, correlation: Array, inflation: Real, real: bool = False
) -> tuple[Array, Real]:
    """Return the factor by which the moves concerned answered, and its sd per component, (case,).

    concerned: (case, run, sensor, blade, adjuster), 0 to 1: how much of the change a move shows.
    inflation: (case,), of the variance of scores. real: readings are. The sd is infinite where
    nothing tells the factor.
    """
    part = (cases.moves * concerned).sum(axis=3)[:, None]
    value = np.ones(len(cases), dtype=complex)
    sd = np.full(len(cases), np.inf)
    for _ in range(ROUNDS):
        factors = 1.0 + (value[:, None, None, None, None] - 1.0) * concerned
        turned = replace(cases, moves=cases.moves * factors)
        rows = whiten(turned, part).sharing(cases.mean.shape[1]).read_only()
        sums, _ = sums_of(walk(turned, rows), rows.live, correlation)
        information = sums.information[:, 1].sum(axis=(1, 2)).real
        told = information > 0.0
        safe = np.where(told, information, 1.0)
        step = np.where(told, sums.score[:, 1, :, 0].sum(axis=1) / safe, 0.0)
        step = step.real + (0.0 if real else 1j) * step.imag
        value = value + step * np.minimum(1.0, 0.5 / np.maximum(np.abs(step), 1e-12))
        sd = np.where(told, np.sqrt((1.0 if real else 0.5) * inflation / safe), np.inf)
        if (np.abs(step) < CLOSE).all():
            break
    return value, np.asarray(sd)


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
