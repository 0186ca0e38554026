"""One table of a CSV file or a spreadsheet as text with row numbers, and the numbers in its cells.

Every cell is text here, whatever it looks like: a formula is never worked out, a name never a
number. What a column means is the business of the reader that asks for it.
"""

from __future__ import annotations

import io
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt import sheets
from adapt.decoding import encoding_of
from adapt.delimited import as_text, opened, records_of, unusable
from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem, one_of, shown

__all__ = ["Column", "Table", "header_of", "read_batches", "read_table", "table_of"]

T = TypeVar("T")
Index = npt.NDArray[np.intp]

LONGEST_CELL = 20_000
_HEADER_UNIT = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))", re.DOTALL
)
_COMMA_DIGIT = re.compile(r",[0-9]")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_COMMA_DECIMAL = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


@dataclass(frozen=True, eq=False)
class Column:
    """The cells of one column: text number codes[i] of `texts` in row i, stripped of blanks.

    Keeping the different texts once makes every check a check of few texts, however long the table.
    """

    name: str
    codes: Index
    texts: tuple[str, ...]
    unit: str | None = None

    def text(self) -> npt.NDArray[np.object_]:
        """Return the cells as text, shape (row,)."""
        texts: npt.NDArray[np.object_] = np.array(self.texts, dtype=object)[self.codes]
        return texts

    def each(self, read: Callable[[str], Any], dtype: Any) -> Any:
        """Return what `read` makes of every cell, shape (row,); it is asked once for each text."""
        values = np.empty(len(self.texts), dtype=dtype)
        for i, text in enumerate(self.texts):
            values[i] = read(text)
        return values[self.codes]


