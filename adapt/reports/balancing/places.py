"""Where a weight goes, in words, and whether it is unusually much."""

from __future__ import annotations

import numpy as np

from adapt.rotor import Adjuster, Rotor

__all__ = ["IN_PASSING_ORDER", "angle_and_place", "place", "unusually_much"]

IN_PASSING_ORDER = (
    "Angles count from the first blade (or hole) of the rotor file in the order in which blades "
    "pass."
)
NEAR_DEG = 0.5


def place(rotor: Rotor, angle_deg: float) -> str:
    """Return where an angle [deg] stands among the blades.

    >>> rotor = Rotor("fan", ("1", "2", "3", "4"), 3000.0, (), (), (), ())
    >>> place(rotor, 90.2), place(rotor, 100.0), place(rotor, 300.0)
    ('at 2', 'between 2 and 3', 'between 4 and 1')
    """
    around = np.rad2deg(rotor.psi) % 360.0
    away = (angle_deg - around + 180.0) % 360.0 - 180.0
    nearest = int(np.argmin(np.abs(away)))
    if abs(away[nearest]) <= NEAR_DEG:
        return f"at {rotor.blades[nearest]}"
    if len(rotor.blades) == 1:
        return f"{angle_deg:.0f} deg after {rotor.blades[0]}"
    before = int(np.argmin((angle_deg - around) % 360.0))
    return f"between {rotor.blades[before]} and {rotor.blades[(before + 1) % len(rotor.blades)]}"


def angle_and_place(rotor: Rotor, weight: complex) -> tuple[str, str]:
    """Return the angle of a complex weight as text [deg], and where that is; dashes for none.

    >>> rotor = Rotor("fan", ("1", "2", "3", "4"), 3000.0, (), (), (), ())
    >>> angle_and_place(rotor, -2 + 0j)
    ('180', 'at 3')
    """
    if not abs(weight) > 0.0:
        return "-", "-"
    angle = float(np.rad2deg(np.angle(weight)) % 360.0)
    return f"{angle:.0f}", place(rotor, angle)


def unusually_much(adjuster: Adjuster, weight: complex) -> tuple[str, ...]:
    """Return why a weight is so large that somebody should look for a cause first.

    More than half of what one blade may carry, as for a plan: the program's own threshold.

    >>> part = Adjuster("fan weight", "g", 1.0, (0.0, 30.0))
    >>> unusually_much(part, 10j), unusually_much(part, 20j)
    ((), ('fan weight asks for more than half of what one blade may carry',))
    """
    low, high = adjuster.fitted_range
    if abs(weight) <= 0.5 * (high - low):
        return ()
    return (f"{adjuster.name} asks for more than half of what one blade may carry",)
