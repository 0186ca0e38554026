"""Weight that can come off without changing anything: equal amounts on blades that cancel out."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.effects import channel_sums, track_changes
from adapt.planning.answer.moves import clean
from adapt.planning.case import Case
from adapt.planning.job.hardware import TOLERANCE_STEPS
from adapt.planning.plan import Move, Saving
from adapt.rotor import Rotor

__all__ = ["savings"]

Real = npt.NDArray[np.float64]

_FELT = 0.01  # of a limit: a change below this is none
_ZERO = 1e-9  # of the amounts
_WORTH = 0.1  # of the fitted range: less on a blade is not worth the work


def savings(case: Case, amounts: Real) -> tuple[Saving, ...]:
    """Return what can be taken off each adjuster that adds weight, after moves (blade, adjuster).

    Equal amounts on blades that lie evenly around the rotor (two opposite ones, or all) leave every
    limited reading where it is, to a hundredth of the limit, in every regime. Only what is recorded
    as fitted, and where it is a tenth of the range or more on a blade.
    """
    found = []
    for a, adjuster in enumerate(case.rotor.adjusters):
        if not adjuster.is_weight or adjuster.sum_range is not None:
            continue
        taken = np.zeros(amounts.shape)
        for blades in _even_sets(case.rotor):
            taken += _even_share(case, a, blades, amounts + taken, taken)
        moved = np.flatnonzero(taken[:, a])
        if len(moved):
            moves = tuple(
                Move(case.rotor.blades[b], adjuster.name, clean(taken[b, a])) for b in moved
            )
            found.append(Saving(moves, clean(-taken[:, a].sum())))
    return tuple(found)


def _even_share(case: Case, a: int, blades: list[int], moved: Real, taken: Real) -> Real:
    """Return the largest equal amount that can come off some blades, (blade, adjuster), or none.

    moved: all that is moved so far, taken: how much of it was taken off here.
    """
    none = np.zeros(moved.shape)
    rotor, held = case.rotor, case.bounds.adjusters[a]
    allowed = rotor.blades if held.blades is None else held.blades
    if not all(rotor.blades[b] in allowed and case.fitted.known[b, a] for b in blades):
        return none
    left = case.fitted.amounts + moved
    rooms = [float(left[blades, a].min()) - max(held.fitted_range[0], 0.0)]
    if held.largest_move is not None:
        rooms.append(held.largest_move + float(moved[blades, a].min()))
    for shared in rotor.shared_ranges:
        columns = [rotor.adjuster_names.index(name) for name in shared.adjusters]
        if a in columns:
            carried = left[:, columns].sum(axis=1)
            rooms.append(float(carried[blades].min()) - shared.fitted_range[0])
    steps = math.floor(min(rooms) / held.step + TOLERANCE_STEPS)
    worth = _WORTH * (held.fitted_range[1] - held.fitted_range[0])
    if steps <= 0 or steps * held.step < worth:
        return none
    share = none.copy()
    share[blades, a] = -steps * held.step
    return share if _largest_change(case, taken + share) <= _FELT else none


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
    """Return the largest predicted change of anything with a limit, as a share of the limit.

    inf where an effect is not known.
    """
    rotor, standing, limits = case.rotor, case.standing, case.scope.limit_set
    changes = [0.0]
    sums = channel_sums(rotor, amounts)
    for (sensor, regime), x, mean in zip(
        rotor.channels, sums, standing.vibration.mean, strict=True
    ):
        limit = rotor.limit_for(sensor, regime, limits)
        if limit is not None:
            # On evenly spaced blades a sum is zero but for rounding.
            felt = np.abs(x) > _ZERO * np.abs(amounts).sum(axis=0)
            changes.append(abs(complex(np.sum(x[felt] * mean[felt]))) / limit.limit)
    lift = track_changes(amounts)
    for g, regime in enumerate(rotor.regime_names if standing.track is not None else ()):
        limit = rotor.limit_for(None, regime, limits)
        if limit is not None:
            assert standing.track is not None
            felt = (lift != 0).any(axis=0)
            change = np.ptp(lift[:, felt] @ standing.track.mean[g, felt])
            changes.append(float(change) / limit.limit)
    return math.inf if np.isnan(changes).any() else max(changes)
