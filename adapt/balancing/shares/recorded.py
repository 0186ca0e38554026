"""What the holes file says is fitted, held against what the log records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from adapt.balancing.shares.values import Holes
from adapt.log import History
from adapt.planning.job.hardware import fitted_now
from adapt.rotor import Rotor

__all__ = ["Difference", "differing"]

_SAME_G = 1e-6


@dataclass(frozen=True)
class Difference:
    """One adjuster on one blade whose holes carry another mass [g] than the log records."""

    blade: str
    adjuster: str
    in_holes_g: float
    in_log_g: float


def differing(holes: Holes, rotor: Rotor, history: History, job: str) -> tuple[Difference, ...]:
    """Return where the holes file and the log, after all the job's moves, do not agree.

    Only holes that name blade and adjuster, of adjusters in g whose amount the log records.
    """
    fitted = fitted_now(rotor, history, job)
    mass = {piece.name: piece.mass_g for piece in holes.pieces}
    carried = np.full(fitted.amounts.shape, np.nan)
    for hole in holes.holes:
        if hole.blade is not None and hole.adjuster is not None:
            at = rotor.blades.index(hole.blade), rotor.adjuster_names.index(hole.adjuster)
            own = sum(count * mass[piece] for piece, count in hole.fitted.items())
            carried[at] = np.nan_to_num(carried[at]) + own
    in_grams = np.array([a.unit == "g" for a in rotor.adjusters])
    apart = fitted.known & in_grams & (np.abs(carried - fitted.amounts) > _SAME_G)
    return tuple(
        Difference(
            rotor.blades[b],
            rotor.adjuster_names[a],
            float(carried[b, a]),
            float(fitted.amounts[b, a]),
        )
        for b, a in np.argwhere(apart)
    )
