"""Moves that a person chose: what they are expected to do, and which bounds they break.

Nothing is searched here. Moves need not keep the bounds of the hardware: what they break is said.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.effects import move_amounts
from adapt.planning.answer.forecast import forecast_readings, forecast_track
from adapt.planning.asked import INSIDE
from adapt.planning.case import Case
from adapt.planning.job.hardware import TOLERANCE_STEPS, every_place
from adapt.planning.plan import ByHand, ChannelKey, Move
from adapt.planning.problem.building import build_problem
from adapt.rotor import Adjuster

__all__ = ["by_hand"]

Real = npt.NDArray[np.float64]


def by_hand(case: Case, moves: tuple[Move, ...]) -> ByHand:
    """Return what moves chosen by a person are expected to do from where the case stands.

    chance and the ratios are None where they rest on a coefficient that is not known.
    """
    rotor = case.rotor
    amounts = move_amounts(
        rotor, [m.blade for m in moves], [m.adjuster for m in moves], [m.amount for m in moves]
    )
    hardware = every_place(rotor, case.fitted.amounts)
    problem, _ = build_problem(
        rotor, case.coefficients, case.standing, hardware, case.scope, case.hedge
    )
    steps = (amounts / np.array([a.step for a in rotor.adjusters])).T.ravel()
    unknown = _unknown(case, amounts)
    known = not unknown
    limits = case.scope.limit_set
    inside = known and max(float(problem.worst_ratio(steps)), float(problem.outside(steps)))
    minutes = hardware.plan_minutes(steps)
    return ByHand(
        moves=moves,
        worst_ratio=float(problem.worst_ratio(steps)) if known else None,
        chance=float(problem.chances(steps)) if known else None,
        joint_chance=problem.joint_chance(steps) if known else None,
        inside=bool(known and inside <= INSIDE),
        minutes=None if math.isnan(minutes) else minutes,
        breaks=tuple(_breaks(case, amounts)),
        unknown=unknown,
        readings=forecast_readings(rotor, case.coefficients, case.standing, problem, steps, limits),
        track=forecast_track(rotor, case.coefficients, case.standing, problem, steps, limits),
    )


def _unknown(case: Case, amounts: Real) -> tuple[ChannelKey, ...]:
    """Return what has a limit and cannot be foretold: an effect of these moves is not known."""
    moved = (amounts != 0).any(axis=0)
    keys = (*case.problem.vibration.keys, *case.problem.track.keys)
    lost = []
    for key in keys:
        if key.sensor is None:
            assert case.standing.track is not None
            mean = case.standing.track.mean[case.rotor.regime_names.index(key.regime)]
        else:
            mean = case.standing.vibration.mean[case.rotor.channels.index((key.sensor, key.regime))]
        if np.isnan(mean[moved]).any():
            lost.append(key)
    return tuple(lost)


def _breaks(case: Case, amounts: Real) -> list[str]:
    """Say which bounds of the hardware, and of what is held fast tonight, moves break."""
    rotor, fitted = case.rotor, case.fitted
    after = fitted.amounts + amounts
    broken: list[str] = []
    for a, (adjuster, held) in enumerate(zip(rotor.adjusters, case.bounds.adjusters, strict=True)):
        for b, blade in enumerate(rotor.blades):
            amount = float(amounts[b, a])
            if amount == 0.0:
                continue
            where = f"{adjuster.name} on blade {blade}"
            broken += [
                f"{where}: {text}"
                for text in _broken_by(
                    adjuster, held, blade, amount, fitted.amounts[b, a], after[b, a]
                )
            ]
        broken += _broken_sum(adjuster, fitted.moved[:, a], amounts[:, a])
    for shared in rotor.shared_ranges:
        columns = [rotor.adjuster_names.index(name) for name in shared.adjusters]
        slack = TOLERANCE_STEPS * min(rotor.adjusters[c].step for c in columns)
        low, high = shared.fitted_range
        for b, blade in enumerate(rotor.blades):
            total = float(after[b, columns].sum())
            if amounts[b, columns].any() and not low - slack <= total <= high + slack:
                names = " and ".join(shared.adjusters)
                broken.append(
                    f"blade {blade} would carry {total:g} of {names}; {low:g} to {high:g} is "
                    "allowed"
                )
    hardware = case.hardware
    steps = amounts[hardware.blade, hardware.adjuster] / hardware.step
    if case.rules is not None and not case.rules.all_kept(steps):
        broken.append("your own constraints are not kept")
    return broken


def _broken_by(
    adjuster: Adjuster,
    held: Adjuster,
    blade: str,
    amount: float,
    before: float,
    after: float,
) -> list[str]:
    """Say what one move breaks."""
    unit, slack = adjuster.unit, TOLERANCE_STEPS * adjuster.step
    texts = []
    steps = amount / adjuster.step
    if abs(steps - round(steps)) > TOLERANCE_STEPS:
        texts.append(f"{amount:g} {unit} is not a whole number of steps of {adjuster.step:g}")
    if not adjuster.fits(blade):
        texts.append("the rotor file does not allow it on this blade")
    elif held.blades is not None and blade not in held.blades:
        texts.append("locked for this plan")
    largest = held.largest_move
    if largest is not None and abs(amount) > largest + slack:
        texts.append(f"a move of {amount:g} {unit} is more than the largest, {largest:g}")
    low, high = held.fitted_range
    beyond = max(low - after, after - high)
    if beyond > slack and beyond > max(low - before, before - high) - slack:
        texts.append(f"{after:g} {unit} would be fitted; {low:g} to {high:g} is allowed")
    return texts


def _broken_sum(adjuster: Adjuster, moved: Real, amounts: Real) -> list[str]:
    if adjuster.sum_range is None or not amounts.any():
        return []
    low, high = adjuster.sum_range
    total = float(moved.sum() + amounts.sum())
    slack = TOLERANCE_STEPS * adjuster.step
    if low - slack <= total <= high + slack:
        return []
    return [
        f"{adjuster.name} over all blades: the job's moves would sum to {total:g} {adjuster.unit}; "
        f"{low:g} to {high:g} is allowed"
    ]
