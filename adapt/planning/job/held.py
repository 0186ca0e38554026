"""What the person who plans holds fast tonight: locked parts, caps, smaller moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from adapt.rotor import Adjuster, Rotor

__all__ = ["Held", "tonight"]


@dataclass(frozen=True)
class Held:
    """What is not to be moved, or not as far as the rotor file allows.

    blades, adjusters, places (blade, adjuster): not to be touched. caps: by adjuster, the most that
    a blade may carry, in either sense [its unit]; what carries more is only moved towards it.
    largest: by adjuster, the largest move [its unit].
    """

    blades: frozenset[str] = frozenset()
    adjusters: frozenset[str] = frozenset()
    places: frozenset[tuple[str, str]] = frozenset()
    caps: Mapping[str, float] = field(default_factory=dict)
    largest: Mapping[str, float] = field(default_factory=dict)


def tonight(rotor: Rotor, held: Held) -> Rotor:
    """Return the rotor with only those bounds that hold tonight; only for finding moves on it."""
    return replace(rotor, adjusters=tuple(_held(rotor, a, held) for a in rotor.adjusters))


def _held(rotor: Rotor, adjuster: Adjuster, held: Held) -> Adjuster:
    allowed = rotor.blades if adjuster.blades is None else adjuster.blades
    free = tuple(
        blade
        for blade in allowed
        if blade not in held.blades
        and adjuster.name not in held.adjusters
        and (blade, adjuster.name) not in held.places
    )
    low, high = adjuster.fitted_range
    cap = held.caps.get(adjuster.name)
    if cap is not None:
        low, high = max(low, -cap), min(high, cap)
    moves = [m for m in (adjuster.largest_move, held.largest.get(adjuster.name)) if m is not None]
    return replace(
        adjuster,
        blades=None if free == rotor.blades else free,
        fitted_range=(low, high),
        largest_move=min(moves, default=None),
    )
