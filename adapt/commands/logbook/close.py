"""`adapt logbook close`: a job is inside its limits, and somebody released it."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "close",
        "close a job with its last run, and record who released it",
        "adapt logbook close fleet.logbook --job J-014 --run 3 --released-by 'A. Reed'",
    )
    logbook(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job")
    sub.add_argument("--run", metavar="R", required=True, help="its closing run: the last")
    sub.add_argument(
        "--released-by",
        metavar="NAME",
        required=True,
        help="who released it under the rules of their authority; this program releases nothing",
    )
    named(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.jobs import set_status
    from adapt.reports.logbook.jobs import status_document, status_report

    state = set_status(
        book_of(asked, to_write=True),
        asked.job,
        "closed",
        who_of(asked),
        closing_run=asked.run,
        released_by=asked.released_by,
        note=asked.note,
    )
    answer(asked, lambda: status_document(state), lambda: status_report(state))
    return DONE
