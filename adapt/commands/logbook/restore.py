"""`adapt logbook restore`: a logbook brought back from a back-up."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "restore",
        "bring a logbook back from a back-up: into a new file, or an empty database of a server",
        "adapt logbook restore /mnt/safe/fleet-2026-05-01.logbook fleet.logbook\n"
        "  adapt logbook restore fleet-2026-05-01.logbook postgresql://hangar@base/fleet",
    )
    sub.add_argument("file", metavar="FILE", help="the back-up")
    logbook(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.database.address import address_of
    from adapt.database.backing_up import restore
    from adapt.reports.logbook.kept import far, restored_report, verified_document
    from adapt.reports.show import step

    place = address_of(asked.book).shown
    with step("Copying", quiet=asked.json) as tell:
        made = restore(asked.file, asked.book, lambda done, of: tell(far(done, of)))
    answer(
        asked,
        lambda: {"file": asked.file, "logbook": place, **verified_document(made)},
        lambda: restored_report(made, asked.file, place),
    )
    return DONE