@dataclass(frozen=True, eq=False)
class Table:
    """A table as text. rows: the row of each line as a person counts it (the header is row 1).

    decimal_comma: a comma may be the decimal sign; comma_seen: some cell uses it so.
    problems: what is wrong with single rows (which are left out) or doubtful in the file.
    broken: the rows left out, with their cells.
    """

    file: str
    columns: Mapping[str, Column]
    rows: npt.NDArray[np.int64]
    decimal_comma: bool = False
    comma_seen: bool = False
    problems: tuple[Problem, ...] = ()
    broken: tuple[tuple[int, Mapping[str, str]], ...] = field(default=())

    def __len__(self) -> int:
        return len(self.rows)

    def __contains__(self, column: str) -> bool:
        return column in self.columns

    def column(self, name: str) -> Column:
        """Return a column; one of empty cells when the table does not have it."""
        if name in self.columns:
            return self.columns[name]
        return Column(name, np.zeros(len(self), dtype=np.intp), ("",))

    def text(self, name: str) -> npt.NDArray[np.object_]:
        """Return a column as text, "" where the cell is empty or the column is not there."""
        return self.column(name).text()

    def numbers(self, name: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
        """Return a column's numbers, NaN where there is none, and where a text is no number."""
        bad = math.inf  # no cell can give it: `number` refuses infinities
        values = self.column(name).each(lambda text: self._number(text, bad), np.float64)
        wrong = np.isinf(values)
        return np.where(wrong, np.nan, values), wrong

    def _number(self, text: str, bad: float) -> float:
        if not text:
            return math.nan
        text = text.replace("\u2212", "-")  # the minus sign that word processors write
        if len(text) > 40 or not _NUMBER.fullmatch(text):
            return bad
        if "," in text:
            # 1,234 may be a thousand where the comma is no decimal sign for certain.
            like = _LIKE_THOUSANDS.fullmatch(text) is not None
            if like and not self.decimal_comma:
                return bad
            text = text.replace(",", ".")
        elif self.comma_seen and _LIKE_THOUSANDS.fullmatch(text):
            return bad
        value = float(text)
        return value if abs(value) <= LARGEST_NUMBER else bad

    def select(self, keep: npt.NDArray[Any]) -> Table:
        """Return the table with these rows only (a mask or positions)."""
        columns = {
            k: Column(c.name, c.codes[keep], c.texts, c.unit) for k, c in self.columns.items()
        }
        return Table(
            self.file,
            columns,
            self.rows[keep],
            self.decimal_comma,
            self.comma_seen,
            self.problems,
            self.broken,
        )

    def require(self, columns: Iterable[str]) -> None:
        """Raise BadInput for every one of these columns that the table does not have."""
        missing = [c for c in columns if c not in self.columns]
        if missing:
            raise BadInput(
                Problem(
                    "fault",
                    self.file,
                    1,
                    name,
                    "no such column",
                    one_of("this column", name, self.columns),
                )
                for name in missing
            )


def read_table(
    path: str | PathLike[str], sheet: str | None = None, file: str | None = None
) -> Table:
    """Read a table from a CSV file or a spreadsheet (.xlsx).

    path: the suffix says which. sheet: the sheet of a workbook that holds the table; None takes the
    only one that is not empty. file: how messages name the file (the path when None).

    A CSV file may be separated by commas, semicolons or tabs, in UTF-8, UTF-16 with a byte order
    mark, or Windows-1252 (a doubt). Header names are read without regard to case, blanks and
    hyphens ("After run" is after_run), with a unit in brackets after them. Blank rows are skipped.

    Raises BadInput when the file cannot be read, is empty, or its header cannot be understood.
    """
    source = Path(path)
    name = str(path) if file is None else file
    if source.suffix.lower() == ".xlsx":
        texts, spoilt = sheets.read_sheet(source, sheet, name)
        return table_of(name, texts, decimal_comma=True, spoilt=spoilt)
    with opened(source, name) as handle:
        encoding, doubts = encoding_of(handle, name)
        handle.seek(0)
        text = handle.read().decode(encoding)
    records, separator = records_of(io.StringIO(text, newline=""), name)
    cells: list[Sequence[str]] = [record for part in records for record in part]
    return table_of(name, cells, decimal_comma=separator != ",", doubts=doubts)


def read_batches(
    path: str | PathLike[str],
    sheet: str | None = None,
    file: str | None = None,
    most_rows: int = 50_000,
    skip: int = 0,
    separator: str | None = None,
    encoding: str | None = None,
    headers: Sequence[str] | None = None,
    header_row: bool = True,
) -> Iterator[Table]:
    """Yield a table of any length in batches; joined they are what `read_table` returns.

    path, sheet, file: as there. most_rows: of one batch. skip: lines (rows of a sheet) before the
    header row, which may hold anything. separator, encoding: of a CSV file, where they are not to
    be told from it; the separator may be any one character. headers: names of the columns, in
    place of those of the header row; header_row: whether there is such a row.

    There is always a first batch, with the header's columns and perhaps no rows. `problems` and
    `broken` of a batch are those of its rows; the file's doubts stand in the first. One batch of a
    CSV file is held in memory at a time, after a pass that settles encoding and decimal sign; a
    workbook is unpacked whole.

    Raises BadInput as `read_table` does; for what cannot be parsed further down when it is reached.
    """
    source = Path(path)
    name = str(path) if file is None else file
    if source.suffix.lower() == ".xlsx":
        cells, spoilt = sheets.read_sheet(source, sheet, name)
        cells[:skip] = [[] for _ in cells[:skip]]
        spoilt = {at: found for at, found in spoilt.items() if at[0] > skip}

        def in_parts() -> Iterator[Table]:
            parts = (cells[i : i + most_rows] for i in range(0, len(cells), most_rows))
            return _parts(name, parts, True, (), spoilt, headers, header_row)

        comma = any(part.comma_seen for part in in_parts())
        for part in in_parts():
            yield replace(part, comma_seen=comma)
        return
    if separator is not None and (len(separator) != 1 or separator in '"\r\n\x00'):
        raise unusable(name, f"the separator {shown(separator)}", "one character, no quote")
    with opened(source, name) as handle:
        encoding, doubts = encoding_of(handle, name, encoding)

        def parsed() -> Iterator[Table]:
            with as_text(handle, encoding, name) as lines:
                records, used = records_of(lines, name, most_rows, skip, separator)
                yield from _parts(name, records, used != ",", doubts, {}, headers, header_row)

        comma = _comma_seen(parsed, handle, encoding, name)
        for part in parsed():
            yield replace(part, comma_seen=comma)


def _comma_seen(
    parsed: Callable[[], Iterator[Table]], handle: BinaryIO, encoding: str, name: str
) -> bool:
    """Return whether some cell of a file uses a comma as its decimal sign."""
    for part in parsed():
        if part.comma_seen or not part.decimal_comma:
            return part.comma_seen
        break
    with as_text(handle, encoding, name) as text:
        before, found = "", False
        while not found and (block := text.read(1 << 20)):
            found = _COMMA_DIGIT.search(before + block) is not None
            before = block[-1]
    return found and any(part.comma_seen for part in parsed())


def table_of(
    file: str,
    cells: Sequence[Sequence[str]],
    decimal_comma: bool = False,
    doubts: Sequence[Problem] = (),
    spoilt: Mapping[tuple[int, int], str] | None = None,
) -> Table:
    """Return the table of rows of text, the first one that is not blank being the header.

    cells[i] is row i + 1 as a person counts. spoilt: (row, column number from 0) of cells that hold
    an error or no value, with what was found. Raises BadInput as `read_table` does.
    """
    return next(_parts(file, [cells], decimal_comma, doubts, spoilt or {}))


def _parts(
    file: str,
    parts: Iterable[Sequence[Sequence[str]]],
    decimal_comma: bool,
    doubts: Sequence[Problem],
    spoilt: Mapping[tuple[int, int], str],
    headers: Sequence[str] | None = None,
    header_row: bool = True,
) -> Iterator[Table]:
    """Yield the table of each part of the rows of a file; see `table_of` and `read_batches`."""
    spoilt_rows = sorted({row for row, _ in spoilt})
    header: tuple[list[str], list[str | None]] | None = None
    row = 1  # of the first record of a part
    for cells in parts:
        start = row
        row += len(cells)
        if header is not None:
            table = _part(file, start, cells, header, decimal_comma, (), spoilt, spoilt_rows)
            if len(table) or table.problems:
                yield table
            continue
        at = next((i for i, record in enumerate(cells) if any(map(str.strip, record))), None)
        if at is None:
            continue
        names = list(cells[at] if headers is None else headers)
        while names and not names[-1].strip():
            names.pop()  # a spreadsheet leaves separators behind where columns were deleted
        header = header_of(file, start + at, names)
        at += header_row
        below, start = cells[at:], start + at
        yield _part(file, start, below, header, decimal_comma, doubts, spoilt, spoilt_rows)
    if header is None:
        raise unusable(file, "an empty file", "a header row, and a row for each fact")


def _part(
    file: str,
    start: int,
    cells: Sequence[Sequence[str]],
    header: tuple[list[str], list[str | None]],
    decimal_comma: bool,
    doubts: Sequence[Problem],
    spoilt: Mapping[tuple[int, int], str],
    spoilt_rows: Sequence[int],
) -> Table:
    """Return the table of rows below the header, the first of them being row `start`."""
    names = header[0]
    width = len(names)
    kept = list(cells)
    keep = np.ones(len(kept), dtype=bool)
    wrong: list[tuple[int, list[Problem]]] = []
    odd = set(np.flatnonzero(np.fromiter(map(len, kept), np.intp, len(kept)) != width).tolist())
    odd |= {row - start for row in spoilt_rows if start <= row < start + len(kept)}
    for i in sorted(odd):
        record, row = kept[i], start + i
        if not any(map(str.strip, record)) and row not in spoilt_rows:
            keep[i] = False
            continue
        if len(record) > width and not any(map(str.strip, record[width:])):
            record = kept[i] = record[:width]
        problems = _row_problems(file, row, record, names, spoilt)
        if problems:
            keep[i] = False
            if max(map(len, record)) > LONGEST_CELL:
                problems = _too_long(file, row)
            wrong.append((i, problems))
    columns, blank, long = _columns([kept[i] for i in np.flatnonzero(keep)], header)
    if blank.any() or long.any():
        # Rare: read again without these rows, so that no column holds a text of theirs.
        rows = np.flatnonzero(keep)
        wrong += [(i, _too_long(file, start + i)) for i in rows[long].tolist()]
        wrong.sort(key=lambda of_row: of_row[0])
        keep[rows[blank | long]] = False
        columns, _, _ = _columns([kept[i] for i in np.flatnonzero(keep)], header)
    comma = decimal_comma and any(
        _COMMA_DECIMAL.fullmatch(text) for c in columns.values() for text in c.texts if "," in text
    )
    return Table(
        file,
        columns,
        np.flatnonzero(keep).astype(np.int64) + start,
        decimal_comma,
        comma,
        (*doubts, *(p for _, problems in wrong for p in problems)),
        tuple((start + i, _as_cells(names, kept[i])) for i, _ in wrong),
    )


def _columns(
    records: Sequence[Sequence[str]], header: tuple[list[str], list[str | None]]
) -> tuple[dict[str, Column], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return the columns that have a name, and which rows are blank or hold too long a cell."""
    columns: dict[str, Column] = {}
    blank = np.ones(len(records), dtype=bool)
    long = np.zeros(len(records), dtype=bool)
    count, width = len(records), len(header[0])
    every = np.fromiter(chain.from_iterable(records), dtype=object, count=count * width)
    for name, unit, cells in zip(*header, every.reshape(count, width).T.copy(), strict=True):
        codes, raw = pd.factorize(cells)
        sizes = np.fromiter(map(len, raw), np.intp, len(raw))
        if (sizes > LONGEST_CELL).any():
            long |= (sizes > LONGEST_CELL)[codes]
        column = _column(name, codes, raw, unit)
        if "" in column.texts:
            blank &= column.codes == column.texts.index("")
        else:
            blank[:] = False
        if name:
            columns[name] = column
    return columns, blank & ~long, long


def header_of(file: str, row: int, header: Sequence[str]) -> tuple[list[str], list[str | None]]:
    """Return column names ("" for one without a name) and units."""
    names, units, problems = [], [], []
    for text in header:
        match = _HEADER_UNIT.fullmatch(text.strip())
        unit = (
            (match["square"] if match["square"] is not None else match["round"]) if match else None
        )
        name = _column_name(match["name"] if match else text)
        if name and name in names:
            problems.append(
                Problem("fault", file, row, shown(name)[1:-1], "this column twice", "it once")
            )
        names.append(name)
        units.append(unit.strip() if unit is not None else None)
    if problems:
        raise BadInput(problems)
    return names, units


def _column_name(text: str) -> str:
    """Return a header's name in one way of writing: "After run " is after_run."""
    return re.sub(r"[\s_\-]+", "_", unicodedata.normalize("NFC", text).strip().casefold())


def _as_cells(names: Sequence[str], record: Sequence[str]) -> dict[str, str]:
    return {n: _tidy(c) for n, c in zip(names, record, strict=False) if n}


def _row_problems(
    file: str,
    row: int,
    record: Sequence[str],
    names: Sequence[str],
    spoilt: Mapping[tuple[int, int], str],
) -> list[Problem]:
    if len(record) != len(names):
        cells = "1 cell" if len(record) == 1 else f"{len(record)} cells"
        return [Problem("fault", file, row, None, cells, f"{len(names)}, as in the header")]
    return [
        Problem("fault", file, row, name, spoilt[row, i], "a value")
        for i, name in enumerate(names)
        if name and (row, i) in spoilt
    ]


def _too_long(file: str, row: int) -> list[Problem]:
    expected = f"cells of at most {LONGEST_CELL} characters"
    return [Problem("fault", file, row, None, "a cell that is longer", expected)]


def _tidy(text: str) -> str:
    text = text.strip()
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _column(name: str, codes: Index, raw: Iterable[str], unit: str | None) -> Column:
    first: dict[str, int] = {}
    tidy = [first.setdefault(_tidy(text), len(first)) for text in raw]
    if not tidy:
        return Column(name, np.zeros(0, dtype=np.intp), ("",), unit)
    return Column(name, np.array(tidy, dtype=np.intp)[codes], tuple(first), unit)
