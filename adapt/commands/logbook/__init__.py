"""`adapt logbook VERB`: what is done with a logbook, one module each, as commands are."""

from __future__ import annotations

import argparse
from importlib import import_module
from typing import Any

from adapt.commands.asking import Commands

__all__ = ["VERBS", "add", "run"]

# Verb -> its module, in the order in which --help lists them.
VERBS = {
    "new": "new",
    "import": "importing",
    "export": "export",
    "changes": "changes",
    "entry": "entry",
    "correct": "correct",
    "take-out": "take_out",
    "jobs": "jobs",
    "close": "close",
    "stop": "stop",
    "reopen": "reopen",
    "keep": "keep",
    "documents": "documents",
    "publish": "publish",
    "sets": "sets",
    "recompute": "recompute",
    "withdraw": "withdraw",
    "give": "give",
    "verify": "verify",
    "backup": "backup",
    "restore": "restore",
    "upgrade": "upgrade",
}


def add(commands: Commands) -> None:
    """Add the command and its verbs."""
    verbs = commands.group(
        "logbook",
        "keep years of runs in a logbook, in which nothing is ever overwritten",
        "adapt logbook new fleet.logbook\n"
        "  adapt logbook import fleet.logbook log/ --rotor main-rotor.toml\n"
        "  adapt plan main-rotor.toml fleet.logbook --job J-014 --chart chart.csv",
    )
    for verb in VERBS:
        _module(verb).add(verbs)


def run(asked: argparse.Namespace) -> int:
    status: int = _module(asked.verb).run(asked)
    return status


def _module(verb: str) -> Any:
    return import_module(f"adapt.commands.logbook.{VERBS[verb]}")
