"""Where the tables of a log stand in a folder or a workbook, and whether they have their columns.

Reading them is `reading`'s work.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path

from adapt.log_columns import NEEDED_COLUMNS, OPTIONAL_COLUMNS
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.sheets import sheet_names
from adapt.tables import Table

__all__ = ["Place", "missing_columns", "misspelt_columns", "tables_at", "unusable"]

Place = tuple[Path, str | None, str]
"""Where a table stands: file, sheet of a workbook, and the name that messages use."""

_TABLES = tuple(NEEDED_COLUMNS)


def tables_at(source: Path, faults: list[Problem], doubts: list[Problem]) -> dict[str, Place]:
    """Return where each table of a log stands, and add what is wrong with finding them.

    source: a folder of CSV files and workbooks, or one workbook. Raises BadInput for anything else.
    """
    try:
        if source.is_dir():
            return _in_folder(source, faults, doubts)
        return _in_workbook(source, doubts)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise unusable(source, f"nothing that can be read ({reason})") from None


def unusable(source: Path, found: str) -> BadInput:
    expected = "a folder with runs.csv and readings.csv, or a workbook (.xlsx) with these sheets"
    return BadInput([Problem("fault", str(source), None, None, found, expected)])


def _in_folder(folder: Path, faults: list[Problem], doubts: list[Problem]) -> dict[str, Place]:
    """Return where each table stands: file, sheet, and the name that messages use."""
    # A link to nowhere or a folder of a table's name is no missing table: reading it says so.
    files = sorted(
        f
        for f in folder.iterdir()
        if (f.is_file() or f.suffix.lower() in (".csv", ".xlsx"))
        and not f.name.startswith((".", "~$"))
    )
    found: dict[str, Place] = {}
    for name in _TABLES:
        same = [
            f for f in files if f.stem.casefold() == name and f.suffix.lower() in (".csv", ".xlsx")
        ]
        if len(same) > 1:
            both = " and ".join(f.name for f in same)
            faults.append(Problem("fault", str(folder), None, None, both, f"one table {name}"))
        elif same:
            file = same[0]
            sheet = None
            if file.suffix.lower() == ".xlsx":
                try:
                    sheet = _sheet_of(name, sheet_names(file, file.name))
                except BadInput as error:
                    faults += error.problems
                    continue
            found[name] = (file, sheet, file.name)
    for file in files:
        if file.suffix.lower() in (".csv", ".xlsx", ".xls", ".ods", ".tsv", ".txt"):
            doubts += _misnamed(file.name, file.stem, file.suffix.lower(), found)
    return found


def _in_workbook(source: Path, doubts: list[Problem]) -> dict[str, Place]:
    if source.suffix.lower() != ".xlsx":
        found = "a file of another kind" if source.exists() else "no such file or folder"
        raise unusable(source, found)
    names = sheet_names(source, str(source))
    found_sheets = {name: _sheet_of(name, names) for name in _TABLES}
    there = {n: (source, s, f"{source.name}, sheet {s}") for n, s in found_sheets.items() if s}
    for sheet in names:
        doubts += _misnamed(f"{source.name}, sheet {sheet}", sheet, "", there)
    return dict(there)


def _sheet_of(name: str, sheets: Sequence[str]) -> str | None:
    return next((s for s in sheets if s.strip().casefold() == name), None)


def _misnamed(file: str, stem: str, suffix: str, found: Mapping[str, object]) -> list[Problem]:
    """Return a doubt for a file or sheet that looks like a table under another name."""
    close = difflib.get_close_matches(stem.strip().casefold()[:100], _TABLES, n=1, cutoff=0.75)
    if not close or (
        close[0] in found
        and stem.strip().casefold() == close[0]
        and suffix in (".csv", ".xlsx", "")
    ):
        return []
    ending = "" if suffix == "" else ".csv or .xlsx"
    expected = f"the name {close[0]}{ending} if this is that table; it was not read"
    return [Problem("doubt", file, None, None, shown(stem + suffix), expected)]


def missing_columns(name: str, table: Table) -> list[Problem]:
    missing = [c for c in NEEDED_COLUMNS[name] if c not in table]
    problems = [
        Problem(
            "fault", table.file, 1, c, "no such column", one_of("this column", c, table.columns)
        )
        for c in missing
    ]
    if name == "readings" and "clock" not in table and "phase_deg" not in table:
        expected = "a column clock (h:mm) or phase_deg"
        problems.append(Problem("fault", table.file, 1, "clock", "no such column", expected))
    return problems


def misspelt_columns(name: str, table: Table) -> list[Problem]:
    """Return doubts for columns that look like optional ones: ignored, they would be missed."""
    absent = [c for c in OPTIONAL_COLUMNS[name] if c not in table]
    known = {*NEEDED_COLUMNS[name], *OPTIONAL_COLUMNS[name]}
    doubts = []
    for column in table.columns:
        close = difflib.get_close_matches(column[:100], absent, n=1, cutoff=0.75)
        if close and column not in known:
            expected = f"the name {close[0]!r} if it is that column; it was ignored"
            doubts.append(
                Problem("doubt", table.file, 1, shown(column)[1:-1], "an extra column", expected)
            )
    return doubts
