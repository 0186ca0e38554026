"""`adapt logbook entry`: one row, and everything that was entered in its place."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook
from adapt.problems import BadInput, shown

__all__ = ["add", "entry_number", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "entry",
        "show an entry of a logbook, and all that was entered of the same fact",
        "adapt logbook entry fleet.logbook readings 614",
    )
    logbook(sub)
    sub.add_argument("table", metavar="TABLE", help="runs, readings, track, moves, ...")
    sub.add_argument("number", metavar="NUMBER", help="its number, which messages give as the row")


def entry_number(text: str) -> int:
    """Return the number of an entry; raises BadInput for any other text."""
    if not text.isdecimal() or len(text) > 18:
        raise BadInput(f"found {shown(text)}, expected the number of an entry, such as 614")
    return int(text)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.record import entry_of
    from adapt.reports.logbook.changes import entry_document, entry_report

    number = entry_number(asked.number)
    book = book_of(asked)
    with book.reading() as connection:
        found = entry_of(connection, asked.table, number)
    answer(asked, lambda: entry_document(found), lambda: entry_report(found, book.shown))
    return DONE
