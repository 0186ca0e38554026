"""`adapt logbook sets`: the published sets, and one of them with the pairs that taught it."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "sets",
        "list the published sets of coefficients, or show one with the pairs that taught it",
        "adapt logbook sets fleet.logbook\n  adapt logbook sets fleet.logbook 2026-05",
    )
    logbook(sub)
    sub.add_argument("name", metavar="NAME", nargs="?", help="show this set")


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.sets import coefficients_of, set_of, sets_of
    from adapt.reports.logbook.sets import set_document, set_report, sets_document, sets_report

    book = book_of(asked)
    with book.reading() as connection:
        if asked.name is None:
            found = sets_of(connection)
        else:
            one = set_of(book, connection, asked.name)
            stored = coefficients_of(book, connection, one)
    if asked.name is None:
        answer(asked, lambda: sets_document(found), lambda: sets_report(found, book.shown))
    else:
        answer(asked, lambda: set_document(one, stored), lambda: set_report(one, stored))
    return DONE
