"""`adapt check`: everything that is wrong or unlikely in a rotor file and a log."""

from __future__ import annotations

import argparse

from adapt.commands.answering import BAD_INPUT, DONE, answer, read
from adapt.commands.asking import Commands, files

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "check",
        "read a rotor file and a log and list everything that is wrong or unlikely in them",
        "adapt check main-rotor.toml log/",
    )
    files(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.reports.documents import check_document
    from adapt.reports.log.checked import check_report

    _, history = read(asked)
    answer(asked, lambda: check_document(history), lambda: check_report(history))
    return BAD_INPUT if history.faults else DONE
