"""A log as text: tables of a folder, a workbook or a logbook, before a rotor file is in hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from os import PathLike
from pathlib import Path

from adapt.database.place import is_logbook
from adapt.log.history import BookState
from adapt.log.places import missing_columns, misspelt_columns, tables_at
from adapt.problems import BadInput, Problem, shown
from adapt.tables import Table, read_table

__all__ = ["Log", "read_log"]

_MUST_BE_THERE = ("runs", "readings")


@dataclass(frozen=True, eq=False)
class Log:
    """The tables of a log as text, by name; a table that the log does not have is not there.

    problems: what needs no rotor file to be seen; `job` is what the row itself says. state: of the
    logbook that it was read from; None where it was none.
    """

    tables: Mapping[str, Table]
    problems: tuple[Problem, ...]
    source: str
    state: BookState | None = None


def read_log(
    path: str | PathLike[str],
    known_on: str | datetime | None = None,
    rotors: Sequence[str] | None = None,
) -> Log:
    """Read a log: a folder of CSV files and workbooks, one workbook, or a logbook.

    path: the folder; the workbook, with a sheet for each table; the file of a logbook, or the URL
    of one on a server. Of a logbook alone: known_on, a date, a date and time or a change ("change
    17") as of which it is read, and rotors, the serials whose jobs are read.

    Raises BadInput, with every problem found, when the log cannot be used as a whole: no runs or no
    readings, a table that is there and cannot be read (a log without its moves would teach
    wrong coefficients), or a damaged logbook (one of very many rows is not looked through each
    time: 'adapt logbook verify' does that).
    """
    if is_logbook(path):
        return _in_logbook(path, known_on, rotors)
    if known_on is not None or rotors is not None:
        raise BadInput(f"{shown(str(path))} is no logbook: only a logbook keeps earlier states")
    source = Path(path)
    faults: list[Problem] = []
    doubts: list[Problem] = []
    places = tables_at(source, faults, doubts)
    tables: dict[str, Table] = {}
    for name, (file, sheet, shown_as) in places.items():
        try:
            table = read_table(file, sheet, shown_as)
        except BadInput as error:
            faults += error.problems
            continue
        missing = missing_columns(name, table)
        faults += missing
        doubts += misspelt_columns(name, table)
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


def _in_logbook(
    path: str | PathLike[str], known_on: str | datetime | None, rotors: Sequence[str] | None
) -> Log:
    # Not imported for logs in folders: a database's library takes longer to load than they do.
    from adapt.database import states
    from adapt.database.opening import open_logbook
    from adapt.database.verifying import require_whole

    book = open_logbook(path)
    with book.reading() as connection:
        require_whole(book, connection)
        change, unsure = states.latest(connection), ""
        if known_on is not None:
            change, unsure = states.known_on(connection, known_on)
        tables = states.tables_in_force(book, connection, change, rotors)
        seal = states.seal_of(connection, change)
    for name in _MUST_BE_THERE:
        if name not in tables:
            when = "" if known_on is None else f" by {known_on}"
            whose = "" if rotors is None else f" of {', '.join(rotors)}"
            raise BadInput(f"the logbook {book.shown} holds no {name}{whose}{when}")
    doubts = []
    if unsure:
        doubts.append(Problem("doubt", book.shown, None, None, f"the state of {known_on}", unsure))
    return Log(tables, tuple(doubts), book.shown, BookState(change, seal))


def _with_jobs(table: Table) -> list[Problem]:
    """Return a table's own problems, with the job that the row names."""
    jobs = {row: cells.get("job") for row, cells in table.broken}
    return [
        replace(p, job=jobs.get(p.row) or None) if p.row is not None else p for p in table.problems
    ]
