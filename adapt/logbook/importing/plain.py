"""A source's table as a logbook keeps it: units in their column, the point as decimal sign.

What a header or the rest of a file says of a cell is not there any more when the cell stands in a
logbook beside cells of other files; so it is written into the cell, or refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from adapt.columns import check_plain_units, same_unit
from adapt.findings import Findings
from adapt.phasor import CLOCK_EXPECTED, ClockError, clock_to_deg
from adapt.problems import Problem, shown
from adapt.tables import Column, Table

__all__ = ["CLOCKS", "NUMBERS", "REQUIRED", "plain", "unreadable"]

NUMBERS: Mapping[str, tuple[str, ...]] = {
    "runs": ("gross_weight", "wind_kt", "oat_c", "rpm"),
    "readings": ("amplitude", "phase_deg", "spread", "repeats"),
    "track": ("height", "lag"),
    "moves": ("amount",),
    "fitted": ("amount",),
    "events": (),
    "reviews": (),
    "corrections": ("entered", "corrected", "entered_phase_deg", "corrected_phase_deg"),
}
CLOCKS: Mapping[str, tuple[str, ...]] = {
    "readings": ("clock",),
    "corrections": ("entered_clock", "corrected_clock"),
}
REQUIRED: Mapping[str, tuple[str, ...]] = {
    "runs": ("rotor", "job", "run"),
    "readings": ("job", "run", "regime", "sensor"),
    "track": ("job", "run", "regime", "blade"),
    "moves": ("job", "after_run", "blade", "adjuster"),
    "fitted": ("job", "blade", "adjuster"),
    "events": ("job", "after_run", "kind"),
    "reviews": ("review", "job"),
    "corrections": ("review", "table", "job"),
}
"""The cells without which nobody can tell which fact a row is."""

_WITH_UNIT: Mapping[str, tuple[str, ...]] = {
    "readings": ("amplitude", "spread"),
    "track": ("height",),
    "moves": ("amount",),
    "fitted": ("amount",),
}


def plain(name: str, table: Table) -> tuple[Table, list[Problem]]:
    """Return a table with nothing left to say for its header, and what cannot be kept of it.

    Rows that cannot be kept are still in the table: whoever has problems keeps none of it.
    """
    findings = Findings()
    check_plain_units(table, findings)
    for column in REQUIRED[name]:
        if column in table:
            empty = ~table.column(column).each(bool, bool)
            findings.fault(table, empty, column, "a name: without it the row is of nothing")
    columns = dict(table.columns)
    for column in NUMBERS[name]:
        if column in table:
            columns[column] = _with_point(table, column, findings)
    for column in CLOCKS.get(name, ()):
        if column in table and table.decimal_comma:
            found = table.columns[column]
            texts = tuple(text.replace(",", ".") for text in found.texts)
            columns[column] = replace(found, texts=texts)
    _unit_in_rows(name, table, columns, findings)
    columns = {c: replace(column, unit=None) for c, column in columns.items()}
    made = Table(table.file, columns, table.rows)
    problems = [p for p in table.problems if p.severity == "fault"]
    return made, [*problems, *findings.refused, *findings.faults]


def unreadable(name: str, column: str, text: str) -> str:
    """Return what was expected of a cell that no rotor file could make sense of; "" for others.

    >>> unreadable("readings", "amplitude", "0.3"), unreadable("readings", "clock", "13:75")
    ('', 'a clock angle h:mm, 0:00 to 12:59')
    """
    if not text:
        return ""
    if column in NUMBERS[name]:
        return "a number" if np.isinf(_numbers((text,), False, False)[0]) else ""
    try:
        if column in CLOCKS.get(name, ()):
            clock_to_deg(text)
        elif column in ("started", "decided"):
            datetime.fromisoformat(text)
    except ClockError:
        return CLOCK_EXPECTED
    except ValueError:
        return "a date and time as in 2026-05-31T14:20 (ISO 8601)"
    return ""


def _with_point(table: Table, name: str, findings: Findings) -> Column:
    """Return a column of numbers with the point; note those that would mean another number."""
    column = table.columns[name]
    if not any("," in text or "." in text for text in column.texts):
        return column
    own = _numbers(column.texts, table.decimal_comma, table.comma_seen)
    pointed = tuple(text.replace(",", ".") for text in column.texts)
    alone = _numbers(pointed, False, False)
    # What is no number stays as it was entered: it is a fault here and stays one.
    kept = tuple(
        text if np.isinf(value) else point
        for text, point, value in zip(column.texts, pointed, own, strict=True)
    )
    other = np.isinf(own) & np.isfinite(_numbers(column.texts, False, False))
    other |= np.isfinite(own) & (own != alone)
    expected = "a number that can be read in one way only (this file has decimal commas)"
    findings.fault(table, other[column.codes], name, expected)
    return replace(column, texts=kept)


def _numbers(
    texts: Sequence[str], decimal_comma: bool, comma_seen: bool
) -> npt.NDArray[np.float64]:
    """Return what texts mean as numbers, (text,): NaN where there is none, inf where it is bad."""
    rows = np.arange(len(texts))
    column = Column("", rows, tuple(texts))
    table = Table("", {"": column}, rows, decimal_comma, comma_seen)
    values, bad = table.numbers("")
    return np.where(bad, np.inf, values)


def _unit_in_rows(name: str, table: Table, columns: dict[str, Column], findings: Findings) -> None:
    """Put the unit that a header says into the rows' own column."""
    said = {
        column: table.columns[column].unit
        for column in _WITH_UNIT.get(name, ())
        if column in table and table.columns[column].unit
    }
    if not said:
        return
    units = [unit for unit in said.values() if unit]
    first, unit = next(iter(said)), units[0]
    own = table.column("unit")
    other = own.each(lambda text: bool(text) and not same_unit(text, unit), bool)
    findings.refuse(table, other, "unit", f"{unit}, the unit in the header of {first}", jobs=False)
    for column, its in said.items():
        if its and not same_unit(its, unit):
            findings.refuse(
                table, [0] if len(table) else [], column, f"{unit}, as in the header of {first}",
                found=f"the unit {shown(its)} in the header", jobs=False,
            )  # fmt: skip
    columns["unit"] = replace(own, name="unit", texts=tuple(text or unit for text in own.texts))
