"""Decisions about suspect entries in a logbook: each is one change, and so is taking it back.

The tables of the log itself are never written. What is taken back leaves the state and stays in the
record, so that a number is never given twice; writers take turns, and a decision is refused when
others were made on its job since the log was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from os import PathLike

import numpy as np
from sqlalchemy import select

from adapt.database.opening import Logbook, open_logbook
from adapt.database.schema import LOG_TABLES, NAMED, names
from adapt.database.states import numbers_of, rows_in_force, tables_in_force
from adapt.database.writing import Change, writing
from adapt.log.checking import check
from adapt.log.decided_rows import (
    CORRECTIONS,
    REVIEWS,
    Row,
    correction_rows,
    next_number,
    refuse_overtaken,
    review_row,
)
from adapt.log.deciding import Decision
from adapt.log.history import History
from adapt.log.reading import Log
from adapt.log.rows import one_line
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor
from adapt.tables import Table, table_of

__all__ = ["record_in_book", "take_back_in_book"]


def record_in_book(
    rotor: Rotor,
    place: str | PathLike[str],
    history: History,
    decision: Decision,
    decided: datetime,
    by: str,
    note: str = "",
) -> tuple[str, History]:
    """Write a decision into a logbook; return its number, and the log as it is.

    place: its file or URL; history: as checked when the decision was made. by: who decides.

    Raises CannotBeMet, with nothing written, when the log was edited or has other decisions on the
    job since, or somebody else goes on writing; BadInput when nobody is named.
    """
    if not by.strip():
        raise BadInput("by: found nothing; expected who decides: a logbook records whose change is")
    book = open_logbook(place, to_write=True)
    with writing(book, by, "review", note) as change:
        refuse_overtaken(_rows(_reviews(book, change, decision.job)), history, decision.job)
        number = next_number(_numbers_given(change))
        row = review_row(number, decision, decided, by, note)
        change.append("reviews", _table(REVIEWS, [row]))
        change.append("corrections", _table(CORRECTIONS, correction_rows(number, decision)))
        now = check(rotor, _log_of(book, change, decision.job, history))
        if number not in set(now.reviews["review"]):
            raise CannotBeMet(
                f"the log of {decision.job} was edited meanwhile and does not fit the decision "
                "any more: nothing was written; look again"
            )
    return number, check(rotor, place)


def take_back_in_book(place: str | PathLike[str], job: str, run: str, by: str) -> Row:
    """Take the latest decision on a job's run out of the state; return its row as it stood.

    Raises CannotBeMet when there is none, BadInput when nobody is named.
    """
    if not by.strip():
        raise BadInput("by: found nothing; expected who takes it back")
    book = open_logbook(place, to_write=True)
    with writing(book, by, "take review back") as change:
        reviews = _reviews(book, change, job)
        mine = np.flatnonzero((reviews.text("run") == run) & (reviews.text("job") == job))
        if len(mine) == 0:
            raise CannotBeMet(f"nothing was decided on run {run} of {job}: nothing to take back")
        last = reviews.select(mine[-1:])
        _take_out(change, "reviews", last)
        numbers = list(numbers_of(change.connection, [job]).values())
        made = rows_in_force(book, change.connection, "corrections", change.known, numbers)
        _take_out(change, "corrections",
                  made.select(made.text("review") == last.text("review")[0]))  # fmt: skip
    return _rows(last)[0]


def _reviews(book: Logbook, change: Change, job: str) -> Table:
    """Return the reviews of a job that are in force before the change."""
    numbers = list(numbers_of(change.connection, [job]).values())
    return rows_in_force(book, change.connection, "reviews", change.known, numbers)


def _numbers_given(change: Change) -> list[str]:
    """Return every number (or name) that a review has or had, in either table."""
    found: list[str] = []
    for name in ("reviews", "corrections"):
        table = LOG_TABLES[name]
        query = select(names.c.text).join(table, table.c.review == names.c.name).distinct()
        found += [str(text) for (text,) in change.connection.execute(query)]
    return found


def _log_of(book: Logbook, change: Change, job: str, history: History) -> Log:
    """Return the log of a job's rotor as it is within the change."""
    runs = history.runs
    serials = runs.loc[runs["job"] == job, "rotor"].astype(str).unique().tolist()
    tables = tables_in_force(book, change.connection, change.number, serials)
    for name in ("runs", "readings"):
        if name not in tables:
            tables[name] = rows_in_force(book, change.connection, name, change.number, [])
    return Log(tables, (), book.shown)


def _take_out(change: Change, name: str, rows: Table) -> None:
    """Take rows that are in force out of the state: rows that say only which facts they are."""
    if len(rows):
        columns = {c: rows.column(c) for c in NAMED[name]}
        change.append(name, Table(rows.file, columns, rows.rows), rows.rows, void=True)


def _table(header: Sequence[str], rows: Sequence[Row]) -> Table:
    """Return rows as a table; a cell stays a line, as in a file."""
    cells = [[one_line(row.get(name, "")) for name in header] for row in rows]
    return table_of("the decision", [list(header), *cells])


def _rows(table: Table) -> list[dict[str, str]]:
    columns = {c: table.text(c) for c in table.columns}
    return [{c: str(cells[i]) for c, cells in columns.items()} for i in range(len(table))]
