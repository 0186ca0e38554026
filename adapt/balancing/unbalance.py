"""Unbalance by ISO 21940-11: what a grade permits, and what grade an unbalance is.

For rotors that behave as rigid: the highest speed stays below the first critical speed. Not for
the airworthiness limits of a helicopter's rotors, which are those of its maintenance manual.

Source: ISO 21940-11:2016, Mechanical vibration, Rotor balancing, Part 11: Procedures and tolerances
for rotors with rigid behaviour; clause numbers are left out because all of it is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem

__all__ = [
    "GRADES",
    "LEAST_OF_ONE",
    "MOST_OF_BOTH",
    "bearing_shares",
    "grade_of",
    "named_grade",
    "not_positive",
    "permissible_g_mm",
    "require_positive",
]

# Grades G: e_per * omega [mm/s], ISO 21940-11:2016, table 1, from memory (steps of a factor 2.5).
GRADES: tuple[float, ...] = (
    0.4, 1.0, 2.5, 6.3, 16.0, 40.0, 100.0, 250.0, 630.0, 1600.0, 4000.0,
)  # fmt: skip
# What one bearing's tolerance may be at least and at most, as a share of the whole, with the centre
# of mass between the bearings and outside them (ISO 21940-11:2016, from memory).
_BETWEEN, _OUTSIDE = (0.3, 0.7), (0.3, 1.3)
LEAST_OF_ONE = min(_BETWEEN[0], _OUTSIDE[0])
"""The least share of the whole that one bearing is permitted, wherever the centre of mass is."""
MOST_OF_BOTH = max(sum(_BETWEEN), sum(_OUTSIDE))
"""The most that both are permitted together: shares kept within bounds may exceed the whole."""

SMALLEST = 1e-9  # of a mass, a length or a speed here: what is less is a slip, and 1 / it overflows
_USUAL = f"a number above 0, {SMALLEST:g} to {LARGEST_NUMBER:g}"


def permissible_g_mm(grade: float, mass_kg: float, rpm: float) -> float:
    """Return the permissible residual unbalance U_per [g mm] of a grade G [mm/s].

    By definition e_per * omega = G and U_per = m * e_per (ISO 21940-11:2016, from memory), so

        U_per = 1000 * 60 / (2 pi) * G * m / n = 9549.3 * G * m / n

    mass_kg: mass of the rotor. rpm: highest speed in service n [1/min]. Range: all above 0; raises
    BadInput otherwise.

    >>> round(permissible_g_mm(6.3, 40.0, 3000.0), 1)
    802.1
    """
    require_positive({"grade": grade, "mass [kg]": mass_kg, "speed [rpm]": rpm})
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
    require_positive({"distance between bearings [mm]": span_mm})
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


def require_positive(numbers: Mapping[str, float]) -> None:
    """Raise BadInput with every number, by what it is, that is not above 0 and finite."""
    problems = not_positive(numbers)
    if problems:
        raise BadInput(problems)


def not_positive(numbers: Mapping[str, float]) -> list[Problem]:
    """Return a problem for each number, by what it is, that is not above 0 and of a usual size.

    >>> [str(p) for p in not_positive({"mass [kg]": 0.0, "radius [mm]": 110.0})]
    ['mass [kg]: found 0; expected a number above 0']
    """
    return [
        Problem("fault", name, None, None, "nothing" if math.isnan(value) else f"{value:g}",
                "a number above 0" if not value > 0.0 else _USUAL)
        for name, value in numbers.items()
        if not SMALLEST <= value <= LARGEST_NUMBER
    ]  # fmt: skip
