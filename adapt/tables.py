"""One table of a CSV file or a spreadsheet as text with row numbers, and the numbers in its cells.

Every cell is text here, whatever it looks like: a formula is never worked out, a name never a
number. What a column means is the business of the reader that asks for it.
"""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from os import PathLike
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt import sheets
from adapt.files import write_whole
from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem, one_of, shown

__all__ = [
    "Column", "Table", "header_of", "read_table", "separator_of", "table_of", "write_csv",
]  # fmt: skip

T = TypeVar("T")
Index = npt.NDArray[np.intp]

LONGEST_CELL = 20_000
_HEADER_UNIT = re.compile(
    r"(?P<name>.*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))", re.DOTALL
)
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
        cells, spoilt = sheets.read_sheet(source, sheet, name)
        return table_of(name, cells, decimal_comma=True, spoilt=spoilt)
    text, doubts = _decoded(source, name)
    return _from_csv(name, text, doubts)


def _decoded(source: Path, name: str) -> tuple[str, list[Problem]]:
    """Return a file's text, with a doubt when its encoding had to be assumed."""
    try:
        data = source.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _unusable(
            name, f"no readable file ({reason})", "a CSV file or an .xlsx file"
        ) from None
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise _unusable(name, "a spreadsheet or archive", "CSV text, or a workbook named .xlsx")
    marks = (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff", b"\xff\xfe", b"\xfe\xff")
    encodings = ("utf-32", "utf-32", "utf-16", "utf-16")
    marked = (e for m, e in zip(marks, encodings, strict=True) if data.startswith(m))
    encoding = next(marked, "utf-8-sig")
    doubts: list[Problem] = []
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        found = "bytes that are not UTF-8"
        if encoding != "utf-8-sig":
            raise _unusable(name, f"bytes that are not {encoding.upper()}", "UTF-8 text") from None
        try:
            text = data.decode("cp1252")
        except UnicodeDecodeError:
            raise _unusable(name, found, "UTF-8 text", row) from None
        expected = "UTF-8 text; the file was read as Windows-1252"
        doubts.append(Problem("doubt", name, row, None, found, expected))
    if "\x00" in text:
        row = text[: text.index("\x00")].count("\n") + 1
        raise _unusable(name, "a NUL character", "text (UTF-16 needs a byte order mark)", row)
    return text, doubts


def _unusable(file: str, found: str, expected: str, row: int | None = None) -> BadInput:
    return BadInput([Problem("fault", file, row, None, found, expected)])


def _from_csv(name: str, text: str, doubts: list[Problem]) -> Table:
    lines = io.StringIO(text, newline="")
    separator, skip = separator_of(text)
    cells: list[Sequence[str]] = []
    try:
        for record in csv.reader(lines, delimiter=separator, strict=True):
            cells.append(record)
    except csv.Error as error:
        row = len(cells) + 1
        expected = 'cells whose quotes are closed, and doubled ("") inside quoted text'
        raise _unusable(name, f"a row that cannot be parsed ({error})", expected, row) from None
    if skip and cells:
        cells[0] = []
    return table_of(name, cells, decimal_comma=separator != ",", doubts=doubts)


def separator_of(text: str) -> tuple[str, bool]:
    """Return the separator of the header row, and whether a line "sep=;" stands before it."""
    first = text.lstrip().split("\n", 1)[0].split("\r", 1)[0]
    said = re.fullmatch(r"sep=([,;\t])", first, re.IGNORECASE)
    if said:
        return said[1], True
    plain = re.sub(r'"[^"]*"|\[[^\]]*\]|\([^)]*\)', "", first)
    return max(",;\t", key=plain.count), False


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
    spoilt = spoilt or {}
    blank = [not any(map(str.strip, record)) for record in cells]
    if all(blank):
        raise _unusable(file, "an empty file", "a header row, and a row for each fact")
    start = blank.index(False)
    header = list(cells[start])
    while not header[-1].strip():
        header.pop()  # a spreadsheet leaves separators behind where columns were deleted
    names, units = header_of(file, start + 1, header)
    width = len(names)
    kept: list[Sequence[str]] = []
    rows: list[int] = []
    problems = list(doubts)
    broken: list[tuple[int, Mapping[str, str]]] = []
    spoilt_rows = {row for row, _ in spoilt}
    longest = max(map(len, chain.from_iterable(cells)), default=0)
    for i in range(start + 1, len(cells)):
        record, row = cells[i], i + 1
        if blank[i] and row not in spoilt_rows:
            continue
        if len(record) > width and not any(map(str.strip, record[width:])):
            record = record[:width]
        wrong = (
            _row_problems(file, row, record, names, spoilt)
            if spoilt or len(record) != width
            else []
        )
        if longest > LONGEST_CELL and max(map(len, record)) > LONGEST_CELL:
            wrong = _too_long(file, row)
        if wrong:
            problems += wrong
            broken.append((row, _as_cells(names, record)))
            continue
        kept.append(record)
        rows.append(row)
    by_column = zip(*kept, strict=True) if kept else [()] * width
    columns = {
        name: _column(name, values, unit)
        for name, values, unit in zip(names, by_column, units, strict=True)
        if name
    }
    comma = decimal_comma and any(
        _COMMA_DECIMAL.fullmatch(text) for c in columns.values() for text in c.texts if "," in text
    )
    return Table(
        file,
        columns,
        np.array(rows, dtype=np.int64),
        decimal_comma,
        comma,
        tuple(problems),
        tuple(broken),
    )


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


def _column(name: str, values: Sequence[str], unit: str | None) -> Column:
    codes, raw = pd.factorize(np.array(values, dtype=object))
    tidy = [_tidy(text) for text in raw]
    first: dict[str, int] = {}
    renumber = np.array([first.setdefault(text, len(first)) for text in tidy], dtype=np.intp)
    if len(values) == 0:
        return Column(name, np.zeros(0, dtype=np.intp), ("",), unit)
    return Column(name, renumber[codes], tuple(first), unit)


def write_csv(
    path: str | PathLike[str], header: Sequence[str], rows: Iterable[Sequence[object]]
) -> None:
    """Write a table as CSV (commas, UTF-8), whole or not at all.

    Floats are written so that they read back exactly; None and NaN are empty cells. Raises
    AdaptError when the file cannot be written, or when a text could not be read back as it is.
    """
    lines = [_line(header), *(_line([_written(value) for value in row]) for row in rows)]
    write_whole(path, "".join(lines))


def _line(cells: Sequence[str]) -> str:
    # The module quotes only the line ends that it writes itself: both, in the longer one.
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()[:-2] + "\n"


def _written(value: object) -> str:
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, float | np.floating):
        return "" if math.isnan(value) else repr(float(value))
    return str(value)
