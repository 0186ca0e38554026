"""What `adapt logbook stop` and `reopen` share: a status that needs no more than why."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of

__all__ = ["add_status", "say_status"]


def add_status(commands: Commands, verb: str, what: str, note: str) -> None:
    """Add a verb that changes the status of a job; note: of its example."""
    example = f"adapt logbook {verb} fleet.logbook --job J-014 --note '{note}'"
    sub = commands.add(verb, what, example)
    logbook(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job")
    named(sub)


def say_status(asked: argparse.Namespace, status: str) -> int:
    """Give the job that was asked for this status, and say so."""
    from adapt.logbook.jobs import set_status
    from adapt.reports.logbook.jobs import status_document, status_report

    book = book_of(asked, to_write=True)
    state = set_status(book, asked.job, status, who_of(asked), note=asked.note)
    answer(asked, lambda: status_document(state), lambda: status_report(state))
    return DONE
