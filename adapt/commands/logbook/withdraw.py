"""`adapt logbook withdraw`: a published set that is not to be used any more."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, by, logbook, who_of

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "withdraw",
        "mark a published set as not to be used; nothing of it changes",
        "adapt logbook withdraw fleet.logbook 2026-05 --why 'learned from the wrong chart'",
    )
    logbook(sub)
    sub.add_argument("name", metavar="NAME", help="the set")
    sub.add_argument("--why", metavar="TEXT", required=True, help="why it is not to be used")
    by(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.sets import withdraw
    from adapt.reports.logbook.sets import set_line_document, withdrawn_report

    made = withdraw(book_of(asked, to_write=True), asked.name, who_of(asked), asked.why)
    answer(asked, lambda: set_line_document(made), lambda: withdrawn_report(made))
    return DONE
