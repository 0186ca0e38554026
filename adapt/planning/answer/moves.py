"""From steps of the search to moves that people make, in the order of the work."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.plan import Move
from adapt.rotor import Rotor

__all__ = ["clean", "labour", "moves_of_steps"]

Int = npt.NDArray[np.int64]


def moves_of_steps(rotor: Rotor, hardware: Hardware, steps: Int) -> tuple[Move, ...]:
    """Return the moves of steps (variable,): adjusters in file order, blades in passing order."""
    return tuple(
        Move(
            rotor.blades[hardware.blade[v]],
            rotor.adjuster_names[hardware.adjuster[v]],
            clean(steps[v] * hardware.step[v]),
        )
        for v in np.flatnonzero(steps)
    )


def labour(hardware: Hardware, steps: Int) -> float | None:
    """Return the labour of steps [min], None where the rotor file does not give it."""
    minutes = hardware.plan_minutes(steps)
    return None if math.isnan(minutes) else minutes


def clean(amount: float) -> float:
    """Return an amount without the last digits that multiplying leaves (0.3, not 0.30...04)."""
    return float(f"{amount:.12g}")
