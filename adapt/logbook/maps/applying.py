"""A batch of a source turned into rows of one table of the log.

Which rows are left out, what the groups of a wide table give, and what is noted on the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from adapt.logbook.maps.converting import Writing
from adapt.logbook.maps.filling import (
    EXCLUDED_TABLES,
    Cells,
    Fixed,
    cells_of,
    header_name,
)
from adapt.logbook.maps.noted import Noted
from adapt.logbook.maps.values import VALUES, Condition, Given, Group, Source, Way
from adapt.problems import shown
from adapt.tables import Column, Table

__all__ = ["columns_of", "meets_all", "rows_given", "without_left_out"]

Mask = npt.NDArray[np.bool_]


def columns_of(given: Given, source: Source) -> tuple[str, ...]:
    """Return the columns of the log that a section of a map gives, in its order."""
    names = dict.fromkeys(given.ways)
    for group in given.groups:
        names |= dict.fromkeys((*group.meaning, *group.ways))
    if source.excluded and given.table in EXCLUDED_TABLES:
        names["excluded"] = None
    return tuple(names)


def without_left_out(
    table: Table,
    source: Source,
    left_out: Sequence[Condition],
    only: Sequence[Condition],
    noted: Noted,
) -> Table:
    """Return the rows of a source that the map uses; how many it does not is noted."""
    for condition in left_out:
        met = _meets(table, condition)
        noted.left_out(
            source.name, condition.column, _words(condition), table.file, table.rows[met]
        )
        table = table.select(~met) if met.any() else table
    met = meets_all(table, only)
    return table if met.all() else table.select(met)


def meets_all(table: Table, conditions: Sequence[Condition]) -> Mask:
    """Return which rows of a source meet every one of these conditions, shape (row,)."""
    met = np.ones(len(table), dtype=bool)
    for condition in conditions:
        met &= _meets(table, condition)
    return met


def _meets(table: Table, condition: Condition) -> Mask:
    column = table.column(header_name(condition.column))
    if condition.kind == "number":
        values, wrong = table.numbers(header_name(condition.column))
        met: Mask = (~wrong & ~np.isnan(values)) == condition.wanted
        return met

    def asked(text: str) -> bool:
        if condition.kind == "empty":
            return (not text) == condition.wanted
        if condition.expression is not None:
            return condition.expression.found_in(text) is not None
        return (text in condition.texts) == (condition.kind == "is")

    met = column.each(asked, bool)
    return met


def _words(condition: Condition) -> str:
    listed = " or ".join(shown(t) for t in sorted(condition.texts)[:5])
    words = {
        "is": listed,
        "is_not": f"something else than {listed}",
        "matches": f"text that matches {shown(getattr(condition.expression, 'text', ''))}",
        "empty": "nothing" if condition.wanted else "something",
        "number": "a number" if condition.wanted else "no number",
    }
    return words[condition.kind]


def rows_given(
    given: Given, source: Source, table: Table, fixed: Fixed, writing: Writing, noted: Noted
) -> Table:
    """Return the rows of the log that a batch of a source gives, in the batch's order.

    Texts that cannot be turned are noted; so are rows in which nothing was read.
    """

    def filled(ways: Mapping[str, Way]) -> dict[str, Cells]:
        return {
            name: cells_of(way, name, table, fixed, source, writing, given.table)
            for name, way in ways.items()
        }

    common = filled(given.ways)
    parts: list[tuple[dict[str, Cells], Mask]] = []
    for group in given.groups or (Group({}, {}),):
        own = filled(group.ways)
        meaning = {name: _same(text, len(table)) for name, text in group.meaning.items()}
        cells = {**common, **meaning, **own}
        keep = _blank_left_out(own, len(table)) if given.groups else np.ones(len(table), dtype=bool)
        keep &= _not_read_left_out(given, source, table, cells, keep, noted)
        _note_wrong(table, own, keep, noted)
        if source.excluded and given.table in EXCLUDED_TABLES:
            cells["excluded"] = _reasons(given, cells, len(table))
        parts.append((cells, keep))
    used = np.logical_or.reduce([keep for _, keep in parts])
    _note_wrong(table, common, used, noted)
    return _stacked(table, columns_of(given, source), parts)


def _same(text: str, rows: int) -> Cells:
    return Cells(np.zeros(rows, dtype=np.intp), [text], [text], "")


def _blank_left_out(own: Mapping[str, Cells], rows: int) -> Mask:
    """Return which rows hold something in the columns of a group."""
    filled = np.zeros(rows, dtype=bool)
    for cells in own.values():
        if cells.label:
            filled |= ~cells.holds([i for i, text in enumerate(cells.raw) if not text])
    return filled


def _not_read_left_out(
    given: Given,
    source: Source,
    table: Table,
    cells: Mapping[str, Cells],
    among: Mask,
    noted: Noted,
) -> Mask:
    """Return which rows are no rows in which nothing was read; those are noted.

    A phase that was not read is none beside an amplitude of 0: there is no phase to read.
    """
    keep = np.ones(len(table), dtype=bool)
    for name in VALUES[given.table]:
        column = cells.get(name)
        if column is None or not column.not_read:
            continue
        out = column.holds(sorted(column.not_read)) & keep & among
        if name in ("clock", "phase_deg") and "amplitude" in cells:
            amplitude = cells["amplitude"]
            out &= ~amplitude.holds([i for i, text in enumerate(amplitude.texts) if _zero(text)])
        for i in sorted(column.not_read):
            rows = table.rows[out & (column.codes == i)]
            noted.left_out(source.name, column.label, shown(column.raw[i]), table.file, rows)
        keep &= ~out
    return keep


def _zero(text: str) -> bool:
    return bool(text) and not text.strip("0.") and text != "."


def _reasons(given: Given, cells: Mapping[str, Cells], rows: int) -> Cells:
    """Return the column `excluded`: what the map takes from the source, or why nothing was read."""
    texts = [""]
    codes = np.zeros(rows, dtype=np.intp)
    for name in VALUES[given.table]:
        column = cells.get(name)
        for i, reason in column.reasons.items() if column is not None else ():
            texts.append(reason)
            codes[(column.codes == i) & (codes == 0)] = len(texts) - 1  # type: ignore[union-attr]
    said = cells.get("excluded")
    if said is not None:
        start, texts = len(texts), texts + list(said.texts)
        filled = ~said.holds([i for i, text in enumerate(said.texts) if not text])
        codes = np.where(filled, said.codes + start, codes)
    return Cells(codes, texts, texts, "")


def _note_wrong(table: Table, columns: Mapping[str, Cells], keep: Mask, noted: Noted) -> None:
    for name, cells in columns.items():
        if cells.wrong:
            noted.texts(
                table.file,
                table.rows[keep],
                cells.label or name,
                cells.codes[keep],
                cells.raw,
                cells.wrong,
            )


def _stacked(
    table: Table, names: Sequence[str], parts: Sequence[tuple[Mapping[str, Cells], Mask]]
) -> Table:
    """Return one table of the parts, row by row of the source."""
    keep = np.stack([mask for _, mask in parts], axis=1).reshape(-1)
    rows = np.repeat(table.rows, len(parts))[keep]
    columns = {}
    for name in names:
        first: dict[str, int] = {}
        codes, unit = [], None
        for cells, _ in parts:
            column = cells.get(name)
            texts = column.texts if column is not None else ("",)
            place = np.array([first.setdefault(t, len(first)) for t in texts], dtype=np.intp)
            at = column.codes if column is not None else np.zeros(len(table), dtype=np.intp)
            codes.append(place[at])
            unit = unit or (column.unit if column is not None else None)
        together = np.stack(codes, axis=1).reshape(-1)[keep]
        columns[name] = Column(name, together, tuple(first) or ("",), unit)
    return Table(table.file, columns, rows)
