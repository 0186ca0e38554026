"""Cells of tables of effects: one amount of an adjuster, amplitude at clock, intervals, turns.

Text of numbers that `coefficients.summary` worked out; nothing here computes a result.
"""

from __future__ import annotations

import math

import numpy as np

from adapt.coefficients import Coefficients
from adapt.phasor import clock_text
from adapt.reports.wording import NOTHING, number
from adapt.rotor import Adjuster

__all__ = [
    "amount_text",
    "at_clock",
    "clock_spread",
    "gain_text",
    "height",
    "interval",
    "readable_amount",
    "turn",
    "turn_text",
]

DEG_PER_MINUTE = 0.5  # of clock: twelve hours are one turn


def readable_amount(learned: Coefficients, adjuster: Adjuster) -> float:
    """Return 1, 10, 100, ...: the amount whose effects read well, within what a blade may carry."""
    effects = np.abs(learned.type_.mean[:, learned.adjusters.index(adjuster.name)])
    known = effects[np.isfinite(effects)]
    typical = float(np.median(known)) if known.size else 1.0
    low, high = adjuster.fitted_range
    per = 1.0
    while typical * per < 0.02 and per * 10 <= 0.5 * (high - low):
        per *= 10
    return per


def amount_text(per: float, adjuster: Adjuster) -> str:
    """Return "100 g", or the unit alone for one of it."""
    return f"{per:g} {adjuster.unit}" if per != 1 else adjuster.unit


def at_clock(amplitude: float, phase_deg: float, decimals: int, any_phase: bool = False) -> str:
    """Return an amplitude at its clock angle, "any" where any phase is possible, a dash for none.

    >>> at_clock(0.25, 130.0, 3), at_clock(0.001, 130.0, 3, any_phase=True)
    ('0.250 @  4:20', '0.001 @   any')
    """
    if math.isnan(amplitude):
        return NOTHING
    clock = "any" if any_phase else NOTHING if math.isnan(phase_deg) else clock_text(phase_deg)
    return f"{amplitude:.{decimals}f} @ {clock:>5}"


def clock_spread(low_deg: float, high_deg: float) -> str:
    """Return half the interval between two phases as clock, "±0:17"; nothing for any phase.

    >>> clock_spread(350.0, 7.0), clock_spread(0.0, 360.0)
    ('±0:17', '')
    """
    if math.isnan(low_deg) or high_deg - low_deg >= 360.0:
        return ""
    minutes = math.ceil(((high_deg - low_deg) % 360.0) / 2.0 / DEG_PER_MINUTE - 1e-9)
    return f"±{minutes // 60}:{minutes % 60:02d}"


def interval(low: float, high: float, decimals: int, sign: bool = False) -> str:
    """Return an interval; never shown as shorter than it is by more than rounding.

    >>> interval(0.0461, 0.0617, 3), interval(-0.1, 0.4, 1, sign=True)
    ('0.046-0.062', '-0.1 to +0.4')
    """
    if math.isnan(low) or math.isnan(high):
        return NOTHING
    if sign:
        return f"{low:+.{decimals}f} to {high:+.{decimals}f}"
    return f"{low:.{decimals}f}-{high:.{decimals}f}"


def height(value: float, decimals: int = 2) -> str:
    """Return a signed blade height."""
    return NOTHING if math.isnan(value) else f"{value:+.{decimals}f}"


def turn(degrees: float) -> str:
    """Return a signed turn in whole degrees, no minus before a zero.

    >>> turn(-0.4), turn(12.6)
    ('+0', '+13')
    """
    return NOTHING if math.isnan(degrees) else f"{round(degrees) + 0:+d}"


def gain_text(gain: float, low: float, high: float) -> str:
    """Return a gain with half its interval.

    >>> gain_text(1.02, 0.98, 1.06)
    '1.02 ±0.04'
    """
    return NOTHING if math.isnan(gain) else f"{number(gain)} ±{(high - low) / 2:.2f}"


def turn_text(degrees: float, low: float, high: float) -> str:
    """Return a turn with half its interval; "any" where any turn is possible.

    >>> turn_text(-5.9, -7.5, -4.3), turn_text(10.0, -170.0, 190.0)
    ('-6 ±2', 'any')
    """
    if math.isnan(degrees):
        return NOTHING
    half = (high - low) / 2
    return "any" if half >= 180.0 - 1e-9 else f"{turn(degrees)} ±{math.ceil(half - 1e-9)}"
