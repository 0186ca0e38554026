"""What a chart asks of an adjuster: is it a weight, what may one move be, which blades take it."""

from __future__ import annotations

from adapt.rotor import Adjuster, Rotor

__all__ = ["blades_for", "most_of", "rank"]

# Weights before what also moves the track.
_RANK = {"weight": 0, "other": 1, None: 1, "trim tab": 2, "pitch link": 2}


def most_of(adjuster: Adjuster) -> float:
    """Return the most that one move of an adjuster may be [its unit]."""
    whole = adjuster.fitted_range[1] - adjuster.fitted_range[0]
    return whole if adjuster.largest_move is None else min(adjuster.largest_move, whole)


def blades_for(rotor: Rotor, adjuster: Adjuster) -> tuple[str, ...]:
    """Return the blades that can take an adjuster, in passing order."""
    return tuple(b for b in rotor.blades if adjuster.fits(b))


def rank(adjuster: Adjuster) -> int:
    """Return the place in which kinds are taken for axes: weights, others, tabs and links."""
    return 0 if adjuster.is_weight else _RANK[adjuster.kind]
