"""The size of a usual move of each adjuster, from the rotor file alone."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.rotor.values import Adjuster, Rotor

__all__ = ["in_steps", "usual_amounts"]

SHARE_OF_RANGE = 0.25  # of the fitted range, where no largest move is given
STEP_TOLERANCE = 1e-6  # steps


def usual_amounts(rotor: Rotor) -> npt.NDArray[np.float64]:
    """Return the usual move of each adjuster [its unit], (adjuster,), in whole steps.

    The largest that the rotor file allows, or a quarter of the fitted range; 0 where the fitted
    range has no room for a step.
    """
    return np.array([_usual(adjuster) for adjuster in rotor.adjusters])


def in_steps(adjuster: Adjuster, amount: float) -> float:
    """Return an amount in whole steps inside the fitted range: rounded down, at least one step."""
    low, high = adjuster.fitted_range
    room = math.floor((high - low) / adjuster.step + STEP_TOLERANCE)
    wanted = max(1, math.floor(amount / adjuster.step + STEP_TOLERANCE))
    return min(wanted, room) * adjuster.step


def _usual(adjuster: Adjuster) -> float:
    low, high = adjuster.fitted_range
    most = adjuster.largest_move
    return in_steps(adjuster, SHARE_OF_RANGE * (high - low) if most is None else most)
