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
from adapt.logbook.record import changes_of
from adapt.logbook.reviewed_elsewhere import require_reviews_elsewhere
from adapt.logbook.sets import coefficients_of, corrected_since, require_in_use, set_of
from adapt.logbook.state import serials_of_job
from adapt.problems import shown
from adapt.reports.job.values import Status

if TYPE_CHECKING:
    from adapt.coefficients import Coefficients
    from adapt.log import History
    from adapt.rotor import Rotor

__all__ = [
    "orders_of_job",
    "require_reviewed",
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
        published = set_of(book, connection, asked.published, change)
        require_in_use(published)
        since = set_of(book, connection, asked.published).withdrawn
        stored = coefficients_of(book, connection, published, rotor)
        jobs = {job for job, _ in stored.taught}
        corrected = corrected_since(connection, published, jobs, change)
    words = (
        f"the published set {shown(published.label)[1:-1]} ({published.recorded[:10]}, learned "
        f"from the state after change {published.known})"
    )
    if corrected:
        named = ", ".join(shown(job)[1:-1] for job in corrected[:3])
        more = f" and {len(corrected) - 3} more" if len(corrected) > 3 else ""
        words += (
            f", entries of jobs that taught it CORRECTED since ({named}{more}: publish another)"
        )
    if since is not None:
        words += (
            f", WITHDRAWN since by {shown(since.who)[1:-1]} on {since.recorded[:10]}: "
            f"{shown(since.why)[1:-1]}"
        )
    return stored, words


def require_reviewed(
    asked: argparse.Namespace, known: Coefficients, rotor: Rotor, history: History
) -> None:
    """Raise BadInput when reviews of jobs that were not read changed what taught coefficients."""
    book = open_logbook(asked.log)
    with book.reading() as connection:
        change = _change(asked, connection)
        require_reviews_elsewhere(book, connection, change, known, rotor, history)


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
    """Return which state of the logbook is read: its last change, and when that was made."""
    book = open_logbook(asked.log)
    with book.reading() as connection:
        change = _change(asked, connection)
        lines = changes_of(connection)
    moment = next(
        (line.recorded[:16].replace("T", " ") for line in lines if line.change == change), ""
    )
    return f"data from {book.shown} after change {change}, {moment} UTC"


def _change(asked: argparse.Namespace, connection: Connection) -> int:
    if asked.as_known_on is None:
        return states.latest(connection)
    return states.known_on(connection, asked.as_known_on)[0]
