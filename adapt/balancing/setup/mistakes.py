"""What turns when a set-up was described wrongly, in the ways in which people do it.

Each changes the place at which the pulse is thought to come; see `geometry`. Which mistakes people
make is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from adapt.balancing.setup.geometry import pulse_deg, turned_deg
from adapt.balancing.setup.values import Edge, Setup
from adapt.rotor import Rotor

__all__ = ["Mistake", "mistakes_of"]

_OTHER_EDGE: dict[Edge, Edge] = {
    "leading": "trailing", "trailing": "leading", "centre": "centre",
}  # fmt: skip
LEAST_DEG = 5.0  # of shaft: a mistake that turns less does no harm worth naming


@dataclass(frozen=True)
class Mistake:
    """One way to describe a set-up wrongly.

    text: what was taken for what. turn_deg: by how much more readings of this set-up lag [deg of
    shaft, -180..180] than they would with the pulse where the mistake puts it.
    """

    text: str
    turn_deg: float


def mistakes_of(setup: Setup, rotor: Rotor) -> tuple[Mistake, ...]:
    """Return the mistakes that would turn readings by 5 deg of shaft or more.

    >>> from adapt.balancing.setup import Reference
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, (), (), (), ())
    >>> one = Setup("one", "left", "up", True, Reference("photocell", 0.0, "1", edge="centre"))
    >>> mistakes_of(one, rotor)
    (Mistake(text='blade 2 for blade 1', turn_deg=180.0),)
    """
    reference = setup.reference
    other: Edge = _OTHER_EDGE[reference.edge]
    blades = rotor.blades
    at = blades.index(reference.blade)
    cases = [
        (
            "the pickup's place seen from the other side, or the rotor turning the other way",
            replace(reference, angle_deg=-reference.angle_deg),
        ),
        ("the other edge, or wires swapped", replace(reference, edge=other)),
        ("ahead of the blade for behind it", replace(reference, ahead_deg=-reference.ahead_deg)),
    ]
    for step in (1, -1)[: max(len(blades) - 1, 0)]:
        name = blades[(at + step) % len(blades)]
        cases.append((f"blade {name} for blade {reference.blade}", replace(reference, blade=name)))
    pulse = pulse_deg(setup, rotor)
    found = [
        Mistake(text, turned_deg(pulse_deg(replace(setup, reference=case), rotor) - pulse))
        for text, case in cases
    ]
    return tuple(m for m in found if abs(m.turn_deg) >= LEAST_DEG)
