"""`adapt logbook upgrade`: a logbook of an earlier version of the program, for this one."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import logbook

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "upgrade",
        "let a logbook that an earlier version of this program made be used by this one",
        "adapt logbook backup fleet.logbook before.logbook\n  adapt logbook upgrade fleet.logbook",
    )
    logbook(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.database.address import address_of
    from adapt.database.making import upgrade_logbook
    from adapt.reports.logbook.kept import upgraded_report

    place = address_of(asked.book).shown
    before, now = upgrade_logbook(asked.book)
    answer(
        asked,
        lambda: {"logbook": place, "from": before, "to": now},
        lambda: upgraded_report(place, before, now),
    )
    return DONE
