"""Weight that can come off without changing anything: equal amounts on blades that cancel out."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.effects import harmonic_sums, track_changes
from adapt.planning.case import Case
from adapt.planning.job.hardware import TOLERANCE_STEPS
from adapt.planning.job.scope import limited
from adapt.planning.plan import Move, Saving
from adapt.rotor import Adjuster, Rotor

__all__ = ["savings"]

Real = npt.NDArray[np.float64]

MASSES = ("g", "gram", "grams", "kg", "oz", "lb", "lbs")
_FELT = 0.01  # of a limit: a change below this is none
_WORTH = 0.1  # of the fitted range: less on a blade is not worth the work


def savings(case: Case, amounts: Real) -> tuple[Saving, ...]:
    """Return what can be taken off each adjuster that adds weight, after moves (blade, adjuster).

    Equal amounts on blades that lie evenly around the rotor (two opposite ones, or all) leave every
    reading with a limit where it is, to a hundredth of the limit. Only what is recorded as fitted,
    and where it is a tenth of the range or more on a blade.
    """
    rotor, found = case.rotor, []
    left = case.fitted.amounts + amounts
    for a, adjuster in enumerate(rotor.adjusters):
        held = case.bounds.adjusters[a]
        if not _adds_weight(adjuster) or adjuster.sum_range is not None:
            continue
        allowed = rotor.blades if held.blades is None else held.blades
        taken = np.zeros(left.shape)
        for blades in _even_sets(rotor):
            if not all(rotor.blades[b] in allowed and case.fitted.known[b, a] for b in blades):
                continue
            room = float((left + taken)[blades, a].min() - max(held.fitted_range[0], 0.0))
            steps = math.floor(room / adjuster.step + TOLERANCE_STEPS)
            if held.largest_move is not None:
                steps = min(steps, math.floor(held.largest_move / adjuster.step + TOLERANCE_STEPS))
            one = np.zeros(left.shape)
            one[blades, a] = -steps * adjuster.step
            worth = steps * adjuster.step >= _WORTH * (held.fitted_range[1] - held.fitted_range[0])
            if steps > 0 and worth and _largest_change(case, taken + one) <= _FELT:
                taken += one
        moved = np.flatnonzero(taken[:, a])
        if len(moved):
            moves = tuple(
                Move(rotor.blades[b], adjuster.name, float(f"{taken[b, a]:.12g}")) for b in moved
            )
            found.append(Saving(moves, float(f"{-taken[:, a].sum():.12g}")))
    return tuple(found)


def _adds_weight(adjuster: Adjuster) -> bool:
    return adjuster.kind == "weight" or (adjuster.kind is None and adjuster.unit in MASSES)


def _even_sets(rotor: Rotor) -> list[list[int]]:
    """Return sets of blades that the rotor's numbering puts evenly around it, small ones first."""
    count = len(rotor.blades)
    sets = []
    for size in range(2, count + 1):
        if count % size == 0:
            stride = count // size
            sets += [list(range(first, count, stride)) for first in range(stride)]
    return sets


def _largest_change(case: Case, amounts: Real) -> float:
    """Return the largest predicted change of anything with a limit, as a share of the limit."""
    rotor = case.rotor
    largest = 0.0
    lift = track_changes(amounts)
    held = limited(rotor, case.standing, case.scope)
    for key, limit in zip(held.keys, held.limit, strict=True):
        if key.sensor is None:
            assert case.standing.track is not None
            mean = case.standing.track.mean[rotor.regime_names.index(key.regime)]
            change = float(np.ptp(lift @ np.nan_to_num(mean)))
        else:
            mean = case.standing.vibration.mean[rotor.channels.index((key.sensor, key.regime))]
            x = harmonic_sums(rotor, amounts, rotor.sensor(key.sensor).order)
            change = abs(complex(np.sum(x * np.nan_to_num(mean))))
        largest = max(largest, change / limit)
    return largest
