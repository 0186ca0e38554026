"""`adapt logbook backup`: a file that holds exactly what a logbook holds."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "backup",
        "copy a logbook, of a file or a server, into a file while others go on writing",
        "adapt logbook backup fleet.logbook /mnt/safe/fleet-2026-05-01.logbook",
    )
    logbook(sub)
    sub.add_argument("file", metavar="FILE", help="the file to make; on another disk, for safety")
    sub.add_argument(
        "--over", action="store_true", help="take the place of a file that is there already"
    )


def run(asked: argparse.Namespace) -> int:
    from adapt.database.backing_up import back_up
    from adapt.database.opening import open_logbook
    from adapt.problems import BadInput, shown
    from adapt.reports.logbook.kept import backed_up_report, far, verified_document
    from adapt.reports.show import step

    book = open_logbook(asked.book, earlier=True)
    if not asked.over and Path(asked.file).is_file():
        raise BadInput(f"{shown(asked.file)} is there already; --over takes its place")
    with step("Copying", quiet=asked.json) as tell:
        made = back_up(book, asked.file, asked.over, lambda done, of: tell(far(done, of)))
    answer(
        asked,
        lambda: {"logbook": book.shown, "file": asked.file, **verified_document(made)},
        lambda: backed_up_report(made, book.shown, asked.file),
    )
    return DONE
