"""The cells of a spreadsheet (.xlsx) as text, and which of them hold an error instead of a value.

Times and dates become ISO text, so that one set of parsers serves files of every kind.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import posixpath
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from xml.etree import ElementTree

from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook

from adapt.problems import BadInput, Problem, one_of, shown

__all__ = ["read_sheet", "sheet_names"]

Cells = list[list[str]]
Spoilt = dict[tuple[int, int], str]

MOST_CELLS = 30_000_000  # rows times columns up to the farthest cell
MOST_BYTES = 1_000_000_000  # of one sheet's text, unpacked
# What a damaged archive or damaged XML can raise.
_NOT_READ = (
    OSError,
    LookupError,
    ValueError,
    RuntimeError,
    EOFError,
    NotImplementedError,
    ArithmeticError,
    zlib.error,
    zipfile.BadZipFile,
    ElementTree.ParseError,
)
_PLACE = re.compile(rb"\br\s*=\s*[\"']([^\"']*)")
_PARTS = re.compile(rb"([A-Za-z]{0,8})([0-9]{1,15})")


def sheet_names(path: Path, file: str) -> list[str]:
    """Return the names of a workbook's sheets. Raises BadInput when it is no workbook."""
    with _refusing(file):
        return list(CalamineWorkbook.from_path(str(path)).sheet_names)


def read_sheet(path: Path, sheet: str | None, file: str) -> tuple[Cells, Spoilt]:
    """Return the rows of a sheet from row 1 on, as text, and its cells that hold an error.

    sheet: its name; None takes the only sheet that is not empty. Raises BadInput when the workbook
    cannot be read, or when there is no such sheet.
    """
    names = sheet_names(path, file)
    if sheet is not None and sheet not in names:
        raise _unusable(file, "no such sheet", one_of("a sheet of this name", sheet, names))
    with _refusing(file):
        texts = _xml_of(path, names if sheet is None else [sheet])
    for name, text in texts.items():
        _check_size(name, text, file)
    with _refusing(file):
        workbook = CalamineWorkbook.from_path(str(path))
        if sheet is None:
            filled = [n for n in names if workbook.get_sheet_by_name(n).height]
            if len(filled) > 1:
                listed = ", ".join(shown(n) for n in filled[:8])
                raise _unusable(file, f"several sheets ({listed})", "one sheet with the table")
            sheet = filled[0] if filled else names[0]
        return _cells(workbook.get_sheet_by_name(sheet)), _spoilt(texts[sheet])


@contextlib.contextmanager
def _refusing(file: str) -> Iterator[None]:
    """Turn whatever a damaged workbook makes its readers raise into BadInput."""
    try:
        yield
    except (CalamineError, *_NOT_READ) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _unusable(file, f"no readable workbook ({shown(reason)})", "an .xlsx file") from None
    except BaseException as error:
        # The reader's own panic, which it raises beside the ordinary exceptions.
        if type(error).__name__ != "PanicException":
            raise
        raise _unusable(file, "a damaged workbook", "an .xlsx file") from None


def _unusable(file: str, found: str, expected: str) -> BadInput:
    return BadInput([Problem("fault", file, None, None, found, expected)])


def _xml_of(path: Path, names: Sequence[str]) -> dict[str, bytes]:
    """Return the XML of the named sheets; b"" for one that is no table (a chart)."""
    with zipfile.ZipFile(path) as archive:
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        target = {link.get("Id"): link.get("Target", "") for link in links}
        texts = {}
        for element in book.iter():
            name = element.get("name", "")
            if not element.tag.endswith("}sheet") or name not in names:
                continue
            link = next((v for k, v in element.items() if k.endswith("}id")), None)
            place = posixpath.normpath(posixpath.join("/xl", target[link])).lstrip("/")
            if archive.getinfo(place).file_size > MOST_BYTES:
                raise ValueError(f"sheet {name} is too large")
            texts[name] = archive.read(place)
    if set(texts) != set(names):
        raise ValueError("sheets that its list does not name")
    return texts


def _check_size(name: str, text: bytes, file: str) -> None:
    """Refuse a sheet with a cell so far out that all cells up to it do not fit into memory."""
    parts = [_PARTS.fullmatch(place) for place in set(_PLACE.findall(text))]
    places = [(part[1], part[2]) for part in parts if part is not None]
    if len(places) < len(parts):
        raise _unusable(file, "a damaged workbook", "an .xlsx file")
    row = max((int(r) for _, r in places), default=0)
    column = max((_column_number(c) for c in {c for c, _ in places}), default=0)
    if row * column > MOST_CELLS:
        found = f"a cell in row {row} or column {column} of sheet {shown(name)}"
        raise _unusable(file, found, "a table (delete the rows and columns beyond it)")


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number


def _cells(sheet: CalamineSheet) -> Cells:
    return [[_text(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)]


def _text(cell: object) -> str:
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        # A spreadsheet keeps times as fractions of a day: 4:20 may come as 4:19:59.52.
        whole = cell.replace(microsecond=0)
        return (whole + dt.timedelta(seconds=cell.microsecond >= 500_000)).isoformat()
    if isinstance(cell, dt.time):
        return _text(
            dt.timedelta(
                hours=cell.hour,
                minutes=cell.minute,
                seconds=cell.second,
                microseconds=cell.microsecond,
            )
        )
    if isinstance(cell, dt.timedelta):
        seconds = round(cell.total_seconds())
        return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return str(cell)


def _spoilt(text: bytes) -> Spoilt:
    """Return the cells of a sheet that hold an error (#REF!) or a formula without a value.

    The reader gives such cells as empty; taking them for "not filled in" would be a guess.
    """
    found: Spoilt = {}
    if not re.search(rb"t\s*=\s*[\"']e|<(\w+:)?f[\s>/]", text):
        return found
    for cell in ElementTree.fromstring(text).iter():
        if cell.tag.rpartition("}")[2] != "c":
            continue
        value, formula = cell.findtext("{*}v"), cell.find("{*}f")
        place = re.fullmatch(r"([A-Z]{1,3})(\d+)", cell.get("r", ""))
        if place is None:
            continue
        at = int(place[2]), _column_number(place[1].encode()) - 1
        if cell.get("t") == "e":
            found[at] = f"the error {shown(value or '')}"
        elif formula is not None and not value and cell.get("t") != "str":
            found[at] = "a formula without a value (open and save the file in its spreadsheet)"
    return found
