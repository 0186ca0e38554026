"""Amplitude and clock angle to complex numbers and back, and vibration units.

Numbers and text only: which cell of which file they stand in is the business of `tables`.

A reading is z = amplitude * exp(i * phase), phase [deg] = the angle by which the peak lags the
phase reference, in the direction of rotation; a phase of order n is in degrees of that order.
"""

from __future__ import annotations

import math
import re
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from adapt.problems import AdaptError, shown

__all__ = [
    "CLOCK_EXPECTED",
    "LARGEST_NUMBER",
    "STANDARD_GRAVITY",
    "ClockError",
    "canonical_unit",
    "clock_text",
    "clock_to_deg",
    "convert_unit",
    "from_lag",
    "phase_deg",
    "to_complex",
    "to_lag",
]

DEG_PER_HOUR = 30.0
DEG_PER_MINUTE = 0.5
MM_PER_INCH = 25.4  # exact by definition of the international inch (1959)
STANDARD_GRAVITY = 9.80665  # [m/s^2], exact: 3rd General Conference on Weights and Measures, 1901
# Nothing on a rotor is larger in any unit: what is, is a slip, and squares stay finite.
LARGEST_NUMBER = 1e12
CLOCK_EXPECTED = "a clock angle h:mm, 0:00 to 12:59"

_UNIT_NAMES = {
    **dict.fromkeys(["ips", "in/s", "in/sec", "inch/s"], "ips"),
    **dict.fromkeys(["mm/s", "mm/sec"], "mm/s"),
    "g": "g",
}
# Day zero of spreadsheets, as they and the libraries that read them write it before a time.
_DATE = r"(?:(?:1899-12-3[01]|1900-01-0[01]|1904-01-01)[T ])?"
_CLOCK = re.compile(
    rf"{_DATE}(\d{{1,2}}):(\d{{2}})(?::(\d{{2}})(?:\.0+)?)?(?:\s*([AaPp])\.?[Mm]\.?)?", re.ASCII
)
_FRACTION = re.compile(
    r"0?\.\d{3,}(?:[eE]-0?[12])?|[1-9](?:\.\d+)?[eE]-0?[1-4]|0(?:\.0+)?", re.ASCII
)
_MINUTE_TOLERANCE = 0.005  # [min]: a fraction of a day written with six decimals is this good


class ClockError(AdaptError, ValueError):
    """Text that is not a clock angle."""


def to_complex(amplitude: npt.ArrayLike, phase_deg: npt.ArrayLike) -> Any:
    """Return amplitude * exp(i * phase); scalars give a scalar.

    Quarter turns are exact: a phase of 180 deg has no imaginary part.

    >>> complex(to_complex(0.4, 90))
    0.4j
    """
    a, phase = np.asarray(amplitude, dtype=float), np.asarray(phase_deg, dtype=float)
    turned = np.mod(phase, 360.0)
    quarter = np.where(np.isnan(turned), 0.0, np.round(turned / 90.0))
    rest = np.deg2rad(turned - 90.0 * quarter)
    exact = np.array([1, 1j, -1, -1j])[np.mod(quarter, 4).astype(int)]
    return (a * ((np.cos(rest) + 1j * np.sin(rest)) * exact))[()]


def phase_deg(value: npt.ArrayLike) -> Any:
    """Return the phase [deg] of complex values, from 0 up to but not including 360.

    >>> float(phase_deg(-2j))
    270.0
    """
    phase = np.mod(np.rad2deg(np.angle(np.asarray(value, dtype=complex))), 360.0)
    return np.where(phase >= 360.0, 0.0, phase)[()]


def to_lag(value: npt.ArrayLike, convention: str) -> Any:
    """Return readings of a sensor's own convention ("lag" or "lead") as lag: lead is conjugated.

    >>> complex(to_lag(1j, "lead"))
    -1j
    """
    if convention not in ("lag", "lead"):
        raise AdaptError(f"a phase is 'lag' or 'lead', not {shown(convention)}")
    z = np.asarray(value, dtype=complex)
    return (z if convention == "lag" else np.conj(z))[()]


def from_lag(value: npt.ArrayLike, convention: str) -> Any:
    """Return lag readings in a sensor's own convention; the same turn as `to_lag`.

    >>> float(phase_deg(from_lag(to_complex(1.0, 30.0), "lead")))
    330.0
    """
    return to_lag(value, convention)


