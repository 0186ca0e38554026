"""The cells of a spreadsheet (.xlsx) as text, and which of them hold an error instead of a value.

Times and dates become ISO text, so that one set of parsers serves files of every kind.
"""

from __future__ import annotations

import datetime as dt
import re
import zipfile
import zlib
from pathlib import Path
from xml.etree import ElementTree

from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook

from adapt.problems import BadInput, Problem, one_of, shown

__all__ = ["read_sheet", "sheet_names"]

# What a damaged archive or damaged XML can raise.
_NOT_READ = (
    OSError,
    LookupError,
    ValueError,
    RuntimeError,
    EOFError,
    zlib.error,
    zipfile.BadZipFile,
    ElementTree.ParseError,
)
Cells = list[list[str]]
Spoilt = dict[tuple[int, int], str]


def sheet_names(path: Path, file: str) -> list[str]:
    """Return the names of a workbook's sheets. Raises BadInput when it is no workbook."""
    return list(_opened(path, file).sheet_names)


def read_sheet(path: Path, sheet: str | None, file: str) -> tuple[Cells, Spoilt]:
    """Return the rows of a sheet from row 1 on, as text, and its cells that hold an error.

    sheet: its name; None takes the only sheet that is not empty. Raises BadInput when the workbook
    cannot be read, or when there is no such sheet.
    """
    workbook = _opened(path, file)
    names = list(workbook.sheet_names)
    try:
        if sheet is None:
            filled = [n for n in names if workbook.get_sheet_by_name(n).height]
            if len(filled) > 1:
                listed = ", ".join(shown(n) for n in filled[:8])
                raise _unusable(file, f"several sheets ({listed})", "one sheet with the table")
            sheet = filled[0] if filled else names[0]
        elif sheet not in names:
            raise _unusable(file, "no such sheet", one_of("a sheet of this name", sheet, names))
        cells = _cells(workbook.get_sheet_by_name(sheet))
    except (CalamineError, IndexError) as error:
        raise _unusable(
            file, f"a workbook that cannot be read ({error})", "an .xlsx file"
        ) from None
    return cells, _spoilt(path, sheet)


def _opened(path: Path, file: str) -> CalamineWorkbook:
    try:
        return CalamineWorkbook.from_path(str(path))
    except (CalamineError, OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _unusable(file, f"no readable workbook ({reason})", "an .xlsx file") from None


def _unusable(file: str, found: str, expected: str) -> BadInput:
    return BadInput([Problem("fault", file, None, None, found, expected)])


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
        return (cell + dt.timedelta(microseconds=500_000)).replace(microsecond=0).isoformat()
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


def _spoilt(path: Path, sheet: str) -> Spoilt:
    """Return the cells that hold an error (#REF!) or a formula without a value.

    The reader gives such cells as empty; taking them for "not filled in" would be a guess.
    """
    main = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    relation = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
    found: Spoilt = {}
    try:
        with zipfile.ZipFile(path) as archive:
            book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
            links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
            target = {link.get("Id"): link.get("Target", "") for link in links}
            wanted = [s.get(relation) for s in book.iter(f"{main}sheet") if s.get("name") == sheet]
            place = target[wanted[0]].lstrip("/")
            data = archive.read(place if place.startswith("xl/") else f"xl/{place}")
        suspicious = b't="e"' in data or b"<f" in data
        tree = ElementTree.fromstring(data) if suspicious else None
    except _NOT_READ:
        return found
    for cell in tree.iter(f"{main}c") if tree is not None else ():
        value, formula = cell.findtext(f"{main}v"), cell.find(f"{main}f")
        place_ = re.fullmatch(r"([A-Z]{1,3})(\d+)", cell.get("r", ""))
        if place_ is None:
            continue
        column = 0
        for letter in place_[1]:
            column = 26 * column + ord(letter) - 64
        at = int(place_[2]), column - 1
        if cell.get("t") == "e":
            found[at] = f"the error {shown(value or '')}"
        elif formula is not None and not value and cell.get("t") != "str":
            found[at] = "a formula without a value (open and save the file in its spreadsheet)"
    return found
