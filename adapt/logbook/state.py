"""One state of a logbook, as the rest of the program takes it: its log, and whose a job is."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, func, select

from adapt.database.opening import Logbook
from adapt.database.schema import (
    LOG_TABLES,
    changes,
    documents,
    job_states,
    names,
    sets,
    withdrawals,
)
from adapt.database.states import numbers_of, rows_in_force, seal_of, tables_in_force
from adapt.log import Log
from adapt.log.history import BookState
from adapt.problems import BadInput
from adapt.tables import Table

__all__ = [
    "documents_touched", "in_words", "log_at", "recorded_on", "rows_of_job", "serials_of_job",
    "serials_touched",
]  # fmt: skip

_BATCH = 500


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


def rows_of_job(book: Logbook, connection: Connection, change: int, job: str) -> dict[str, Table]:
    """Return the rows of one job that were in force after a change, by table."""
    number = numbers_of(connection, [job]).get(job)
    if number is None:
        return {}
    found = {
        name: rows_in_force(book, connection, name, change, [number])
        for name in ("runs", "readings", "track", "moves", "fitted", "events")
    }
    return {name: table for name, table in found.items() if len(table)}


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


def recorded_on(connection: Connection, change: int) -> str:
    """Return when a change was recorded (UTC), "" for the state before the first."""
    query = select(changes.c.recorded).where(changes.c.change == change)
    return str(connection.execute(query).scalar() or "")


def in_words(book: Logbook, change: int, recorded: str) -> str:
    """Return which state of a logbook something is of; recorded: when its last change was made."""
    when = f", {recorded[:16].replace('T', ' ')} UTC" if recorded else ""
    return f"data from {book.shown} after change {change}{when}"


def serials_touched(connection: Connection, after: int, until: int) -> set[str]:
    """Return the serials of the rotors whose jobs got rows or a status by changes in between.

    after: the change that is known; until: the last that is asked about.
    """
    jobs: set[int] = set()
    for table in (*LOG_TABLES.values(), job_states):
        key = next(iter(table.primary_key))
        # From the end backwards, so that only what is new is looked at: numbers go up with changes.
        old = select(key).where(table.c.change <= after).order_by(key.desc()).limit(1)
        last = connection.execute(old).scalar() or 0
        query = select(table.c.job).where(key > last, table.c.change <= until)
        jobs |= {int(job) for (job,) in connection.execute(query.distinct())}
    runs = LOG_TABLES["runs"]
    found: set[str] = set()
    listed = sorted(jobs)
    for at in range(0, len(listed), _BATCH):
        query = select(names.c.text).join(runs, runs.c.rotor == names.c.name)
        mine = runs.c.job.in_(listed[at : at + _BATCH])
        found |= {str(text) for (text,) in connection.execute(query.where(mine).distinct())}
    return found


def documents_touched(connection: Connection, after: int, until: int) -> bool:
    """Return whether rotor files, charts, sets or reviews were added by changes in between."""
    for table in (documents, sets, withdrawals, LOG_TABLES["reviews"]):
        query = select(func.count()).where(table.c.change > after, table.c.change <= until)
        if connection.execute(query).scalar():
            return True
    return False
