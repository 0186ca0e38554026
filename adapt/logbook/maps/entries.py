"""What a map says of one column of the log: the keys of its entry, read and checked.

Which sections and groups a map has is read in `reading`.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

from adapt.logbook.maps.expressions import Expression, expression
from adapt.logbook.maps.filling import header_name
from adapt.logbook.maps.units import MEASURED, QUANTITY_OF, Scale, scale_between, units_of
from adapt.logbook.maps.values import NUMBERS, Moment, Names, Origin, Turn, Way
from adapt.problems import AdaptError, one_of, shown
from adapt.sections import Section, Words, as_toml, finite, name_of

__all__ = ["ORIGINS", "Entry", "pattern_of", "texts_of", "translation_of", "way_of"]

ORIGINS = ("column", "columns", "text", "file_name", "sheet_name", "preamble")
_PHASES = ("clock", "phase_deg")
_SIGNED = ("height", "lag", "amount")
_SCALED = (*QUANTITY_OF, "rpm")
_FACTOR = re.compile(r"(\d+(?:\.\d+)?(?:e-?\d{1,2})?)(?:/(\d+(?:\.\d+)?))?", re.ASCII)
_OFFSET = re.compile(r"Z|[+-](?:0\d|1[0-4]):[0-5]\d", re.ASCII)


class Entry(Section):
    """A table inside a section: what is wrong in it is told at the line of its key."""

    def __init__(self, section: Section, key: str, values: Mapping[str, Any], inside: str = ""):
        super().__init__(section.book, section.part, section.place, values)
        self.key, self.inside = key, f"{key}{inside}"

    def wrong(self, key: str | None, found: object, expected: str) -> None:
        """Note one problem of this entry."""
        where = f"[[{self.part}]] {self.place}" if self.place else f"[{self.part}]"
        inside = f"{self.inside}.{shown(key)[1:-1]}" if key else self.inside
        words = found if isinstance(found, Words) else as_toml(found)
        self.book.note(self.part, self.place, self.key, f"{where}, key {inside}", words, expected)

    def plain(self, key: str) -> str | None:
        """Return a text as it stands, blanks included."""
        value = self.get(key)
        if value is None or (isinstance(value, str) and value.isprintable() and value):
            return value
        self.wrong(key, value, "text in quotes, of one line, that is not empty")
        return None


def way_of(
    entry: Entry, column: str, translations: Mapping[str, Mapping[str, str]], needed: bool = True
) -> Way | None:
    """Return how a column of the log is filled; what is wrong is noted.

    needed: whether the entry must say where it comes from.
    """
    before = len(entry.book.problems)
    origin = _origin(entry, needed)
    names = _names(entry, translations)
    if column == "after_run" and entry.flag("one_less"):
        names = replace(names, one_less=True)
    scale = turn = moment = None
    if column in _SCALED:
        scale = _scale(entry, column)
    elif column in _PHASES:
        turn = _turn(entry, column)
    elif column == "started":
        moment = _moment(entry)
    entry.close()
    if len(entry.book.problems) > before:
        return None
    return Way(origin, names, scale, turn, moment)


def _origin(entry: Entry, needed: bool) -> Origin | None:
    given: list[Any] = [key for key in ORIGINS if key in entry.values]
    for key in ORIGINS:
        entry.asked.append(key)
    if len(given) > 1:
        entry.wrong(given[1], Words(f"both {given[0]} and {given[1]}"), "one of them")
        return None
    joined_by = entry.plain("joined_by") if "columns" in entry.values else None
    if not given:
        if needed:
            expected = 'where it comes from, as in column = "Amp", or one of ' + ", ".join(ORIGINS)
            entry.wrong(None, Words("no origin"), expected)
        return None
    key = given[0]
    if key == "column":
        name = entry.text(key)
        return Origin("column", (name,)) if name and _is_header(entry, key, name) else None
    if key == "columns":
        names = entry.names(key, "column")
        if names is None or not all(_is_header(entry, key, name) for name in names):
            return None
        return Origin("column", names, joined_by if joined_by is not None else " ")
    if key == "text":
        text = entry.text(key)
        return Origin("text", text=text) if text is not None else None
    if entry.values[key] is not True:
        entry.wrong(key, entry.values[key], "true")
        return None
    return Origin(key)


def _is_header(entry: Section, key: str, name: str) -> bool:
    if header_name(name):
        return True
    entry.wrong(key, name, "the header of a column, with a name before its unit")
    return False


def _names(entry: Entry, translations: Mapping[str, Mapping[str, str]]) -> Names:
    part = pattern_of(entry, "part", groups=1)
    means: Mapping[str, str] | None = None
    said = entry.get("translate")
    if isinstance(said, str):
        means = translations.get(said)
        if means is None:
            entry.wrong("translate", said, one_of("a section [translations.…]", said, translations))
    elif said is not None:
        means = translation_of(entry, "translate", said)
    unknown = entry.choice("unknown", ("refuse", "keep"))
    if unknown is not None and "translate" not in entry.values:
        entry.wrong("unknown", unknown, "this key only beside translate")
    prefix, suffix = entry.plain("prefix"), entry.plain("suffix")
    return Names(part, means, unknown == "keep", prefix or "", suffix or "")


def translation_of(section: Section, key: str, value: object) -> dict[str, str] | None:
    """Return the names of the log by those of the source; what is wrong is noted."""
    if not isinstance(value, Mapping) or not value:
        section.wrong(key, value, 'names and what they mean, as in { HOV = "hover" }')
        return None
    means = {}
    for name, meaning in value.items():
        text = section.as_text(key, meaning)
        if text is not None:
            means[name_of(name) or ""] = text
    return means


def texts_of(section: Section, key: str, value: object) -> frozenset[str]:
    """Return a text or a list of texts that cells are held to; what is wrong is noted."""
    values = value if isinstance(value, list) else [value]
    texts = [section.as_text(key, v) for v in values]
    if not texts:
        section.wrong(key, value, 'a text or a list of texts, as in ["TEST", "CAL"]')
    return frozenset(text for text in texts if text is not None)


def pattern_of(section: Section, key: str, groups: int | None = None) -> Expression | None:
    """Return a regular expression, with so many groups; what is wrong is noted."""
    value = section.get(key)
    if value is None:
        return None
    try:
        if not isinstance(value, str):
            raise ValueError("no text")
        pattern = expression(value, str(section.book.file))
    except ValueError as error:
        found = Words(f"{as_toml(value)}, which is no regular expression ({error})")
        section.wrong(key, found, r"a regular expression, as in '(J-\d+)'")
        return None
    if groups is not None and pattern.groups != groups:
        expected = r"one group in brackets around what is meant, as in 'job (J-\d+)'"
        section.wrong(key, value, expected)
        return None
    return pattern


def _scale(entry: Entry, column: str) -> Scale | None:
    """Return what is done with the numbers of a column; None where nothing is."""
    unit = wanted = None
    if column in QUANTITY_OF:
        unit, wanted = entry.text("from"), entry.text("to")
        for one, other in (("from", "to"), ("to", "from")):
            if one in entry.values and other not in entry.values:
                expected = f"both: the unit of the source, and that of the log ({other})"
                entry.wrong(one, Words(f"{one} without {other}"), expected)
    vibration = column in ("amplitude", "spread")
    measured = entry.choice("measured", MEASURED) if vibration else None
    factor = _factor(entry)
    if column in _SIGNED and entry.flag("sign_turned"):
        factor = -factor
    root_two = measured == "rms"
    if unit is None or wanted is None:
        factor = factor / 2 if measured == "peak to peak" else factor
        after = "" if "factor" in entry.values else None
        same = factor == 1 and not root_two
        return None if same else Scale(factor, root_two=root_two, wanted=after)
    try:
        return scale_between(unit, wanted, QUANTITY_OF[column], measured or "peak", factor)
    except AdaptError as error:
        known = units_of(column)
        key = "from" if not any(u in known for u in (unit, unit.casefold())) else "to"
        entry.wrong(key, Words(f"{shown(unit)} to {shown(wanted)}"), str(error))
        return None


def _factor(entry: Entry) -> Fraction:
    value = entry.get("factor")
    if value is None:
        return Fraction(1)
    # A decimal number is meant as it is written, not as its nearest double.
    text = value if isinstance(value, str) else repr(value) if finite(value) is not None else ""
    match = _FACTOR.fullmatch(text.replace(" ", ""))
    bottom = Fraction(match[2] or "1") if match else Fraction(0)
    number = Fraction(match[1]) / bottom if match and bottom else Fraction(0)
    if not Fraction(1, 10**9) <= number <= 10**9:
        expected = 'a number above 0, or a fraction as in "1/6" (sign_turned turns a sign round)'
        entry.wrong("factor", value, expected)
        return Fraction(1)
    return number


def _turn(entry: Entry, column: str) -> Turn | None:
    as_clock = column == "clock"
    written = entry.choice("written", ("clock", "hours", "degrees"))
    if as_clock and written in ("hours", "degrees"):
        expected = "clock (h:mm); a phase written otherwise goes into phase_deg"
        entry.wrong("written", written, expected)
    said, wanted = (entry.choice(key, ("lead", "lag")) for key in ("from", "to"))
    for one, other in (("from", "to"), ("to", "from")):
        if one in entry.values and other not in entry.values:
            expected = f"both: what the instrument counts, and what the rotor file says ({other})"
            entry.wrong(one, Words(f"{one} without {other}"), expected)
    offset = entry.number("offset_deg", 0)
    if offset is not None and abs(offset) > 360:
        entry.wrong("offset_deg", offset, "degrees from -360 to 360")
    elif offset is not None and as_clock and math.fmod(offset, 0.5) != 0.0:
        expected = "whole half degrees (a minute of clock is one), or the phase into phase_deg"
        entry.wrong("offset_deg", offset, expected)
    if offset is None:
        return None
    default: Any = "clock" if as_clock else "degrees"
    return Turn(written or default, said != wanted, repr(offset))


def _moment(entry: Entry) -> Moment:
    pattern, offset = entry.plain("format"), entry.plain("utc_offset")
    if pattern is not None:
        try:
            then = dt.datetime(2024, 5, 31, 14, 20, tzinfo=dt.UTC)
            again = dt.datetime.strptime(then.strftime(pattern), pattern)
        except (ValueError, re.error):
            again = None
        if again is None or again.date() != dt.date(2024, 5, 31):
            expected = 'how date and time are written, as in "%d.%m.%Y %H:%M" (a whole date)'
            entry.wrong("format", pattern, expected)
            pattern = None
    if offset is not None and not _OFFSET.fullmatch(offset):
        entry.wrong("utc_offset", offset, 'an offset as in "+02:00", or "Z"')
        offset = None
    if offset is not None and pattern is not None and "%z" in pattern:
        entry.wrong("utc_offset", Words("an offset here and %z in the format"), "one of them")
    return Moment(pattern, offset or "")


def is_number(column: str) -> bool:
    """Return whether a column of the log holds numbers or phases."""
    return column in NUMBERS or column in _PHASES
