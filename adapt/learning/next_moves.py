"""Moves that a next job could make to learn from: each adjuster alone, and two together.

Within what the rotor file allows: whole steps, the largest move, allowed blades, sums. What is
fitted now is not known here; which moves teach most is the business of `teaching`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.rotor import Adjuster, Rotor
from adapt.rotor.usual import STEP_TOLERANCE, in_steps, usual_amounts

__all__ = ["Moves", "TeachingMove", "possible_steps"]

Real = npt.NDArray[np.float64]

SIZES = (1.0, 0.5)  # of the usual move that are looked at


@dataclass(frozen=True)
class TeachingMove:
    """One move of a next job; only how blades lie to each other counts, not which comes first."""

    blade: str
    adjuster: str
    amount: float


Moves = tuple[TeachingMove, ...]


def possible_steps(rotor: Rotor) -> list[Moves]:
    """Return moves made together between two runs: of one adjuster, and of two.

    One adjuster on its first blade, in a few sizes (on two blades against each other where its sum
    over blades is bound to zero); two with their usual moves, the second on every blade and in
    either sense. Empty when nothing can be moved.
    """
    usual = usual_amounts(rotor)
    return [*_single(rotor, usual), *_double(rotor, usual)]


def _blades(rotor: Rotor, adjuster: Adjuster) -> tuple[str, ...]:
    return rotor.blades if adjuster.blades is None else adjuster.blades


def _single(rotor: Rotor, usual: Real) -> list[Moves]:
    """Return the moves of one adjuster alone, in a few sizes."""
    steps: list[Moves] = []
    for adjuster, amount in zip(rotor.adjusters, usual.tolist(), strict=True):
        for size in dict.fromkeys(in_steps(adjuster, share * amount) for share in SIZES):
            steps += _of_adjuster(rotor, adjuster, size)
    return steps


def _double(rotor: Rotor, usual: Real) -> list[Moves]:
    """Return the usual moves of two adjusters together: blades and signs in every relation."""
    each = [
        [moves[0] for moves in _of_adjuster(rotor, a, size) if len(moves) == 1]
        for a, size in zip(rotor.adjusters, usual.tolist(), strict=True)
    ]
    steps: list[Moves] = []
    for i, first in enumerate(each):
        for second in each[i + 1 :]:
            if first and second:
                steps += [(first[0], other) for other in _everywhere(rotor, second[0])]
    return steps


def _everywhere(rotor: Rotor, move: TeachingMove) -> Sequence[TeachingMove]:
    """Return a move on every blade that can take it, in every sense that the sums allow."""
    adjuster = rotor.adjuster(move.adjuster)
    return [
        TeachingMove(blade, move.adjuster, sign * abs(move.amount))
        for blade in _blades(rotor, adjuster)
        for sign in (1.0, -1.0)
        if _sum_allows(adjuster, sign * abs(move.amount))
    ]


def _of_adjuster(rotor: Rotor, adjuster: Adjuster, amount: float) -> list[Moves]:
    """Return an adjuster's move on one blade; on two against each other where sums forbid that."""
    blades = _blades(rotor, adjuster)
    if not blades or not amount:
        return []
    for sign in (1.0, -1.0):
        if _sum_allows(adjuster, sign * amount):
            return [(TeachingMove(blades[0], adjuster.name, sign * amount),)]
    first = TeachingMove(blades[0], adjuster.name, amount)
    against = [TeachingMove(other, adjuster.name, -amount) for other in blades[1:]]
    pairs: list[Moves] = [(first, second) for second in against]
    return pairs


def _sum_allows(adjuster: Adjuster, amount: float) -> bool:
    if adjuster.sum_range is None:
        return True
    slack = STEP_TOLERANCE * adjuster.step
    return adjuster.sum_range[0] - slack <= amount <= adjuster.sum_range[1] + slack
