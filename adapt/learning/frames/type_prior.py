"""What a type says of one rotor's coefficients at a sensor before the rotor's own runs.

From learned coefficients alone: type and spread of rotors, with what the rotor itself told of the
type taken off again (otherwise it would confirm itself). All regimes of a sensor together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients

__all__ = ["Believed", "TypePrior"]

Array = npt.NDArray[Any]

NOTHING = 1e-7  # of the type's precision: what is left by rounding when a rotor is taken off
VAGUE = 1e-9  # of the information: keeps what nothing tells solvable


@dataclass(frozen=True, eq=False)
class Believed:
    """A normal belief in coefficients: precision (size, size), and precision times mean (size,).

    Directions of which nothing is known have precision 0. fixed: (size,), True where a coefficient
    is exactly 0.
    """

    precision: Array
    heard: Array
    fixed: npt.NDArray[np.bool_]

    def solved(self, h: Array) -> Array:
        """Return V = (precision + h)^-1, 0 for what is fixed, bounded where nothing tells."""
        total = self.precision + h
        scale = np.sqrt(np.maximum(np.einsum("xx->x", total).real, 0.0))
        scale = np.where(scale > 0, scale, 1.0)
        unit = total / (scale[:, None] * scale) + VAGUE * np.eye(len(scale))
        free = ~self.fixed
        unit = np.where(free[:, None] & free, unit, 0.0) + np.diag(~free)
        inverse = np.where(free[:, None] & free, np.linalg.inv(unit), 0.0)
        inverse = 0.5 * (inverse + inverse.conj().T)
        return np.asarray(inverse / (scale[:, None] * scale))


class TypePrior:
    """The beliefs that a type gives, sensor by sensor. In the adjusters' own units."""

    def __init__(self, coefficients: Coefficients) -> None:
        type_, unseen = coefficients.type_, coefficients.unseen
        sensors, self.size = type_.joint.shape[:2]
        self.regimes = len(coefficients.regimes)
        self._mean = type_.mean.reshape(sensors, self.size)
        known = np.isfinite(self._mean) & np.isfinite(np.einsum("sxx->sx", type_.joint))
        both = known[:, :, None] & known[:, None, :]
        self._cov = np.where(both, type_.joint, 0.0)
        # How rotors differ: the deviation of one rotor, all regimes together.
        self.spread = np.where(both, unseen.joint - type_.joint, 0.0)
        nothing = np.einsum("sxx->sx", self._cov + self.spread).real <= 0
        self.fixed = known & nothing
        self._known = known & ~nothing

    def broad(self, sensor: int, own: Array) -> Believed:
        """Return the belief in coefficients of a sensor fitted anywhere: no direction, rough size.

        own: (size,), coefficients that give the size where the type has none.
        """
        known = self._known[sensor]
        mean = np.where(known, self._mean[sensor], own).reshape(self.regimes, -1)
        var = np.tile((np.abs(mean) ** 2).mean(axis=0), self.regimes)
        free = (var > 0) & ~self.fixed[sensor]
        precision = np.diag(np.where(free, 1.0 / np.where(free, var, 1.0), 0.0)).astype(complex)
        return Believed(precision, np.zeros(self.size, dtype=complex), ~free)

    def rotor(self, sensor: int, own: list[tuple[Array, Array]]) -> Believed:
        """Return the belief in a rotor's coefficients at a sensor.

        own: (h, b) of each set of coefficients that the rotor has taught the type with.
        """
        at = np.flatnonzero(self._known[sensor])
        inside = np.ix_(at, at)
        precision = np.zeros((self.size, self.size), dtype=complex)
        heard = np.zeros(self.size, dtype=complex)
        if not len(at):
            return Believed(precision, heard, self.fixed[sensor])
        cov, spread = self._cov[sensor][inside], self.spread[sensor][inside]
        scale = np.sqrt(np.maximum(np.einsum("xx->x", cov).real, 1e-300))
        told = np.linalg.inv(cov / (scale[:, None] * scale)) / (scale[:, None] * scale)
        all_heard = told @ self._mean[sensor][at]
        size = np.sqrt(np.einsum("xx->x", told).real)
        for h, b in own:
            through = np.linalg.inv(np.eye(len(at)) + h[inside] @ spread)
            told = told - through @ h[inside]
            all_heard = all_heard - through @ b[at]
        values, vectors = np.linalg.eigh(0.5 * (told + told.conj().T) / (size[:, None] * size))
        alive = values > NOTHING
        kept = vectors[:, alive] * size[:, None]
        told = (kept * values[alive]) @ kept.conj().T
        inverse = vectors[:, alive] / size[:, None]
        all_heard = kept @ (inverse.conj().T @ all_heard)
        through = np.linalg.inv(np.eye(len(at)) + told @ spread)
        precision[inside] = through @ told
        precision = 0.5 * (precision + precision.conj().T)
        heard[at] = through @ all_heard
        return Believed(precision, heard, self.fixed[sensor])
