"""How numbers and names are worded for people: readings, amounts, chances, dates, counts.

Text only; nothing here computes a result. How the reader writes decimals and dates is said for a
context (`written_as`), because it is the same for all that is worded for one reader.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from adapt import phasor

__all__ = [
    "Written",
    "amplitude",
    "amplitude_at_clock",
    "bar",
    "chance_in_words",
    "count",
    "date",
    "date_and_time",
    "height",
    "how_written",
    "joined",
    "number",
    "own_phase_deg",
    "percent",
    "printable",
    "share",
    "share_between",
    "shortest",
    "signed",
    "sure_digits",
    "track_decimals",
    "vibration_decimals",
    "written_as",
]

NOTHING = "-"


@dataclass(frozen=True)
class Written:
    """How a reader writes. decimal: the sign; dates: which part stands first."""

    decimal: Literal[".", ","] = "."
    dates: Literal["year", "day", "month"] = "year"


_USUAL = Written()
_written: ContextVar[Written] = ContextVar("written", default=_USUAL)
_DATES = {"year": "%Y-%m-%d", "day": "%d.%m.%Y", "month": "%m/%d/%Y"}


def how_written() -> Written:
    """Return how the reader writes for whom things are worded now."""
    return _written.get()


@contextmanager
def written_as(how: Written) -> Iterator[None]:
    """Word all within as a reader writes it.

    >>> with written_as(Written(",", "day")):
    ...     number(0.25), amplitude_at_clock(0.25j), date_and_time("2025-03-02T14:10")
    ('0,25', '0,250 @  3:00', '02.03.2025 14:10')
    """
    token = _written.set(how)
    try:
        yield
    finally:
        _written.reset(token)


def _decimal(text: str) -> str:
    return text if _written.get().decimal == "." else text.replace(".", ",")


def own_phase_deg(value: complex, phase: Literal["lag", "lead"]) -> float:
    """Return the phase [deg, 0..360) that the sensor's instrument would show for a lag phasor.

    >>> own_phase_deg(1j, "lag"), own_phase_deg(1j, "lead")
    (90.0, 270.0)
    """
    return float(phasor.phase_deg(phasor.from_lag(value, phase)))


def amplitude(value: complex | float | None, decimals: int = 3) -> str:
    """Return an amplitude; a dash where there is none.

    >>> amplitude(3 + 4j, 2), amplitude(None)
    ('5.00', '-')
    """
    if value is None or not cmath.isfinite(value):
        return NOTHING
    return _decimal(f"{abs(value):.{decimals}f}")


def amplitude_at_clock(
    value: complex | None, phase: Literal["lag", "lead"] = "lag", decimals: int = 3
) -> str:
    """Return amplitude and clock angle in the sensor's own convention, clocks lined up.

    >>> amplitude_at_clock(0.25j), amplitude_at_clock(0.25j, "lead")
    ('0.250 @  3:00', '0.250 @  9:00')
    """
    if value is None or not cmath.isfinite(value):
        return NOTHING
    return f"{amplitude(value, decimals)} @ {phasor.clock_text(own_phase_deg(value, phase)):>5}"


def number(value: float | None, decimals: int = 2) -> str:
    """Return a number; a dash where there is none, and no minus before a zero.

    >>> number(-0.001), number(float("nan"))
    ('0.00', '-')
    """
    if value is None or math.isnan(value):
        return NOTHING
    if math.isinf(value):
        return "no end" if value > 0 else "-no end"
    return _decimal(f"{round(value, decimals) + 0.0:.{decimals}f}")


def shortest(value: float) -> str:
    """Return a number with no more digits than it has.

    >>> shortest(0.2), shortest(3.0)
    ('0.2', '3')
    """
    return _decimal(f"{value:g}")


def height(value: float | None, decimals: int = 1) -> str:
    """Return a blade's height with its sign; a dash where there is none.

    >>> height(-0.04), height(2.55, 2), height(None)
    ('+0.0', '+2.55', '-')
    """
    if value is None or math.isnan(value):
        return NOTHING
    return _decimal(f"{round(value, decimals) + 0.0:+.{decimals}f}")


def signed(value: float, step: float) -> str:
    """Return a signed amount with as many decimals as the hardware's step has.

    >>> signed(40.0, 20.0), signed(-1.5, 0.25), signed(0.3, 0.1)
    ('+40', '-1.50', '+0.3')
    """
    return _decimal(f"{value:+.{sure_digits(step)}f}")


def sure_digits(step: float) -> int:
    """Return the decimals that a multiple of `step` needs, at most 6.

    >>> sure_digits(20.0), sure_digits(0.125), sure_digits(1 / 6)
    (0, 3, 6)
    """
    return next((d for d in range(6) if abs(step - round(step, d)) < 1e-9), 6)


def vibration_decimals(unit: str) -> int:
    """Return the decimals that a reading in a unit is shown with: about a tenth of its scatter."""
    return 2 if unit == "mm/s" else 3


def track_decimals(unit: str | None) -> int:
    """Return the decimals that a blade height in a unit is shown with."""
    return 1 if unit == "mm" else 2


def percent(chance: float | None) -> str:
    """Return a chance in whole per cent; no prediction is certain, and none is impossible.

    Rounded down, so that a chance short of what was asked for never reads as if it were reached.

    >>> percent(0.923), percent(0.8999), percent(0.9999), percent(0.0001), percent(1.0)
    ('92 %', '89 %', '>99 %', '<1 %', '>99 %')
    """
    if chance is None or math.isnan(chance):
        return NOTHING
    if chance >= 0.995:
        return ">99 %"
    whole = math.floor(100 * chance + 1e-9)
    return f"{whole} %" if whole else "<1 %"


def share(value: float | None) -> str:
    """Return a share or a skill in whole per cent, which may be below zero.

    >>> share(0.876), share(-0.2), share(None)
    ('88 %', '-20 %', '-')
    """
    return NOTHING if value is None or math.isnan(value) else f"{round(100 * value)} %"


def share_between(value: float | None, low: float | None, high: float | None) -> str:
    """Return a share with its interval.

    >>> share_between(0.876, 0.8, 0.93), share_between(0.5, None, None)
    ('88 % (80..93)', '50 %')
    """
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return share(value)
    return f"{share(value)} ({round(100 * low)}..{round(100 * high)})"


def chance_in_words(chance: float) -> str:
    """Return a chance as people say it, "about 9 in 10".

    >>> [chance_in_words(c) for c in (0.999, 0.93, 0.905)]
    ['more than 99 in 100', 'about 93 in 100', 'about 9 in 10']
    >>> [chance_in_words(c) for c in (0.5, 0.04, 0.002)]
    ['about 5 in 10', 'about 4 in 100', 'less than 1 in 100']
    """
    if math.isnan(chance):
        return "not known"
    if chance > 0.99:
        return "more than 99 in 100"
    if chance < 0.01:
        return "less than 1 in 100"
    hundredths = math.floor(100 * chance + 1e-9)
    tenths = round(hundredths / 10)
    if abs(10 * tenths - hundredths) <= (1 if chance > 0.85 else 4) and 0 < tenths < 10:
        return f"about {tenths} in 10"
    return f"about {hundredths} in 100"


def bar(ratio: float | None, width: int = 8) -> str:
    """Return a bar of a reading against its limit: full = at the limit, "!" = over it.

    >>> bar(0.5), bar(1.0), bar(1.3), bar(0.02)
    ('####....', '########', '########!', '#.......')
    """
    if ratio is None or math.isnan(ratio):
        return ""
    if ratio > 1.0 + 1e-9:
        return "#" * width + "!"
    filled = max(1 if ratio > 0 else 0, math.floor(ratio * width + 1e-9))
    return "#" * filled + "." * (width - filled)


def count(n: int, one: str, many: str | None = None) -> str:
    """Return "1 move" or "3 moves".

    >>> count(1, "move"), count(0, "move"), count(2, "entry", "entries")
    ('1 move', '0 moves', '2 entries')
    """
    return f"{n} {one if n == 1 else many or one + 's'}"


def joined(words: list[str] | tuple[str, ...]) -> str:
    """Return "a, b and c".

    >>> joined(["a", "b", "c"]), joined(["a"]), joined([])
    ('a, b and c', 'a', '')
    """
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def date_and_time(moment: Any) -> str:
    """Return a time stamp as "2025-03-02 14:10"; "an unknown date" where it is missing.

    >>> import datetime
    >>> date_and_time(datetime.datetime(2025, 3, 2, 14, 10)), date_and_time(None)
    ('2025-03-02 14:10', 'an unknown date')
    """
    if moment is None or moment != moment:
        return "an unknown date"
    if not hasattr(moment, "strftime"):
        try:
            moment = datetime.fromisoformat(str(moment).strip())
        except ValueError:
            return str(moment).replace("T", " ")[:16]
    day = _DATES[_written.get().dates]
    return str(moment.strftime(f"{day} %H:%M" if moment.hour or moment.minute else day))


def date(moment: datetime) -> str:
    """Return a date without its time.

    >>> with written_as(Written(",", "day")):
    ...     date(datetime(2025, 3, 2, 14, 10))
    '02.03.2025'
    """
    return moment.strftime(_DATES[_written.get().dates])


def printable(text: str) -> str:
    r"""Return text from a file without what could steer a terminal or break a page.

    >>> printable("blade \x1b[2J A")
    'blade ?[2J A'
    """
    return "".join(c if c.isprintable() else "?" for c in text)
