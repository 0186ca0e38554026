"""`adapt demo`: the whole job on invented files."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer, called
from adapt.commands.asking import Commands

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "demo",
        "write an invented operator's files into a folder and do the whole job on them",
        "adapt demo my-demo",
    )
    sub.add_argument("folder", metavar="FOLDER", nargs="?", default="adapt-demo")


def run(asked: argparse.Namespace) -> int:
    from adapt.reports.demo import run_demo

    document, report = run_demo(asked.folder, quiet=asked.json, program=called())
    answer(asked, lambda: document, lambda: report)
    return DONE
