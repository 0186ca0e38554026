"""`adapt logbook stop`: a job ended otherwise than inside its limits."""

from __future__ import annotations

import argparse

from adapt.commands.asking import Commands
from adapt.commands.logbook.status import add_status, say_status

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    what = "say that a job ended without coming inside its limits, and why"
    add_status(commands, "stop", what, "gearbox changed")


def run(asked: argparse.Namespace) -> int:
    return say_status(asked, "stopped")
