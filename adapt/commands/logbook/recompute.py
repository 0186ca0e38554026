"""`adapt logbook recompute`: a published set learned again, number beside number."""

from __future__ import annotations

import argparse

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "recompute",
        "learn a published set again from the state that it was learned from, and compare",
        "adapt logbook recompute fleet.logbook 2026-05",
    )
    logbook(sub)
    sub.add_argument("name", metavar="NAME", help="the set")


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.recomputing import recompute
    from adapt.reports.logbook.sets import recomputed_document, recomputed_report
    from adapt.reports.show import step

    book = book_of(asked)
    with step("Learning again", quiet=asked.json):
        found = recompute(book, asked.name)
    answer(asked, lambda: recomputed_document(found), lambda: recomputed_report(found))
    return DONE if found.compared.agrees else CANNOT_BE_MET
