"""`adapt logbook verify`: does a logbook hold what was put into it?"""

from __future__ import annotations

import argparse

from adapt.commands.answering import BAD_INPUT, DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "verify",
        "look through a whole logbook: is every row as it was put in?",
        "adapt logbook verify fleet.logbook",
    )
    logbook(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.database.opening import to_look_through
    from adapt.database.verifying import verify
    from adapt.reports.logbook.kept import verified_document, verified_report
    from adapt.reports.show import step

    book = to_look_through(asked.book)
    with step("Looking through", quiet=asked.json) as tell:
        found = verify(book, lambda rows: tell(f"{rows:,} rows"))
    answer(
        asked,
        lambda: {"logbook": book.shown, **verified_document(found)},
        lambda: verified_report(found, book.shown),
    )
    return DONE if found.whole else BAD_INPUT
