"""`adapt logbook documents`: the rotor files, charts and column maps that are kept."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "documents",
        "list the rotor files, charts and column maps that a logbook keeps",
        "adapt logbook documents fleet.logbook",
    )
    logbook(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.database.states import latest
    from adapt.logbook.documents import documents_of
    from adapt.reports.logbook.documents import documents_document, documents_report

    book = book_of(asked)
    with book.reading() as connection:
        found = documents_of(connection, latest(connection))
    answer(asked, lambda: documents_document(found), lambda: documents_report(found, book.shown))
    return DONE
