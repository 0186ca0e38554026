"""One column of the log filled from a batch of a source: where its texts come from, converted.

Which rows are kept, and how columns become a table, stands in `applying`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from adapt.logbook.maps.converting import Writing, converted
from adapt.logbook.maps.values import NUMBERS, Origin, Source, Way
from adapt.tables import Column, Table, header_of

__all__ = [
    "EXCLUDED_TABLES",
    "Cells",
    "Fixed",
    "cells_of",
    "compacted",
    "header_name",
    "units_expected",
]

EXCLUDED_TABLES = ("readings", "track")  # of the log's tables those that know the column
_MEASURED = (*NUMBERS, "clock")
_BETWEEN = "\x00"  # no cell can hold it


@dataclass(frozen=True)
class Fixed:
    """What is the same in every row of a table: its names and the lines before its header."""

    file_name: str
    sheet_name: str
    preamble: str

    def text(self, origin: Origin) -> str:
        """Return the text of an origin that is no column."""
        named = {
            "text": origin.text,
            "file_name": self.file_name,
            "sheet_name": self.sheet_name,
            "preamble": self.preamble,
        }
        return named[origin.kind]


@dataclass(frozen=True, eq=False)
class Cells:
    """A filled column: text number codes[i] of `texts` in row i; shape (row,).

    raw: the texts as the source has them, in the same order. label: its headers in the source, ""
    for none. wrong: what was expected, by position in `texts`. not_read, reasons: positions of
    texts that say that nothing was read, and of those that do so for a reason.
    """

    codes: npt.NDArray[np.intp]
    texts: Sequence[str]
    raw: Sequence[str]
    label: str
    unit: str | None = None
    wrong: Mapping[int, str] = field(default_factory=dict)
    not_read: frozenset[int] = frozenset()
    reasons: Mapping[int, str] = field(default_factory=dict)

    def holds(self, positions: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return which rows hold one of these texts, shape (row,)."""
        among = np.zeros(len(self.texts), dtype=bool)
        among[np.fromiter(positions, np.intp)] = True  # type: ignore[arg-type]
        return among[self.codes]


def header_name(text: str) -> str:
    """Return a header of the source in the one way of writing that tables use.

    >>> header_name("Lat Amp [mm/s]")
    'lat_amp'
    """
    return header_of("", 1, [text])[0][0]


def compacted(column: Column) -> Column:
    """Return a column with the texts that its rows hold, and no others."""
    used = np.bincount(column.codes, minlength=len(column.texts)) > 0
    if used.all():
        return column
    if not used.any():
        return Column(column.name, column.codes, ("",), column.unit)
    place = np.cumsum(used) - 1
    texts = tuple(t for t, u in zip(column.texts, used.tolist(), strict=True) if u)
    return Column(column.name, place[column.codes], texts, column.unit)


def cells_of(
    way: Way, name: str, table: Table, fixed: Fixed, source: Source, writing: Writing, where: str
) -> Cells:
    """Return a column of the log filled from the rows of a source.

    name: of the log's column; where: the log's table. The columns of the way must be there.
    """
    assert way.origin is not None
    origin, label = way.origin, ", ".join(way.origin.columns)
    if origin.kind != "column":
        column = Column(name, np.zeros(len(table), dtype=np.intp), (fixed.text(origin),))
    else:
        columns = [compacted(table.columns[header_name(c)]) for c in origin.columns]
        column = columns[0] if len(columns) == 1 else _joined(columns)
    raw, half = list(column.texts), dict[int, str]()
    if len(origin.columns) > 1:
        raw, half = _with_all_parts(raw, origin.joined_by)
    not_read, reasons = frozenset[int](), dict[int, str]()
    if name in _MEASURED and origin.kind == "column":
        excluded = source.excluded if where in EXCLUDED_TABLES else {}
        not_read = frozenset(i for i, text in enumerate(raw) if text in source.not_read)
        reasons = {i: excluded[text] for i, text in enumerate(raw) if text in excluded}
    asked = ["" if i in not_read or i in reasons else text for i, text in enumerate(raw)]
    texts, wrong = converted(way, name, asked, name in NUMBERS, writing)
    unit = column.unit if len(origin.columns) == 1 else None
    if way.scale is not None and way.scale.wanted is not None:
        unit = way.scale.wanted or None
    elif way.turn is not None:
        unit = None
    return Cells(column.codes, texts, raw, label, unit, half | wrong, not_read, reasons)


def _joined(columns: Sequence[Column]) -> Column:
    """Return columns as one, the texts of a row with a sign between them that no cell holds."""
    codes, texts = columns[0].codes, list(columns[0].texts)
    for column in columns[1:]:
        pairs = codes * len(column.texts) + column.codes
        different, codes = np.unique(pairs, return_inverse=True)
        left, right = np.divmod(different, len(column.texts))
        texts = [
            texts[a] + _BETWEEN + column.texts[b]
            for a, b in zip(left.tolist(), right.tolist(), strict=True)
        ]
    return Column("", codes.reshape(-1), tuple(texts))


def _with_all_parts(texts: Sequence[str], joined_by: str) -> tuple[list[str], dict[int, str]]:
    """Return joined texts, and which lack a part; one with no part at all is empty."""
    result, half = [], dict[int, str]()
    for i, text in enumerate(texts):
        parts = text.split(_BETWEEN)
        result.append(joined_by.join(parts) if any(parts) else "")
        if any(parts) and not all(parts):
            half[i] = "a value in each of these columns, or in none"
    return result, half


def units_expected(way: Way) -> tuple[str, ...]:
    """Return what the header of a column may name as its unit; nothing = any."""
    if way.scale is not None and way.scale.unit is not None:
        return (way.scale.unit,)
    if way.turn is not None:
        return (
            ("deg",) if way.turn.written == "degrees" else ("h:mm", "hh:mm", "h", "hours", "clock")
        )
    return ()
