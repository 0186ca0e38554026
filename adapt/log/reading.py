"""A log as text: the tables found in a folder or a workbook, before any rotor file is in hand."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

from adapt.problems import BadInput, Problem, one_of, shown
from adapt.sheets import sheet_names
from adapt.tables import Table, read_table

__all__ = ["EVENT_KINDS", "NEEDED_COLUMNS", "OPTIONAL_COLUMNS", "Log", "read_log"]

NEEDED_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "runs": ("rotor", "job", "run", "started"),
    "readings": ("job", "run", "regime", "sensor", "amplitude"),
    "track": ("job", "run", "regime", "blade", "height"),
    "moves": ("job", "after_run", "blade", "adjuster", "amount"),
    "fitted": ("job", "blade", "adjuster", "amount"),
    "events": ("job", "after_run", "kind"),
    "reviews": ("review", "job", "table", "after_run", "run", "decision"),
    "corrections": ("review", "table", "job", "entered", "corrected"),
}
OPTIONAL_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "runs": ("design", "aircraft", "note", "gross_weight", "wind_kt", "oat_c", "rpm"),
    "readings": ("clock", "phase_deg", "spread", "repeats", "excluded", "unit"),
    "track": ("lag", "excluded", "unit"),
    "moves": ("unit",),
    "fitted": ("unit",),
    "events": ("note", "sensor"),
    "reviews": ("kind", "explanation", "by", "decided", "note"),
    "corrections": (
        "after_run", "run", "blade", "adjuster", "sensor", "regime", "entered_clock",
        "entered_phase_deg", "corrected_clock", "corrected_phase_deg",
    ),
}  # fmt: skip
EVENT_KINDS = ("hardware changed", "sensor moved", "reference moved", "other")
_MUST_BE_THERE = ("runs", "readings")
_TABLES = tuple(NEEDED_COLUMNS)


@dataclass(frozen=True, eq=False)
class Log:
    """The tables of a log as text, by name; a table that the log does not have is not there.

    problems: what needs no rotor file to be seen; `job` is what the row itself says.
    """

    tables: Mapping[str, Table]
    problems: tuple[Problem, ...]
    source: str


def read_log(path: str | PathLike[str]) -> Log:
    """Read a log: a folder of CSV files and workbooks, or one workbook with a sheet for each table.

    Raises BadInput, with every problem found, when the log cannot be used as a whole: no runs or no
    readings, or a table that is there and cannot be read (a log without its moves would teach
    wrong coefficients).
    """
    source = Path(path)
    faults: list[Problem] = []
    doubts: list[Problem] = []
    try:
        places = (
            _in_folder(source, faults, doubts) if source.is_dir() else _in_workbook(source, doubts)
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _unusable(source, f"nothing that can be read ({reason})") from None
    tables: dict[str, Table] = {}
    for name, (file, sheet, shown_as) in places.items():
        try:
            table = read_table(file, sheet, shown_as)
        except BadInput as error:
            faults += error.problems
            continue
        missing = _missing_columns(name, table)
        faults += missing
        doubts += _misspelt_columns(name, table)
        if name in _MUST_BE_THERE and not missing and len(table) == 0:
            faults += (p for p in table.problems if p.severity == "fault")
            faults.append(
                Problem("fault", table.file, None, None, "no rows", "a row for each fact")
            )
        tables[name] = table
    for name in _MUST_BE_THERE:
        if name not in places and not any(Path(p.file).stem.casefold() == name for p in faults):
            expected = f"{name}.csv or {name}.xlsx" if source.is_dir() else f"a sheet {name}"
            faults.append(Problem("fault", str(source), None, None, f"no table {name}", expected))
    if faults:
        raise BadInput(faults + [d for d in doubts if d.row is None])
    found = [p for name in tables for p in _with_jobs(tables[name])]
    return Log(tables, (*doubts, *found), str(source))


def _unusable(source: Path, found: str) -> BadInput:
    expected = "a folder with runs.csv and readings.csv, or a workbook (.xlsx) with these sheets"
    return BadInput([Problem("fault", str(source), None, None, found, expected)])


def _in_folder(
    folder: Path, faults: list[Problem], doubts: list[Problem]
) -> dict[str, tuple[Path, str | None, str]]:
    """Return where each table stands: file, sheet, and the name that messages use."""
    # A link to nowhere or a folder of a table's name is no missing table: reading it says so.
    files = sorted(
        f
        for f in folder.iterdir()
        if (f.is_file() or f.suffix.lower() in (".csv", ".xlsx"))
        and not f.name.startswith((".", "~$"))
    )
    found: dict[str, tuple[Path, str | None, str]] = {}
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


def _in_workbook(source: Path, doubts: list[Problem]) -> dict[str, tuple[Path, str | None, str]]:
    if source.suffix.lower() != ".xlsx":
        found = "a file of another kind" if source.exists() else "no such file or folder"
        raise _unusable(source, found)
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


def _missing_columns(name: str, table: Table) -> list[Problem]:
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


def _misspelt_columns(name: str, table: Table) -> list[Problem]:
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


def _with_jobs(table: Table) -> list[Problem]:
    """Return a table's own problems, with the job that the row names."""
    jobs = {row: cells.get("job") for row, cells in table.broken}
    return [
        replace(p, job=jobs.get(p.row) or None) if p.row is not None else p for p in table.problems
    ]
