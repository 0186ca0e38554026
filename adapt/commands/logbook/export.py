"""`adapt logbook export`: a state of a logbook as a log's folder."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer, say
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "export",
        "write a logbook's state as a folder of CSV files, from which it could be imported again",
        "adapt logbook export fleet.logbook log-of-today/\n"
        "  adapt logbook export fleet.logbook as-then/ --as-known-on 2026-05-01",
    )
    logbook(sub)
    sub.add_argument("folder", metavar="FOLDER", help="a new folder, or an empty one")
    sub.add_argument(
        "--as-known-on",
        metavar="DATE",
        help="the state of this date, date and time, or change ('change 17')",
    )
    sub.add_argument(
        "--serial", metavar="SERIAL", action="append", help="only the jobs of this rotor"
    )


def run(asked: argparse.Namespace) -> int:
    from adapt.database.states import known_on, latest
    from adapt.logbook.exporting import export
    from adapt.reports.logbook.exported import exported_document, exported_report

    book = book_of(asked)
    with book.reading() as connection:
        change = latest(connection)
        if asked.as_known_on is not None:
            change, unsure = known_on(connection, asked.as_known_on)
            if unsure:
                say(unsure)
    made = export(book, asked.folder, change, asked.serial)
    answer(asked, lambda: exported_document(made), lambda: exported_report(made))
    return DONE
