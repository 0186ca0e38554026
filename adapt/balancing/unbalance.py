"""Unbalance by ISO 21940-11: what a grade permits, what a correction leaves, what grade that is.

For rotors that behave as rigid: the highest speed stays below the first critical speed. Not for
the airworthiness limits of a helicopter's rotors, which are those of its maintenance manual.

Source: ISO 21940-11:2016, Mechanical vibration, Rotor balancing, Part 11: Procedures and tolerances
for rotors with rigid behaviour; clause numbers are left out because all of it is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from adapt.balancing.grams import grams_per_unit, weights_of
from adapt.balancing.trial.correction import Correction
from adapt.coefficients.intervals import amplitude_interval
from adapt.problems import BadInput, CannotBeMet, Problem
from adapt.rotor import Rotor

__all__ = [
    "GRADES",
    "Bearings",
    "Machine",
    "PlaneUnbalance",
    "Residual",
    "bearing_shares",
    "grade_of",
    "named_grade",
    "permissible_g_mm",
    "residual_unbalance",
]

# Grades G: e_per * omega [mm/s], ISO 21940-11:2016, table 1, from memory (steps of a factor 2.5).
GRADES: tuple[float, ...] = (
    0.4, 1.0, 2.5, 6.3, 16.0, 40.0, 100.0, 250.0, 630.0, 1600.0, 4000.0,
)  # fmt: skip
NEAR_CRITICAL = 0.7  # of the first critical speed (common practice, no source)
# What one bearing's tolerance may be at least and at most, as a share of the whole, with the centre
# of mass between the bearings and outside them (ISO 21940-11:2016, from memory).
_BETWEEN, _OUTSIDE = (0.3, 0.7), (0.3, 1.3)


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
    added, which is never less than their resultant. grade_mm_s: e * omega of it, with ends; meets:
    the named grade that even the high end meets, None = none. permissible_g_mm: by the grade asked
    for; inside: True = even the high end is inside, False = even the low end is not, None = not
    known or not asked. notes: what it rests on.
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


def permissible_g_mm(grade: float, mass_kg: float, rpm: float) -> float:
    """Return the permissible residual unbalance U_per [g mm] of a grade G [mm/s].

    By definition e_per * omega = G and U_per = m * e_per (ISO 21940-11:2016, from memory), so

        U_per = 1000 * 60 / (2 pi) * G * m / n = 9549.3 * G * m / n

    mass_kg: mass of the rotor. rpm: highest speed in service n [1/min]. Range: all above 0; raises
    BadInput otherwise.

    >>> round(permissible_g_mm(6.3, 40.0, 3000.0), 1)
    802.1
    """
    _require_positive({"grade": grade, "mass [kg]": mass_kg, "speed [rpm]": rpm})
    return 1000.0 * grade * mass_kg / (2.0 * math.pi * rpm / 60.0)


def grade_of(unbalance_g_mm: float, mass_kg: float, rpm: float) -> float:
    """Return e * omega [mm/s] of an unbalance [g mm]: the grade that just permits it.

    mass_kg, rpm [1/min]: as in `permissible_g_mm`, whose inverse this is; same range and errors.

    >>> round(grade_of(802.14, 40.0, 3000.0), 2)
    6.3
    """
    return unbalance_g_mm / permissible_g_mm(1.0, mass_kg, rpm)


def named_grade(grade_mm_s: float) -> float | None:
    """Return the finest named grade G [mm/s] that e * omega [mm/s] meets, None above the coarsest.

    >>> named_grade(5.1), named_grade(6.3), named_grade(0.0), named_grade(5000.0)
    (6.3, 6.3, 0.4, None)
    """
    if math.isnan(grade_mm_s):
        return None
    return next((g for g in GRADES if grade_mm_s <= g * (1.0 + 1e-9)), None)


def bearing_shares(span_mm: float, mass_at_mm: float) -> tuple[float, float]:
    """Return the shares of the permissible unbalance for the planes of bearings A and B.

    The share of one bearing is the distance of the centre of mass from the other over the span,
    kept within 0.3 to 0.7 with the centre of mass between the bearings, and within 0.3 to 1.3 with
    it outside (ISO 21940-11:2016, from memory). span_mm > 0, mass_at_mm: from A towards B. What is
    kept within bounds need not add up to 1. Raises BadInput outside of that range, and for a centre
    of mass that overhangs by more than the span, for which the rule is not known here.

    >>> [round(share, 3) for share in bearing_shares(600.0, 200.0)], bearing_shares(600.0, 60.0)
    ([0.667, 0.333], (0.7, 0.3))
    """
    _require_positive({"distance between bearings [mm]": span_mm})
    if not -span_mm <= mass_at_mm <= 2.0 * span_mm:
        raise BadInput(
            f"the centre of mass stands {mass_at_mm:g} mm from bearing A with the bearings "
            f"{span_mm:g} mm apart: it overhangs by more than the distance of the bearings, for "
            "which no allocation is given here; use the standard or the maker's own"
        )
    low, high = _BETWEEN if 0.0 <= mass_at_mm <= span_mm else _OUTSIDE
    share_a = min(max(abs(span_mm - mass_at_mm) / span_mm, low), high)
    share_b = min(max(abs(mass_at_mm) / span_mm, low), high)
    return share_a, share_b


def residual_unbalance(rotor: Rotor, correction: Correction, machine: Machine) -> Residual:
    """Return what unbalance the last run of a job shows, with its interval of 95 %.

    correction: what would take all of it away (`trial.correction`): the unbalance in a plane is the
    opposite of it, mass times radius. What is not known of the coefficients and of the level is in
    the interval; it is that of a normal law, linear in both errors.

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
    cov = correction.cov * np.outer(per_unit, per_unit)
    whole = (
        None
        if machine.grade is None
        else permissible_g_mm(machine.grade, machine.mass_kg, machine.rpm)
    )
    single = len(correction.planes) == 1
    planes = _planes(correction.planes, unbalance, cov, (whole if single else None,) * len(cov))
    bearings: tuple[PlaneUnbalance, ...] = ()
    if machine.bearings is not None:
        span = machine.bearings.span_mm
        at = np.array([machine.bearings.planes_at_mm[p] for p in correction.planes]) / span
        # Statics of a rigid shaft: what a force at `at` is at the two bearings.
        lever = np.stack([1.0 - at, at])
        shares = bearing_shares(span, machine.bearings.mass_at_mm)
        permitted = tuple(None if whole is None else share * whole for share in shares)
        seen = lever @ cov @ lever.T
        bearings = _planes(("bearing A", "bearing B"), lever @ unbalance, seen, permitted)
    total = [sum(getattr(p, end) for p in planes) for end in ("g_mm", "low_g_mm", "high_g_mm")]
    grades = [grade_of(u, machine.mass_kg, machine.rpm) for u in total]
    judged = [p for p in bearings or planes if p.permissible_g_mm is not None]
    inside = _verdict([(p.low_g_mm, p.high_g_mm, float(p.permissible_g_mm or 0)) for p in judged])
    if whole is not None and not judged:
        inside = _verdict([(total[1], total[2], whole)])
        notes.append(
            "The places of bearings and planes are not given: the amounts of the planes are added "
            "and held against the whole, which is never too kind."
        )
    return Residual(
        planes=planes,
        bearings=bearings,
        g_mm=total[0],
        low_g_mm=total[1],
        high_g_mm=total[2],
        grade_mm_s=grades[0],
        low_mm_s=grades[1],
        high_mm_s=grades[2],
        meets=named_grade(grades[2]),
        grade=machine.grade,
        permissible_g_mm=whole,
        inside=inside,
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


def _verdict(ends: list[tuple[float, float, float]]) -> bool | None:
    """Return whether all are inside, (low, high, permitted) each; None where it is not known."""
    if not ends:
        return None
    if all(high <= permitted for _, high, permitted in ends):
        return True
    return False if any(low > permitted for low, _, permitted in ends) else None


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
        for plane in correction.planes:
            # A plane may stand outside the bearings: any number will do.
            known = plane in machine.bearings.planes_at_mm
            numbers[f"place of {plane} along the shaft [mm]"] = 1.0 if known else math.nan
    _require_positive(numbers)


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
            f"{correction.poorly_known}"
        )
    notes = []
    if fastest > NEAR_CRITICAL * critical:
        notes.append(
            f"{fastest:g} rpm is above 70 % of the first critical speed ({critical:g} rpm): the "
            "rotor begins to bend, and what is stated here may be wrong (common practice, no "
            "source)."
        )
    return notes


def _require_positive(numbers: Mapping[str, float]) -> None:
    problems = [
        Problem("fault", "request", None, name, "nothing" if value != value else f"{value:g}",
                "a number above 0")
        for name, value in numbers.items()
        if not (math.isfinite(value) and value > 0.0)
    ]  # fmt: skip
    if problems:
        raise BadInput(problems)
