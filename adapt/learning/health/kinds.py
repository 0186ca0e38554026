"""What of a rotor's answer may be other: all, one sensor, one adjuster, one at the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Kinds", "kinds_of"]

Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Kinds:
    """What a factor may concern: weight (kind, sensor * adjuster), 1 where it does.

    sensor, adjuster: (kind,), which one, -1 = all. group: (kind,), kinds alike have one number.
    """

    weight: Real
    sensor: Whole
    adjuster: Whole
    group: Whole


def kinds_of(sensors: int, adjusters: int, by_sensor: bool) -> Kinds:
    """Return the kinds: all, each adjuster, and by_sensor each sensor and each pair of the two."""
    listed = [(-1, -1, 0)]
    if adjusters > 1:
        listed += [(-1, a, 1) for a in range(adjusters)]
    if by_sensor and sensors > 1:
        listed += [(s, -1, 2) for s in range(sensors)]
        if adjusters > 1:
            listed += [(s, a, 3) for s in range(sensors) for a in range(adjusters)]
    sensor, adjuster, group = np.array(listed, dtype=np.int64).T
    all_sensors, all_adjusters = np.arange(sensors), np.arange(adjusters)
    weight = ((sensor[:, None] == all_sensors) | (sensor < 0)[:, None])[:, :, None] & (
        (adjuster[:, None] == all_adjusters) | (adjuster < 0)[:, None]
    )[:, None, :]
    return Kinds(weight.reshape(len(listed), -1).astype(float), sensor, adjuster, group)
