"""What commands take from a logbook beside its log: a published set, and whose job is asked for.

Imported only where LOG is a logbook.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from adapt.database import states
from adapt.database.opening import open_logbook
from adapt.logbook.jobs import states_of
from adapt.logbook.ordering import Order, orders_of
from adapt.logbook.sets_in_use import set_in_use, with_newer_pairs
from adapt.logbook.state import in_words, recorded_on, serials_of_job
from adapt.reports.job.values import Status

if TYPE_CHECKING:
    from adapt.coefficients import Coefficients
    from adapt.log import History
    from adapt.rotor import Rotor

__all__ = [
    "newer_pairs_in",
    "orders_of_job",
    "serials_asked_for",
    "set_asked_for",
    "state_in_words",
    "state_of_job",
]


def serials_asked_for(asked: argparse.Namespace) -> list[str] | None:
    """Return the serials of the rotor of the job that was asked for; None = unknown, read all."""
    with open_logbook(asked.log).reading() as connection:
        return serials_of_job(connection, _change(asked, connection), asked.job) or None


def set_asked_for(asked: argparse.Namespace, rotor: Rotor) -> tuple[Coefficients, str]:
    """Return the published set that was asked for, and what it is in words.

    Raises CannotBeMet when it was withdrawn in the state that is asked for.
    """
    book = open_logbook(asked.log)
    with book.reading() as connection:
        change = _change(asked, connection)
    return set_in_use(book, change, asked.published, rotor)


def newer_pairs_in(
    asked: argparse.Namespace, known: Coefficients, rotor: Rotor, history: History
) -> Coefficients:
    """Return coefficients with newer pairs of one rotor; see `sets_in_use.with_newer_pairs`."""
    book = open_logbook(asked.log)
    with book.reading() as connection:
        change = _change(asked, connection)
    return with_newer_pairs(book, change, known, rotor, history)


def state_of_job(asked: argparse.Namespace) -> Status:
    """Return the status of the job that was asked for, in the state that is asked for."""
    with open_logbook(asked.log).reading() as connection:
        found = states_of(connection, _change(asked, connection), [asked.job]).get(asked.job)
    if found is None:
        return Status("open")
    return Status(found.status, found.closing_run, found.released_by, found.note)


def orders_of_job(asked: argparse.Namespace) -> dict[str, Order]:
    """Return what was ordered in the job that was asked for, in the state that is asked for."""
    with open_logbook(asked.log).reading() as connection:
        return orders_of(connection, _change(asked, connection), asked.job)


def state_in_words(asked: argparse.Namespace) -> str:
    """Return which state of the logbook is read."""
    book = open_logbook(asked.log)
    with book.reading() as connection:
        change = _change(asked, connection)
        return in_words(book, change, recorded_on(connection, change))


def _change(asked: argparse.Namespace, connection: Connection) -> int:
    if asked.as_known_on is None:
        return states.latest(connection)
    return states.known_on(connection, asked.as_known_on)[0]
