"""What unbalance a job's last run shows, by what would take it away, and which grade that meets.

For rotors that behave as rigid; formulas and grades of ISO 21940-11 stand in `unbalance`. Not for
the airworthiness limits of a helicopter's rotors, which are those of its maintenance manual.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from adapt.balancing.grams import grams_per_unit, weights_of
from adapt.balancing.trial.correction import Correction
from adapt.balancing.unbalance import (
    LEAST_OF_ONE,
    MOST_OF_BOTH,
    bearing_shares,
    grade_of,
    named_grade,
    not_positive,
    permissible_g_mm,
)
from adapt.coefficients import Noise
from adapt.coefficients.intervals import amplitude_interval
from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, CannotBeMet, Problem, one_of, shown
from adapt.rotor import Rotor

__all__ = ["Bearings", "Machine", "PlaneUnbalance", "Residual", "residual_unbalance"]

NEAR_CRITICAL = 0.7  # of the first critical speed (common practice, no source)


@dataclass(frozen=True)
class Bearings:
    """Where things stand along the shaft [mm], all counted from bearing A towards bearing B.

    span_mm: from bearing A to bearing B. mass_at_mm: the centre of mass; below 0 or above the span
    it overhangs. planes_at_mm: the correction planes, by adjuster.
    """

    span_mm: float
    mass_at_mm: float
    planes_at_mm: Mapping[str, float]


@dataclass(frozen=True)
class Machine:
    """What unbalance is judged by: mass of the rotor, radius of the weights, speeds.

    radius_mm: by adjuster. rpm: the highest speed in service [1/min]. first_critical_rpm: the first
    critical speed in bending or of the supports, whichever is lower [1/min].
    """

    mass_kg: float
    radius_mm: Mapping[str, float]
    rpm: float
    first_critical_rpm: float
    grade: float | None = None
    bearings: Bearings | None = None


@dataclass(frozen=True)
class PlaneUnbalance:
    """Unbalance in one plane: a correction plane, or a bearing's.

    g_mm: amount. low_g_mm, high_g_mm: its interval of 95 %. angle_deg: where it stands, in passing
    order from the first blade, 0..360. permissible_g_mm: None where no grade was asked for or the
    standard gives none for this plane.
    """

    plane: str
    g_mm: float
    low_g_mm: float
    high_g_mm: float
    angle_deg: float
    permissible_g_mm: float | None


@dataclass(frozen=True)
class Residual:
    """What unbalance is left, and the grade that it meets.

    planes: of the correction planes; bearings: the same seen at bearings A and B, empty where their
    places are not given. g_mm, low_g_mm, high_g_mm: of the whole rotor, amounts of the planes
    added, which is never less than their resultant. grade_mm_s: e * omega of it, with ends.
    permissible_g_mm: by the grade asked for, of the whole rotor; inside: True = even the high end
    is inside in every plane that is judged, False = even the low end is not in one, None = not
    known or not asked. meets: the finest named grade for which inside would be True, None = none.
    notes: what it rests on.

    Judged are the planes of the bearings, or else the one correction plane against the whole. Of
    more planes without their places the amounts added are held against the least that one bearing
    is permitted, which holds where the planes stand between the bearings; and nothing is called not
    inside unless the resultant is more than both bearings are permitted.
    """

    planes: tuple[PlaneUnbalance, ...]
    bearings: tuple[PlaneUnbalance, ...]
    g_mm: float
    low_g_mm: float
    high_g_mm: float
    grade_mm_s: float
    low_mm_s: float
    high_mm_s: float
    meets: float | None
    grade: float | None
    permissible_g_mm: float | None
    inside: bool | None
    notes: tuple[str, ...]


def residual_unbalance(
    rotor: Rotor, correction: Correction, machine: Machine, noise: Noise
) -> Residual:
    """Return what unbalance the last run of a job shows, with its interval of 95 %.

    correction: what would take all of it away (`trial.correction`): the unbalance in a plane is the
    opposite of it, mass times radius. noise: of the coefficients that it rests on.

    The interval is for what another run without a change would show: it holds what is not known of
    the coefficients and of the level, and one run-to-run change. It is that of a normal law, linear
    in all errors. What a bent shaft or looseness adds to the readings counts as unbalance here.

    Raises BadInput with everything that is wrong with the machine's numbers; CannotBeMet at or
    above the first critical speed (a rotor that bends has no residual unbalance in this sense), and
    where the coefficients are too poorly known to say anything.
    """
    _require_machine(rotor, correction, machine)
    notes = _validity(rotor, correction, machine)
    per_unit = np.array(
        [
            grams_per_unit(rotor.adjuster(plane)) * machine.radius_mm[plane]
            for plane in correction.planes
        ]
    )
    unbalance = -correction.weights * per_unit
    at = list(correction.channels)
    sd = np.sqrt(noise.run_var[at])
    change = sd[:, None] * noise.together(at) * sd
    spread = correction.cov + correction.by_reading @ change @ correction.by_reading.conj().T
    cov = spread * np.outer(per_unit, per_unit)
    whole = (
        None
        if machine.grade is None
        else permissible_g_mm(machine.grade, machine.mass_kg, machine.rpm)
    )
    single = len(correction.planes) == 1
    planes = _planes(correction.planes, unbalance, cov, (whole if single else None,) * len(cov))
    total = [sum(getattr(p, end) for p in planes) for end in ("g_mm", "low_g_mm", "high_g_mm")]
    bearings: tuple[PlaneUnbalance, ...] = ()
    if machine.bearings is not None:
        span = machine.bearings.span_mm
        along = np.array([machine.bearings.planes_at_mm[p] for p in correction.planes]) / span
        # Statics of a rigid shaft: what a force at `along` is at the two bearings.
        lever = np.stack([1.0 - along, along])
        shares = bearing_shares(span, machine.bearings.mass_at_mm)
        permitted = tuple(None if whole is None else share * whole for share in shares)
        seen = lever @ cov @ lever.T
        bearings = _planes(("bearing A", "bearing B"), lever @ unbalance, seen, permitted)
        judged = [(p.low_g_mm, p.high_g_mm, s, s) for p, s in zip(bearings, shares, strict=True)]
    elif single:
        judged = [(total[1], total[2], 1.0, 1.0)]
    else:
        (resultant,) = _planes(("",), unbalance.sum(keepdims=True), cov.sum(keepdims=True), (None,))
        judged = [(resultant.low_g_mm, total[2], MOST_OF_BOTH, LEAST_OF_ONE)]
        notes.append(
            "The places of bearings and planes are not given: the amounts of the planes are added "
            f"and held against {100 * LEAST_OF_ONE:.0f} % of the whole, the least that one bearing "
            "is permitted. That is right where the planes stand between the bearings; with their "
            "places more can be said."
        )
    grades = [grade_of(u, machine.mass_kg, machine.rpm) for u in total]
    needed = max(high / share for _, high, _, share in judged)
    return Residual(
        planes=planes,
        bearings=bearings,
        g_mm=total[0],
        low_g_mm=total[1],
        high_g_mm=total[2],
        grade_mm_s=grades[0],
        low_mm_s=grades[1],
        high_mm_s=grades[2],
        meets=named_grade(grade_of(needed, machine.mass_kg, machine.rpm)),
        grade=machine.grade,
        permissible_g_mm=whole,
        inside=None if whole is None else _verdict(judged, whole),
        notes=tuple(notes),
    )


def _planes(
    names: tuple[str, ...],
    unbalance: np.ndarray,
    cov: np.ndarray,
    permitted: tuple[float | None, ...],
) -> tuple[PlaneUnbalance, ...]:
    """Return planes with their intervals; unbalance: (plane,) complex [g mm]."""
    sd = np.sqrt(np.maximum(np.diag(cov).real, 0.0) / 2.0)
    low, high = amplitude_interval(unbalance, sd)
    return tuple(
        PlaneUnbalance(
            plane=name,
            g_mm=float(abs(unbalance[i])),
            low_g_mm=float(low[i]),
            high_g_mm=float(high[i]),
            angle_deg=float(np.rad2deg(np.angle(unbalance[i])) % 360.0),
            permissible_g_mm=permitted[i],
        )
        for i, name in enumerate(names)
    )


def _verdict(judged: list[tuple[float, float, float, float]], whole: float) -> bool | None:
    """Return whether all that is judged is inside; None where it is not known.

    judged: low and high end [g mm], and the shares of the whole [g mm] that each is held against.
    """
    if all(high <= share * whole for _, high, _, share in judged):
        return True
    return False if any(low > share * whole for low, _, share, _ in judged) else None


def _require_machine(rotor: Rotor, correction: Correction, machine: Machine) -> None:
    """Raise BadInput with everything that is wrong with the machine's numbers."""
    weights_of(rotor, correction.planes)
    numbers = {
        "mass [kg]": machine.mass_kg,
        "speed [rpm]": machine.rpm,
        "first critical speed [rpm]": machine.first_critical_rpm,
    }
    if machine.grade is not None:
        numbers["grade [mm/s]"] = machine.grade
    for plane in correction.planes:
        numbers[f"radius of {plane} [mm]"] = machine.radius_mm.get(plane, math.nan)
    if machine.bearings is not None:
        numbers["distance between bearings [mm]"] = machine.bearings.span_mm
    problems = _unknown_names(rotor, machine) + not_positive(numbers)
    problems += _unusable_places(correction, machine)
    if problems:
        raise BadInput(problems)


