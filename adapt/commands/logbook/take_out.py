"""`adapt logbook take-out`: rows that never were, out of the state and kept in the record."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of
from adapt.commands.logbook.entry import entry_number

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "take-out",
        "take rows that should never have been entered out of the state; the record keeps them",
        "adapt logbook take-out fleet.logbook readings 614 --note 'read on another aircraft'",
    )
    logbook(sub)
    sub.add_argument("table", metavar="TABLE", help="runs, readings, track, moves, ...")
    sub.add_argument("numbers", metavar="NUMBER", nargs="+", help="the numbers of the entries")
    named(sub, "why the rows are taken out; must be given")


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.record import entry_of, take_out
    from adapt.reports.logbook.changes import entry_document, taken_out_report

    numbers = [entry_number(text) for text in asked.numbers]
    book = book_of(asked, to_write=True)
    change = take_out(book, asked.table, numbers, who_of(asked), asked.note)
    with book.reading() as connection:
        found = [e for n in dict.fromkeys(numbers) for e in entry_of(connection, asked.table, n)]
    answer(
        asked,
        lambda: {"change": change, **entry_document(found)},
        lambda: taken_out_report(found, change, book.shown),
    )
    return DONE
