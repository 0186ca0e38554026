"""`adapt logbook reopen`: a job goes on."""

from __future__ import annotations

import argparse

from adapt.commands.asking import Commands
from adapt.commands.logbook.status import add_status, say_status

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    what = "open a job again that was closed or stopped, and say why"
    add_status(commands, "reopen", what, "vibration came back")


def run(asked: argparse.Namespace) -> int:
    return say_status(asked, "open")
