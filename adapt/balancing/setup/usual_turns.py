"""The angles that people turn a phase reference by, what they are called, and how probable each is.

Half of all turns are any angle; the other half are within 2 deg (sd) of a quarter or half turn
(half of these), of whole hours (a quarter), of blade spacings (a quarter). Judgement: common
practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from adapt.balancing.setup.geometry import turned_deg
from adapt.rotor import Rotor

__all__ = ["angle_names", "mirror_prior", "turn_prior"]

Real = npt.NDArray[np.float64]

USUAL_SD_DEG = 2.0  # how exactly a bracket is fitted on a usual place
MOST_BLADES = 8  # of more blades or holes some two are always as far apart
NEAR_DEG = 3.0  # an angle is named when it is so near


def angle_names(
    rotor: Rotor, angle_deg: float, sd_deg: float, period_deg: float = 360.0
) -> tuple[str, ...]:
    """Return what people turn by that is as near to an angle of shaft as can be told.

    Within two sds, at least 3 deg. period_deg: the angle is known modulo this.

    >>> rotor = Rotor("main rotor", ("A", "B", "C", "D", "E"), 348.0, (), (), (), ())
    >>> angle_names(rotor, -91.0, 1.0), angle_names(rotor, 71.0, 1.0)
    (('a quarter turn', '3 hours of the clock'), ('one blade spacing',))
    """
    near = max(NEAR_DEG, 2.0 * sd_deg)
    found = []
    for name, angles in _usual(rotor).items():
        for usual in angles:
            rest = abs(turned_deg(usual - angle_deg))
            rest %= period_deg
            if min(rest, period_deg - rest) <= near:
                found.append(name.format(_hours(usual)))
                break
    return tuple(found)


def _usual(rotor: Rotor) -> dict[str, list[float]]:
    """Return the angles that people turn by, -180..180, by what they are called."""
    psi = np.rad2deg(rotor.psi).tolist()
    count = len(psi)
    next_ones = [turned_deg(psi[(i + 1) % count] - psi[i]) for i in range(count) if count > 1]
    one = sorted({round(s, 6) for step in next_ones for s in (step, turned_deg(-step))})
    every = {round(turned_deg(q - p), 6) for p in psi for q in psi if q != p}
    return {
        "a quarter turn": [90.0, -90.0],
        "half a turn": [180.0],
        "one blade spacing": one,
        "the spacing of two blades": sorted(every - set(one)) if count <= MOST_BLADES else [],
        "{}": [turned_deg(30.0 * h) for h in range(1, 12)],
    }


def _hours(angle: float) -> str:
    hours = round(abs(angle) / 30.0)
    return "one hour of the clock" if hours == 1 else f"{hours} hours of the clock"


def turn_prior(rotor: Rotor, grid: Real) -> Real:
    """Return the probability of each angle [deg] of a grid for a turned reference, (angle,)."""
    usual = _usual(rotor)
    groups = [
        usual["a quarter turn"] + usual["half a turn"],
        usual["{}"],
        usual["one blade spacing"] + usual["the spacing of two blades"],
    ]
    parts = [np.mean([_about(grid, x) for x in g], axis=0) for g in groups if g]
    weight = [0.5, 0.25, 0.25][: len(parts)]
    near = np.average(parts, axis=0, weights=weight)
    return np.asarray(0.5 / len(grid) + 0.5 * near)


def mirror_prior(grid: Real) -> Real:
    """Return the probability of each angle [deg] of a grid for a mirrored reading, (angle,)."""
    return 0.5 / len(grid) + 0.5 * _about(grid, 0.0)


def _about(grid: Real, angle: float) -> Real:
    away = (grid - angle + 180.0) % 360.0 - 180.0
    density = np.exp(-0.5 * (away / USUAL_SD_DEG) ** 2)
    return np.asarray(density / density.sum())