def clock_to_deg(text: str) -> float:
    """Return the phase [deg] of a clock angle h:mm: 12 hours are one turn.

    What a spreadsheet makes of h:mm is read as what was meant: a time with seconds 0, AM or PM, a
    date before it, or a fraction of a day that is a whole number of minutes and has at least three
    decimals (0.5 and 0.1 may be hours, so they are not read). Raises ClockError for anything else,
    bare numbers included.

    >>> clock_to_deg("4:20"), clock_to_deg("10:15"), clock_to_deg("12:00"), clock_to_deg("0:30")
    (130.0, 307.5, 0.0, 15.0)
    >>> clock_to_deg("04:20:00 AM"), clock_to_deg("12:30:00 PM"), clock_to_deg("0.180556")
    (130.0, 15.0, 130.0)
    """
    cell = text.strip()
    match = _CLOCK.fullmatch(cell)
    if match:
        hours, minutes = int(match[1]), int(match[2])
        half_day = (match[4] or "").lower()
        # A spreadsheet shows 12:30 as 12:30 PM and 4:20 as 4:20 AM; 4:20 PM was typed as 16:20.
        right_half = not half_day or (hours == 12 or (half_day == "a" and 1 <= hours <= 11))
        if hours <= 12 and minutes <= 59 and int(match[3] or 0) == 0 and right_half:
            return math.fmod(hours * DEG_PER_HOUR + minutes * DEG_PER_MINUTE, 360.0)
    elif len(cell) < 40 and _FRACTION.fullmatch(cell):
        minutes_of_day = float(cell) * 1440.0
        whole = round(minutes_of_day)
        if abs(minutes_of_day - whole) <= _MINUTE_TOLERANCE and whole < 13 * 60:
            return math.fmod(whole * DEG_PER_MINUTE, 360.0)
    raise ClockError(f"{shown(text)} is not {CLOCK_EXPECTED}")


def clock_text(phase: float) -> str:
    """Return a phase [deg] as a clock angle, rounded to whole minutes of clock; 12:00 for 0.

    >>> clock_text(130.0), clock_text(307.5), clock_text(0.0), clock_text(359.9), clock_text(-30.0)
    ('4:20', '10:15', '12:00', '12:00', '11:00')
    """
    if not math.isfinite(phase):
        raise ClockError(f"{phase} deg has no clock angle")
    # Half a minute rounds up, whatever the float: people check these by hand.
    minutes = math.floor(math.fmod(phase, 360.0) / DEG_PER_MINUTE + 0.5) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def canonical_unit(text: str) -> str | None:
    """Return "ips", "mm/s" or "g" for the ways of writing them, None for any other unit.

    >>> canonical_unit("IPS"), canonical_unit("in/sec"), canonical_unit("mils")
    ('ips', 'ips', None)
    """
    return _UNIT_NAMES.get("".join(text.split()).casefold())


def convert_unit(
    value: npt.ArrayLike,
    unit: Literal["ips", "mm/s", "g"] | str,
    wanted: Literal["ips", "mm/s", "g"] | str,
    rpm: float | None = None,
    order: int | None = None,
) -> Any:
    """Return complex readings (lag, peak) in another unit.

    unit, wanted: "ips", "mm/s" or "g". rpm [1/min] and order are needed between velocity and
    acceleration: with w = 2 pi order rpm / 60 a velocity A cos(w t - phase) has the acceleration
    A w cos(w t - (phase - 90 deg)), so acceleration lags 90 deg of that order less. Raises
    AdaptError for an unknown unit or a missing speed or order.

    >>> complex(convert_unit(1 + 0j, "ips", "mm/s"))
    (25.4+0j)
    """
    for name in (unit, wanted):
        if name not in ("ips", "mm/s", "g"):
            raise AdaptError(f"{shown(name)} is not a vibration unit (ips, mm/s or g)")
    z = np.asarray(value, dtype=complex)
    if unit == wanted:
        return z[()]
    if "g" not in (unit, wanted):
        if unit == "ips":
            return (z * MM_PER_INCH)[()]
        # Part by part, because complex division makes 25.4 / 25.4 a little less than 1.
        return (z.real / MM_PER_INCH + 1j * (z.imag / MM_PER_INCH))[()]
    if rpm is None or order is None or not (math.isfinite(rpm) and rpm > 0 and order >= 1):
        raise AdaptError(f"{unit} to {wanted} needs the speed [rpm] and the order of the reading")
    w = 2.0 * math.pi * order * rpm / 60.0
    mm_per_unit = MM_PER_INCH if "ips" in (unit, wanted) else 1.0
    g_per_velocity = -1j * w * mm_per_unit / 1000.0 / STANDARD_GRAVITY
    return (z * g_per_velocity if wanted == "g" else z / g_per_velocity)[()]
