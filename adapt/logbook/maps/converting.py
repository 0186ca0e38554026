"""Different texts of a column turned into those of the log: names, numbers, phases, moments.

Each different text is converted once, however many rows hold it. Where the texts come from, and
what becomes of rows, stands in `filling` and `applying`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from adapt.logbook.maps.units import unit_name
from adapt.logbook.maps.values import Moment, Names, Turn, Way
from adapt.phasor import CLOCK_EXPECTED, ClockError, clock_text, clock_to_deg
from adapt.problems import one_of
from adapt.tables import Column, Table

__all__ = ["MOST_PHASE_DEG", "Writing", "converted"]

LONGEST_SEARCHED = 1_000  # characters of a cell in which a part is looked for
MOST_PHASE_DEG = 720
_WITH_UNIT = re.compile(r"(.*?[0-9.,])\s*([^\d\s.,+\-][^\d\s]{0,9})", re.DOTALL)
_CLOCK = re.compile(r"(0?[1-9]|1[0-2]):[0-5]\d", re.ASCII)
_FROM_CELLS = re.compile(
    r"(\d{4}-\d\d-\d\d)(?:T00:00:00)?[ T](?:1899-12-3[01]T)?(\d{1,2}):(\d\d)(:\d\d)?", re.ASCII
)

_FREE = ("note", "excluded")  # columns of people's own words

Converted = tuple[list[str], dict[int, str]]


@dataclass(frozen=True)
class Writing:
    """How the cells of a source are written: as the flags of a `Table`; and whether in a workbook.

    A workbook's dates come as ISO 8601, whatever its spreadsheet shows.
    """

    decimal_comma: bool = False
    comma_seen: bool = False
    workbook: bool = False


def converted(
    way: Way, column: str, texts: Sequence[str], number: bool, writing: Writing
) -> Converted:
    """Return the texts of the log, and by position what was expected where one cannot be turned.

    column: of the log. number: whether it holds numbers. An empty cell stays empty, unless the map
    translates it.
    """
    result, wrong = list(texts), dict[int, str]()
    if way.names:
        result, wrong = _each(result, lambda text: _named(way.names, text), wrong, empty=True)
    if way.turn is not None:
        turn = way.turn
        numbers = (
            [text.replace(",", ".") if writing.decimal_comma else text for text in result]
            if turn.written == "clock"
            else _numbers(result, "h" if turn.written == "hours" else "deg", writing)
        )
        return _each(numbers, lambda text: _turned(turn, text, column == "clock"), wrong)
    if way.moment is not None:
        moment = way.moment
        return _each(result, lambda text: _moment(moment, text, writing.workbook), wrong)
    if number:
        scale = way.scale
        numbers = _numbers(result, None if scale is None else scale.unit, writing)

        def scaled(text: str) -> str:
            if text == _NO_NUMBER:
                raise _WrongError("a number")
            return text if scale is None else scale.convert(text)

        return _each(numbers, scaled, wrong)
    return result if column in _FREE else _each(result, _one_line, wrong)[0], wrong


_NO_NUMBER = "\x00"  # no cell can hold it


class _WrongError(Exception):
    """A text that cannot be turned; its argument says what was expected."""


def _each(
    texts: Sequence[str], turn: Callable[[str], str], wrong: dict[int, str], empty: bool = False
) -> Converted:
    """Return what `turn` makes of every text that is not wrong yet; of empty ones where asked."""
    result = []
    for i, text in enumerate(texts):
        if i in wrong:
            result.append("")
            continue
        try:
            result.append(turn(text) if text or empty else "")
        except _WrongError as error:
            wrong[i] = str(error)
            result.append("")
    return result, wrong


def _one_line(text: str) -> str:
    """Refuse a name with a line end: a quote that was never closed swallows rows."""
    if "\n" in text or "\r" in text:
        raise _WrongError("a name of one line (a quote that was opened and not closed?)")
    return text


def _named(names: Names, text: str) -> str:
    """Return the name of the log for one of the source."""
    if names.part is not None and text:
        if len(text) > LONGEST_SEARCHED:
            raise _WrongError(f"a cell of at most {LONGEST_SEARCHED} characters to take a part of")
        found = names.part.found_in(text)
        if found is None or not found[1]:
            raise _WrongError(f"a text in which the map's part {names.part.text!r} is found")
        text = found[1].strip()
    if names.means is not None and (text or "" in names.means):
        if text in names.means:
            text = names.means[text]
        elif not names.keep_unknown:
            raise _WrongError(one_of("a name that the map translates", text, names.means))
    if names.one_less and text:
        if not (text.isascii() and text.isdecimal() and len(text) <= 15 and int(text) > 0):
            raise _WrongError("a whole number above 0, of which the one before is meant")
        text = str(int(text) - 1).zfill(len(text) if text.startswith("0") else 1)
    return f"{names.prefix}{text}{names.suffix}" if text else ""


def _numbers(texts: Sequence[str], unit: str | None, writing: Writing) -> list[str]:
    """Return numbers with a decimal point, _NO_NUMBER for a text that is none, "" for nothing.

    Which texts are numbers is said by `Table.numbers`. The unit may stand behind one.
    """
    plain = [_without_unit(text, unit) for text in texts]
    at = np.arange(len(plain), dtype=np.intp)
    column = Column("number", at, tuple(plain))
    table = Table(
        "", {"number": column}, at.astype(np.int64), writing.decimal_comma, writing.comma_seen
    )
    _, wrong = table.numbers("number")
    return [
        _NO_NUMBER if bad else text.replace("\u2212", "-").replace(",", ".").removeprefix("+")
        for text, bad in zip(plain, wrong.tolist(), strict=True)
    ]


def _without_unit(text: str, unit: str | None) -> str:
    if unit is None or not text or text[-1].isdigit():
        return text
    match = _WITH_UNIT.fullmatch(text[:60])
    said = unit_name(match[2]) if match else ""
    hours = unit == "h" and said in ("h", "hr", "hrs", "hours")
    return match[1] if match and (said == unit or hours) else text


def _turned(turn: Turn, text: str, as_clock: bool) -> str:
    """Return a phase as the log has it: a clock angle, or degrees."""
    try:
        phase = _degrees(turn, text)
    except ClockError:
        raise _WrongError(CLOCK_EXPECTED) from None
    if as_clock:
        if not turn.moves and _CLOCK.fullmatch(text):
            return text
        return clock_text(float(_after(turn, phase)))
    kept = not turn.moves and turn.written == "degrees" and 0 <= phase < 360
    if kept:
        return text
    written = f"{_after(turn, phase):f}"
    written = written.rstrip("0").rstrip(".") if "." in written else written
    return "0" if written == "-0" else written


def _degrees(turn: Turn, text: str) -> Decimal:
    if turn.written == "clock":
        return Decimal(repr(clock_to_deg(text)))
    hours = turn.written == "hours"
    number = None if text == _NO_NUMBER else Decimal(text)
    if hours and number is not None and 0 <= number < 13:
        return number * 30
    if not hours and number is not None and abs(number) <= MOST_PHASE_DEG:
        return number
    raise _WrongError(
        "hours of the clock, 0 to 12.99"
        if hours
        else f"degrees from -{MOST_PHASE_DEG} to {MOST_PHASE_DEG}"
    )


def _after(turn: Turn, phase: Decimal) -> Decimal:
    """Return a phase turned, from 0 up to but not including 360."""
    phase = (-phase if turn.reversed else phase) + Decimal(turn.offset_deg)
    return phase % 360 if phase >= 0 else (360 - (-phase) % 360) % 360


def _moment(moment: Moment, text: str, workbook: bool) -> str:
    """Return a date and time as ISO 8601."""
    when = None
    try:
        if moment.pattern is None:
            when = dt.datetime.fromisoformat(text)
        else:
            when = dt.datetime.strptime(text, moment.pattern)
    except ValueError:
        if workbook:
            when = _from_cells(text)
    if when is None:
        raise _WrongError(
            "a date and time as in 2024-05-31T14:20 (ISO 8601)"
            if moment.pattern is None
            else f"a date and time written as {moment.pattern!r}, as in "
            f"{dt.datetime(2024, 5, 31, 14, 20).strftime(moment.pattern)!r}"
        )
    whole = when.second == 0 and when.microsecond == 0
    written = when.isoformat(timespec="minutes" if whole else "auto")
    return written if when.tzinfo is not None else written + moment.utc_offset


def _from_cells(text: str) -> dt.datetime | None:
    """Return the moment of a workbook's date, or of its date and its time joined by a blank."""
    try:
        if match := _FROM_CELLS.fullmatch(text):
            hour = int(match[2])
            text = f"{match[1]}T{hour:02d}:{match[3]}{match[4] or ''}"
        return dt.datetime.fromisoformat(text)
    except ValueError:
        return None
