"""How large a trial weight may be, and how large it should be to show something.

The smallest of several bounds decides, rounded down to steps of the hardware. Every rule of thumb
here is common practice with no source; the maintenance manual's own trial weight comes first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from adapt.balancing.grams import grams_per_unit
from adapt.balancing.trial.asked import GRADE_MULTIPLES, Asked, Bound, Now, require
from adapt.balancing.unbalance import permissible_g_mm
from adapt.phasor import STANDARD_GRAVITY
from adapt.rotor import Adjuster
from adapt.rotor.values import STEP_TOLERANCE

__all__ = ["Asked", "Bound", "Now", "TrialWeight", "centrifugal_force_n", "trial_weight"]

# All common practice, no source.
LEAST_CHANGE = 0.30  # of the amplitude: the least change of a reading that is worth a run
# A change of 0.66 of the amplitude changes it by 30 % or turns it by 30 deg whatever its direction:
# the distance to the farthest corner of that sector, |1.3 exp(30 deg i) - 1|.
SURE_CHANGE = abs(1.3 * complex(math.cos(math.pi / 6), math.sin(math.pi / 6)) - 1.0)
DOUBT = 2.0  # sds by which a known effect may be larger or smaller


@dataclass(frozen=True)
class TrialWeight:
    """A trial weight, or why there is none.

    amount: in the adjuster's unit, whole steps; 0 where no step may be taken. force_n: its
    centrifugal force [N]. bounds: every bound, the one that decides first. wanted: the amount at
    which the trial is sure to show something; None where no effect is known. shows: whether this
    amount is sure to; None where not known. useless: why the trial would show nothing, "" where it
    may. stops: (sensor, regime, amplitude) at which to shut down. permissible_g_mm: of the grade;
    multiple: how many times that the trial weight is. notes: what it rests on.
    """

    adjuster: str
    unit: str
    amount: float
    step: float
    grams: float
    force_n: float
    weight_share: float
    permissible_g_mm: float
    multiple: float
    bounds: tuple[Bound, ...]
    wanted: float | None
    shows: bool | None
    useless: str
    stops: tuple[tuple[str, str, float], ...]
    notes: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether there is a weight that may be fitted and may show something."""
        return self.amount > 0.0 and not self.useless


def centrifugal_force_n(grams: float, radius_mm: float, rpm: float) -> float:
    """Return m r omega^2 [N] of a mass [g] at a radius [mm] and a speed [1/min].

    >>> round(centrifugal_force_n(10.0, 110.0, 3000.0), 2)
    108.57
    """
    return grams * 1e-3 * radius_mm * 1e-3 * (2.0 * math.pi * rpm / 60.0) ** 2


def trial_weight(adjuster: Adjuster, asked: Asked, now: Sequence[Now] = ()) -> TrialWeight:
    """Return a safe trial weight of an adjuster, and what it must not exceed and why.

    now: what is read before the trial; every reading bounds the weight where its effect is known.
    Where no effect is known, or none is asked to show more, the largest safe amount is taken; where
    effects are known, the smallest that is sure to show something. Raises BadInput with everything
    that is wrong with the numbers, or when the adjuster's unit is no mass.
    """
    per_unit = grams_per_unit(adjuster)
    require(asked, now)
    permissible = permissible_g_mm(asked.grade, asked.mass_kg, asked.rpm)
    force_per_unit = centrifugal_force_n(per_unit, asked.radius_mm, asked.rpm)
    own_weight = asked.mass_kg * STANDARD_GRAVITY
    bounds = _bounds(adjuster, asked, now, per_unit, permissible, force_per_unit, own_weight)
    bounds.sort(key=lambda b: b.amount)
    most = _steps_down(bounds[0].amount, adjuster.step)
    wanted = _wanted(asked, now)
    steps = most
    if wanted is not None:
        steps = min(most, max(1, math.ceil(wanted / adjuster.step - STEP_TOLERANCE)))
    amount = steps * adjuster.step
    if steps < most:
        bounds.insert(
            0, Bound("enough", amount, "this much is sure to show something; more is not needed")
        )
    multiple = amount * per_unit * asked.radius_mm / permissible
    useless = _useless(adjuster, asked, now, amount, bounds)
    force = "" if useless else _past_the_rule_on_force(adjuster, amount, bounds)
    return TrialWeight(
        adjuster=adjuster.name,
        unit=adjuster.unit,
        amount=amount,
        step=adjuster.step,
        grams=amount * per_unit,
        force_n=amount * force_per_unit,
        weight_share=amount * force_per_unit / own_weight,
        permissible_g_mm=permissible,
        multiple=multiple,
        bounds=tuple(bounds),
        wanted=wanted,
        shows=None if wanted is None else amount >= wanted * (1.0 - 1e-9),
        useless=useless,
        stops=tuple((n.sensor, n.regime, n.stop_at) for n in now if n.stop_at > 0.0),
        notes=tuple(_notes(now, amount, multiple, force)),
    )


