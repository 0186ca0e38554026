"""`adapt logbook jobs`: the jobs of a logbook with their status."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "jobs",
        "list the jobs of a logbook: rotor, runs, status, and who released them",
        "adapt logbook jobs fleet.logbook --open",
    )
    logbook(sub)
    sub.add_argument("--open", action="store_true", help="only jobs that are open")
    sub.add_argument("--serial", metavar="SERIAL", help="only the jobs of this rotor")


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.jobs import jobs_of
    from adapt.reports.logbook.jobs import jobs_document, jobs_report

    book = book_of(asked)
    found = jobs_of(book, asked.serial)
    if asked.open:
        found = [job for job in found if job.state.status == "open"]
    answer(asked, lambda: jobs_document(found), lambda: jobs_report(found, book.shown, asked.open))
    return DONE
