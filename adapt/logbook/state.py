"""One state of a logbook, as the rest of the program takes it: its log, and whose a job is."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, select

from adapt.database.opening import Logbook
from adapt.database.schema import LOG_TABLES, names
from adapt.database.states import numbers_of, seal_of, tables_in_force
from adapt.log import Log
from adapt.log.history import BookState
from adapt.problems import BadInput

__all__ = ["log_at", "serials_of_job"]


def log_at(
    book: Logbook, connection: Connection, change: int, rotors: Sequence[str] | None = None
) -> Log:
    """Return the log as it was after a change; rotors: only the jobs of these serials.

    Raises BadInput where it holds no runs or no readings.
    """
    tables = tables_in_force(book, connection, change, rotors)
    for name in ("runs", "readings"):
        if name not in tables:
            raise BadInput(f"the logbook {book.shown} holds no {name} as of change {change}")
    return Log(tables, (), book.shown, BookState(change, seal_of(connection, change)))


def serials_of_job(connection: Connection, change: int, job: str) -> list[str]:
    """Return the serials of the rotors that some row up to a change gives a job to; mostly one.

    None at all where the logbook does not know the job.
    """
    runs = LOG_TABLES["runs"]
    number = numbers_of(connection, [job]).get(job)
    if number is None:
        return []
    query = select(names.c.text).join(runs, runs.c.rotor == names.c.name).distinct()
    found: set[str] = set()
    # In two parts, so that the index of the facts serves: it has their first rows only.
    for first in (runs.c.replaces.is_(None), runs.c.replaces.is_not(None)):
        own = (runs.c.job == number) & (runs.c.change <= change)
        found |= {str(text) for (text,) in connection.execute(query.where(own, first))}
    return sorted(found)