def _bounds(
    adjuster: Adjuster,
    asked: Asked,
    now: Sequence[Now],
    per_unit: float,
    permissible: float,
    force_per_unit: float,
    own_weight: float,
) -> list[Bound]:
    unit = adjuster.unit
    bounds = [
        Bound(
            "grade",
            asked.multiple * permissible / (per_unit * asked.radius_mm),
            f"{asked.multiple:g} times the permissible unbalance of G {asked.grade:g}, "
            f"{permissible:.0f} g mm",
        ),
        Bound(
            "force",
            asked.force_share * own_weight / force_per_unit,
            f"centrifugal force {100 * asked.force_share:g} % of the rotor's weight, "
            f"{asked.force_share * own_weight:.0f} N",
        ),
        *(asked.room or _own_room(adjuster, asked)),
    ]
    if adjuster.largest_move is not None:
        bounds.append(
            Bound(
                "largest move",
                adjuster.largest_move,
                f"one move may be {adjuster.largest_move:g} {unit}",
            )
        )
    for n in now:
        if n.effect is not None:
            most = n.effect + DOUBT * n.effect_sd
            left = max(0.0, n.stop_at - n.amplitude - DOUBT * n.noise_sd)
            bounds.append(
                Bound(
                    "amplitude",
                    left / most if most > 0.0 else math.inf,
                    f"{n.sensor} in {n.regime} must not pass {n.stop_at:.3g} {n.unit} with the "
                    "weight in the worst place",
                )
            )
    return bounds


def _own_room(adjuster: Adjuster, asked: Asked) -> list[Bound]:
    """Return what the adjuster's ranges leave, at what is said to be fitted."""
    unit, most = adjuster.unit, adjuster.fitted_range[1]
    bounds = [
        Bound(
            "fitted range",
            max(0.0, most - asked.fitted),
            f"a blade may carry {most:g} {unit}, {asked.fitted:g} are fitted",
        )
    ]
    if adjuster.sum_range is not None:
        low, high = adjuster.sum_range
        bounds.append(
            Bound(
                "sum",
                max(0.0, high),
                f"all moves of a job may sum to {low:g} to {high:g} {unit}, so a weight on one "
                "blade needs its counterpart on another",
            )
        )
    return bounds


def _wanted(asked: Asked, now: Sequence[Now]) -> float | None:
    """Return the least amount that is sure to show something in some reading, None = not known."""
    amounts = []
    for n in now:
        least = 0.0 if n.effect is None else n.effect - DOUBT * n.effect_sd
        if least > 0.0:
            change = max(SURE_CHANGE * n.amplitude, asked.noises * n.noise_sd)
            amounts.append(change / least)
    return min(amounts) if amounts else None


def _useless(
    adjuster: Adjuster,
    asked: Asked,
    now: Sequence[Now],
    amount: float,
    bounds: Sequence[Bound],
) -> str:
    """Return why a trial with this amount would show nothing. bounds: the least first."""
    force = _past_the_rule_on_force(adjuster, amount, bounds)
    if amount <= 0.0:
        least, unit = bounds[0], adjuster.unit
        return (
            f"no step is small enough: one step is {adjuster.step:g} {unit}, and "
            f"{least.amount:.3g} {unit} are the most ({least.words}){force}"
        )
    known = [n for n in now if n.effect is not None]
    if not known or len(known) < len(now):
        return ""
    most = {n: amount * (n.effect + DOUBT * n.effect_sd) for n in known if n.effect is not None}
    if all(change < asked.noises * n.noise_sd for n, change in most.items()):
        return (
            f"with {amount:g} {adjuster.unit} no reading changes by {asked.noises:g} times its "
            "noise, so the trial would show nothing"
            + (force or ". Average more readings in each run")
        )
    if all(change < LEAST_CHANGE * n.amplitude for n, change in most.items()):
        return (
            f"with {amount:g} {adjuster.unit} no reading changes by {100 * LEAST_CHANGE:g} % of "
            f"its amplitude, so the trial would show too little{force}"
        )
    return ""


def _past_the_rule_on_force(adjuster: Adjuster, amount: float, bounds: Sequence[Bound]) -> str:
    """Return how to go on where the rule of thumb on force alone allows too little; "" elsewhere.

    bounds: the least first.
    """
    if bounds[0].kind != "force":
        return ""
    steps = _steps_down(bounds[1].amount, adjuster.step)
    if steps * adjuster.step <= amount:
        return ""
    return (
        f". The next bound leaves {bounds[1].amount:.3g} {adjuster.unit}. Light rotors that turn "
        "fast, such as tail rotors, pass this rule of thumb with the weights they carry every day: "
        "take the manual's trial weight, or the share of the weight that it allows (--force-share)"
    )


def _notes(now: Sequence[Now], amount: float, multiple: float, force: str) -> list[str]:
    notes = []
    if amount > 0.0 and multiple < GRADE_MULTIPLES[0]:
        notes.append(
            f"The weight is {multiple:.1f} times the permissible unbalance; below "
            f"{GRADE_MULTIPLES[0]:g} times a trial often shows too little (common practice){force}."
        )
    unknown = [n for n in now if n.effect is None]
    if unknown or not now:
        notes.append(
            "What the weight does to the reading is not known, so in the worst place it may raise "
            "it by any amount: keep to the stop amplitude."
        )
    if any(n.stop is None for n in now):
        notes.append(
            "Stop amplitudes that were not given are twice the reading, or the limit where that is "
            "higher (the program's own rule); the manual's come first."
        )
    if not now:
        notes.append("No reading was given: take a stop amplitude from the manual before the run.")
    return notes


def _steps_down(amount: float, step: float) -> int:
    return max(0, math.floor(amount / step + STEP_TOLERANCE))
