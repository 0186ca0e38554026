"""`adapt logbook stop`: a job ended otherwise than inside its limits."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "stop",
        "say that a job ended without coming inside its limits, and why",
        "adapt logbook stop fleet.logbook --job J-014 --note 'gearbox changed'",
    )
    logbook(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job")
    named(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.jobs import set_status
    from adapt.reports.logbook.jobs import status_document, status_report

    book = book_of(asked, to_write=True)
    state = set_status(book, asked.job, "stopped", who_of(asked), note=asked.note)
    answer(asked, lambda: status_document(state), lambda: status_report(state))
    return DONE
