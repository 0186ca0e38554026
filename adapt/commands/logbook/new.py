"""`adapt logbook new`: an empty logbook."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "new",
        "make an empty logbook: a file, or tables in an empty database of a PostgreSQL server",
        "adapt logbook new fleet.logbook\n  adapt logbook new postgresql://hangar@base/fleet",
    )
    logbook(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.database.making import new_logbook
    from adapt.reports.logbook.made import made_document, made_report

    book = new_logbook(asked.book)
    answer(asked, lambda: made_document(book), lambda: made_report(book))
    return DONE
