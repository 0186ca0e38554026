"""What a minus on a chart means on other blades: taking off here is adding elsewhere.

Exact for identical blades and the order of one reading; says nothing about track.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from adapt.balancing.paper.axes import Axis
from adapt.effects import blade_phasors
from adapt.rotor import Rotor

__all__ = ["Instead", "instead_of_minus"]

SAME = 1e-9


@dataclass(frozen=True)
class Instead:
    """An amount of -1 on an axis is the same for the reading as `factor` on each of `blades`."""

    blades: tuple[str, ...]
    factor: float


def instead_of_minus(rotor: Rotor, axis: Axis, order: int = 1) -> Instead | None:
    """Return which one or two blades take an amount in place of a minus on an axis's blade.

    The blade that stands opposite for readings of that order, or else the two, alike, that stand
    evenly beside it, nearest first; None when there are none or the adjuster fits on none of them.

    >>> from adapt.rotor import Adjuster, Regime, Sensor
    >>> three = Rotor("fan", ("a", "b", "c"), 900.0, (Sensor("s", "ips"),), (Regime("on"),),
    ...               (Adjuster("weight", "g", 1.0, (0.0, 9.0)),), ())
    >>> instead_of_minus(three, Axis("a", "weight")).blades
    ('b', 'c')
    """
    adjuster = rotor.adjuster(axis.adjuster)
    turns = (
        blade_phasors(rotor, order) / blade_phasors(rotor, order)[rotor.blades.index(axis.blade)]
    )
    others = [
        k for k, blade in enumerate(rotor.blades) if blade != axis.blade and adjuster.fits(blade)
    ]
    for k in others:
        if abs(turns[k] + 1.0) < SAME:
            return Instead((rotor.blades[k],), 1.0)
    pairs = [
        (float(total.real), i, j)
        for i, j in combinations(others, 2)
        if abs((total := turns[i] + turns[j]).imag) < SAME and total.real < -SAME
        and abs(turns[i] - turns[j].conjugate()) < SAME
    ]  # fmt: skip
    if not pairs:
        return None
    most = min(p[0] for p in pairs)
    _, i, j = next(p for p in pairs if p[0] <= most + SAME)
    # Rounded, so that three blades give exactly 1.
    return Instead((rotor.blades[i], rotor.blades[j]), float(np.round(-1.0 / most, 9)))
