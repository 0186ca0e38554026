"""Rows added to the text of a CSV file and taken out again, all else left as it stands.

A table that people edit in a spreadsheet keeps its separator, columns, line ends and blank rows.
Reading what the rows mean is `tables`' business.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Container, Mapping, Sequence

from adapt.delimited import separator_of
from adapt.problems import BadInput, CannotBeMet, Problem
from adapt.tables import header_of

__all__ = ["decoded", "one_line", "with_rows", "without_rows"]

_COMMA_DECIMAL = re.compile(r"[+-]?\d*,\d+", re.ASCII)


def decoded(data: bytes, file: str) -> str:
    """Return a file's text, a byte order mark included; raises CannotBeMet when it is not UTF-8."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        raise CannotBeMet(
            f"{file} is not UTF-8 text, so that no row can be added to it: save it as CSV UTF-8"
        ) from None


def with_rows(
    text: str,
    file: str,
    header: Sequence[str],
    rows: Sequence[Mapping[str, str]],
    numbers: Container[str] = (),
) -> str:
    """Return a table's text with rows at its end; "" becomes a table with this header.

    rows: cells by column; an empty cell needs no column. numbers: the columns of numbers, which
    get the decimal sign that the table has. Raises BadInput when the table lacks a
    column for a cell that is not empty.
    """
    if not text.lstrip("\ufeff").strip():
        text = _record(header, ",", "\n")
        header_names = list(header)
    else:
        header_names = _header(text)
    lacking = {name for row in rows for name, cell in row.items() if cell} - set(header_names)
    if lacking:
        raise BadInput(
            Problem("fault", file, 1, name, "no such column", "this column, to write the row in it")
            for name in sorted(lacking)
        )
    separator, _ = separator_of(text.lstrip("\ufeff"))
    comma = separator != "," and any(
        _COMMA_DECIMAL.fullmatch(cell.strip())
        for _, cells in _records(text, separator)
        for cell in cells
    )

    def cell(row: Mapping[str, str], name: str) -> str:
        plain = one_line(row.get(name, ""))
        return plain.replace(".", ",") if comma and name in numbers else plain

    end = "\r\n" if "\r\n" in text else "\n"
    # A file that does not end its last line keeps that way of ending.
    closed = text.endswith(("\n", "\r"))
    added = "".join(
        _record([cell(row, name) for name in header_names], separator, end) for row in rows
    )
    return text + added if closed else text + end + added.removesuffix(end)


def without_rows(text: str, taken: Callable[[Mapping[str, str]], bool]) -> str:
    """Return a table's text without the rows that `taken` says yes to; cells are stripped."""
    names = _header(text)
    separator, said = separator_of(text.lstrip("\ufeff"))
    kept: list[str] = []
    header_seen = False
    for record, cells in _records(text, separator):
        blank = not any(cell.strip() for cell in cells)
        if not header_seen or blank:
            header_seen |= not blank and not (said and not kept)
            kept.append(record)
        elif not taken({n: c.strip() for n, c in zip(names, cells, strict=False) if n}):
            kept.append(record)
    result = "".join(kept)
    if not text.endswith(("\n", "\r")):
        result = result.removesuffix("\n").removesuffix("\r")
    return result


def _header(text: str) -> list[str]:
    plain = text.lstrip("\ufeff")
    separator, said = separator_of(plain)
    rows = [cells for _, cells in _records(plain, separator) if any(c.strip() for c in cells)]
    return header_of("", 1, rows[1 if said else 0])[0]


def _records(text: str, separator: str) -> list[tuple[str, list[str]]]:
    """Return each record as it is written, line end included, with its cells."""
    lines = io.StringIO(text, newline="").readlines()
    reader = csv.reader(lines, delimiter=separator, strict=True)
    records, start = [], 0
    for cells in reader:
        records.append(("".join(lines[start : reader.line_num]), cells))
        start = reader.line_num
    return records


def _record(cells: Sequence[str], separator: str, end: str) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=separator, lineterminator=end).writerow(cells)
    return text.getvalue()


def one_line(text: str) -> str:
    r"""Return a cell without line ends and control characters: a row stays a line.

    >>> one_line("two\nlines\x00")
    'two lines'
    """
    return "".join(c if c.isprintable() else " " for c in text).strip()
