"""What moves do to readings and to track: the harmonic sums of identical blades.

Identical blades give identical effects, only later by their passing lag; nothing here knows where
coefficients come from.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.linalg import helmert

from adapt.rotor import Rotor

__all__ = [
    "blade_phasors",
    "channel_sums",
    "contrast_changes",
    "contrasts",
    "harmonic_sums",
    "move_amounts",
    "track_changes",
    "without_rounding",
]

ROUNDING = 1e-12

Sums = TypeVar("Sums", npt.NDArray[np.complex128], npt.NDArray[np.float64])
Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


def blade_phasors(rotor: Rotor, order: int = 1) -> Complex:
    """Return exp(i n psi_b), shape (blade,): what turns the first blade's effect into blade b's.

    Lag convention: blade b passes later by psi_b, so its effect lags by n psi_b.
    """
    return np.exp(1j * order * rotor.psi)


def harmonic_sums(rotor: Rotor, amounts: npt.ArrayLike, order: int = 1) -> Complex:
    """Return X_a = sum_b exp(i n psi_b) * amount(b, a), shape (..., adjuster).

    amounts: signed moves in adjuster units, shape (..., blade, adjuster). The change of a reading
    of that order is sum_a c_a X_a, with c_a the first blade's coefficient per unit. Moves that
    cancel have the sum 0.
    """
    x = np.asarray(amounts, dtype=float)
    sums = np.einsum("b,...ba->...a", blade_phasors(rotor, order), x)
    return without_rounding(sums, np.abs(x).sum(axis=-2))


def without_rounding(sums: Sums, size: npt.ArrayLike) -> Sums:
    """Return sums with 0 for those that are no more than the rounding of their parts.

    size: the sum of the parts' sizes, of a shape that fits. What is left of parts that cancel would
    else be taken for a move, and a change that was read for its effect.
    """
    return np.where(np.abs(sums) <= ROUNDING * np.asarray(size), 0.0, sums)


def channel_sums(rotor: Rotor, amounts: npt.ArrayLike) -> Complex:
    """Return the X_a of every channel's order, (channel, adjuster), channels as in the rotor file.

    amounts: (blade, adjuster).
    """
    sums = {sensor.name: harmonic_sums(rotor, amounts, sensor.order) for sensor in rotor.sensors}
    return np.stack([sums[sensor] for sensor, _ in rotor.channels])


def track_changes(amounts: npt.ArrayLike) -> Real:
    """Return each blade's change of height for one unit of coefficient, (..., blade, adjuster).

    A unit move on blade b lifts blade b by t (1 - 1/N) and every other blade by -t / N, because
    heights are re-centred on the blades' mean. amounts: shape (..., blade, adjuster).
    """
    x = np.asarray(amounts, dtype=float)
    return x - x.mean(axis=-2, keepdims=True)


def contrast_changes(amounts: npt.ArrayLike) -> Real:
    """Return what one unit of coefficient does to each height contrast, (..., contrast, adjuster).

    amounts: (..., blade, adjuster). Contrasts are orthogonal to the blades' mean, so centring the
    heights changes nothing here. Blades that are moved alike change 0.
    """
    x = np.asarray(amounts, dtype=float)
    changes = np.einsum("kb,...ba->...ka", contrasts(x.shape[-2]), x)
    return without_rounding(changes, np.abs(x).sum(axis=-2, keepdims=True))


def contrasts(blades: int) -> Real:
    """Return an orthonormal basis of the height contrasts, shape (contrast, blade), N - 1 rows.

    N re-centred heights carry N - 1 independent numbers; any orthonormal basis of the space
    orthogonal to the mean gives the same likelihood (the Helmert matrix is one).
    """
    return np.asarray(helmert(blades), dtype=float) if blades > 1 else np.zeros((0, 1))


def move_amounts(
    rotor: Rotor, blades: list[str], adjusters: list[str], amounts: list[float]
) -> Real:
    """Return summed moves as a table of shape (blade, adjuster) in adjuster units."""
    table = np.zeros((len(rotor.blades), len(rotor.adjusters)))
    row = {b: i for i, b in enumerate(rotor.blades)}
    column = {a: i for i, a in enumerate(rotor.adjuster_names)}
    for blade, adjuster, amount in zip(blades, adjusters, amounts, strict=True):
        table[row[blade], column[adjuster]] += amount
    return table