def _unusable_places(correction: Correction, machine: Machine) -> list[Problem]:
    """Return the planes whose place along the shaft is not given, or is no number."""
    if machine.bearings is None:
        return []
    at = {p: machine.bearings.planes_at_mm.get(p, math.nan) for p in correction.planes}
    # A plane may stand outside the bearings: any number will do.
    return [
        Problem("fault", f"place of {plane} along the shaft [mm]", None, None,
                "nothing" if math.isnan(mm) else f"{mm:g}", "a place in mm from bearing A")
        for plane, mm in at.items()
        if not abs(mm) <= LARGEST_NUMBER
    ]  # fmt: skip


def _unknown_names(rotor: Rotor, machine: Machine) -> list[Problem]:
    """Return what is said of adjusters that the rotor file does not know.

    Left out without a word, a radius beside a misspelt name would leave the plane with another.
    """
    places = {} if machine.bearings is None else machine.bearings.planes_at_mm
    known = rotor.adjuster_names
    return [
        Problem("fault", what, None, None, shown(name),
                one_of("an adjuster of the rotor file", name, known))
        for what, named in (("radius", machine.radius_mm), ("place along the shaft", places))
        for name in named
        if name not in known
    ]  # fmt: skip


def _validity(rotor: Rotor, correction: Correction, machine: Machine) -> list[str]:
    """Return what the answer rests on; raise CannotBeMet where there is none."""
    read_at = [
        (rotor.regimes[i % len(rotor.regimes)].rpm or rotor.rpm) for i in correction.channels
    ]
    fastest, critical = max(machine.rpm, *read_at), machine.first_critical_rpm
    if fastest >= critical:
        raise CannotBeMet(
            f"{fastest:g} rpm is at or above the first critical speed of {critical:g} rpm: the "
            "rotor does not behave as rigid there, and a residual unbalance from its readings "
            "means nothing. Take regimes below it, or balance by the readings alone"
        )
    if correction.poorly_known:
        raise CannotBeMet(
            "the coefficients of these planes are too poorly known to say what unbalance is left: "
            f"{correction.poorly_known}. Trial weights in each plane, or one plane alone, may do"
        )
    notes = []
    if fastest > NEAR_CRITICAL * critical:
        notes.append(
            f"{fastest:g} rpm is above 70 % of the first critical speed ({critical:g} rpm): the "
            "rotor begins to bend, and what is stated here may be wrong (common practice, no "
            "source)."
        )
    return notes
