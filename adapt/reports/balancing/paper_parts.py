"""What the words of a paper chart are made of: parts, and how names and readings stand in them."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from adapt.balancing.paper.axes import Axis
from adapt.phasor import clock_text, phase_deg
from adapt.reports.wording import vibration_decimals

__all__ = ["Part", "axis_text", "capital", "reading_text", "short"]

LONGEST_NAME = 36


@dataclass(frozen=True)
class Part:
    """A heading, sentences under it, and rows of cells before them (the first row is the head)."""

    heading: str
    sentences: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...] = ()
    numbered: bool = False
    urgent: bool = False


def reading_text(value: complex, unit: str) -> str:
    """Return a reading of the sensor's own convention in words.

    >>> reading_text(0.25j, "ips")
    '0.250 ips @ 3:00'
    """
    digits = vibration_decimals(unit)
    return f"{abs(value):.{digits}f} {unit} @ {clock_text(float(phase_deg(value)))}"


def short(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name as it fits on the page: on one line, its middle left out where it is long.

    >>> short("cabin lateral"), short("a" * 40, 12)
    ('cabin lateral', 'aaaaaaa...aa')
    """
    plain = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in name)
    if len(plain) <= longest:
        return plain
    tail = longest // 5
    return f"{plain[: longest - tail - 3]}...{plain[len(plain) - tail :]}"


def axis_text(axis: Axis) -> str:
    """Return an axis in words."""
    return f"{short(axis.adjuster)} on blade {short(axis.blade)}"


def capital(text: str) -> str:
    """Return a sentence with a capital at its start."""
    return text[:1].upper() + text[1:]
