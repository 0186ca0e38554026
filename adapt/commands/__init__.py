"""The commands, one module each: what it takes (`add`) and what it does (`run`).

A command reads what was asked for, calls the package, and hands values to a report: it computes
nothing. Adding one is a module here and its name below.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib import import_module
from typing import Any

from adapt import __version__
from adapt.commands.asking import Commands, Parser

__all__ = ["COMMANDS", "command_of", "parser"]

# Command -> its module, in the order in which --help lists them.
COMMANDS = {
    "check": "check",
    "learn": "learn",
    "review": "review",
    "plan": "plan",
    "compare": "compare",
    "report": "report",
    "order": "order",
    "from-paper": "from_paper",
    "to-paper": "to_paper",
    "trial": "trial",
    "balance": "balance",
    "amplitudes": "amplitudes",
    "share": "share",
    "residual": "residual",
    "setup": "setup",
    "reference": "reference",
    "logbook": "logbook",
    "pages": "pages",
    "demo": "demo",
}


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; `command` of what it returns is the command's name."""
    whole = Parser(
        prog="adapt",
        description="Rotor track and balance: learn what one unit of each adjustment does on your "
        "own rotors, plan the fewest moves that bring every reading inside its limit, and compare "
        "predictions with what the aircraft did.",
        epilog="To see all of it on an invented fleet, type: adapt demo",
        allow_abbrev=False,
    )
    whole.add_argument("--version", action="version", version=f"adapt {__version__}")
    commands = Commands(whole)
    for name in COMMANDS:
        _module(name).add(commands)
    return whole


def command_of(name: str) -> Callable[[argparse.Namespace], int]:
    """Return what runs a command: it takes what was asked and returns the exit status."""
    run: Callable[[argparse.Namespace], int] = _module(name).run
    return run


def _module(name: str) -> Any:
    return import_module(f"adapt.commands.{COMMANDS[name]}")
