"""`adapt logbook changes`: who did what when."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "changes",
        "list who changed what in a logbook, and when",
        "adapt logbook changes fleet.logbook --job J-014",
    )
    logbook(sub)
    sub.add_argument("--job", metavar="J", help="only changes that concern this job")


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.record import changes_of
    from adapt.reports.logbook.changes import changes_document, changes_report

    book = book_of(asked)
    with book.reading() as connection:
        lines = changes_of(connection, asked.job)
    answer(
        asked,
        lambda: changes_document(lines),
        lambda: changes_report(lines, book.shown, asked.job),
    )
    return DONE
