"""Words of the command line to values: the parser, its helpers, and what options share.

Imports nothing heavy.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any, NoReturn

from adapt.problems import BadInput, shown

__all__ = [
    "AIMS",
    "Commands",
    "Parser",
    "amount",
    "amounts",
    "at_least_0",
    "chance",
    "explanation",
    "files",
    "known_on",
    "minutes",
    "moves",
    "port",
    "published_set",
    "rotor_file",
    "seconds",
    "workers",
]

LARGEST_NUMBER = 1e12  # as in files; where that is kept imports more than a parser needs

AIMS = ("fewest", "smoothest", "quickest", "likeliest")


class Commands:
    """The commands of a parser, to which each command adds itself."""

    def __init__(
        self, whole: argparse.ArgumentParser, kind: str = "command", within: str | None = None
    ) -> None:
        """Let commands be added to a parser; within: the command that they are verbs of."""
        self._kind, self._within = kind, within
        self._commands: Any = whole.add_subparsers(
            title=f"{kind}s", metavar=kind.upper(), required=True
        )

    def group(self, name: str, what: str, example: str) -> Commands:
        """Return the verbs of a new command that has several."""
        sub = self._parser(name, what, example)
        return Commands(sub, "verb", name)

    def add(self, name: str, what: str, example: str) -> argparse.ArgumentParser:
        """Return the parser of a new command.

        what: one line that starts in lower case, without a full stop. example: a line to type that
        the parser understands; more may follow, each after a line end and two blanks.
        """
        sub = self._parser(name, what, example)
        if self._within is None:
            sub.set_defaults(command=name)
        else:
            sub.set_defaults(command=self._within, verb=name)
        sub.add_argument("--json", action="store_true", help="print one JSON document, only that")
        return sub

    def _parser(self, name: str, what: str, example: str) -> argparse.ArgumentParser:
        sub: argparse.ArgumentParser = self._commands.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example:\n  {example}",
            allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        return sub


def files(sub: argparse.ArgumentParser) -> None:
    """Add the two files that most commands read."""
    rotor_file(sub)
    sub.add_argument(
        "log", metavar="LOG", help="the log: a folder, a workbook, or a logbook (a file or a URL)"
    )
    known_on(sub)
    # What reads a log asks for these; most commands do not take them.
    sub.set_defaults(job=None, coefficients=None, published=None)


def known_on(sub: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """Add as of when a logbook is read."""
    sub.add_argument(
        "--as-known-on",
        metavar="DATE",
        help="where LOG is a logbook: as it was known then, such as 2026-05-01 or 'change 17'",
    )


def published_set(source: argparse._MutuallyExclusiveGroup) -> None:
    """Add a published set as where coefficients come from."""
    source.add_argument(
        "--set",
        metavar="NAME",
        dest="published",
        help="where LOG is a logbook: the coefficients published in it under this name; newer "
        "pairs are added",
    )


def rotor_file(sub: argparse.ArgumentParser) -> None:
    """Add the rotor file, for commands that read no log or another file in its place."""
    sub.add_argument("rotor", metavar="ROTOR", help="the rotor file, such as main-rotor.toml")


def chance(text: str) -> float:
    """Return a chance from 0 up to but not including 1."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1.0:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a chance from 0 up to (not including) 1, such as 0.9"
        )
    return value


def workers(text: str) -> int:
    """Return a number of processes."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a whole number of processes, 1 or more"
        )
    return int(text)


def moves(text: str) -> int:
    """Return a number of moves."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a whole number of moves")
    return int(text)


def explanation(text: str) -> int:
    """Return the number of an explanation."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected the number of an explanation, such as 1"
        )
    return int(text)


def amount(text: str) -> float:
    """Return an amount that is not 0."""
    try:
        amount = float(text)
    except ValueError:
        amount = 0.0
    if amount == 0.0 or not abs(amount) < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected an amount, such as -40")
    return amount


def minutes(text: str) -> float:
    """Return minutes of labour."""
    return at_least_0(text, "minutes, such as 90")


def seconds(text: str) -> float:
    """Return a time."""
    return at_least_0(text, "a time in seconds, such as 60")


def port(text: str) -> int:
    """Return a port; 0 takes one that is free."""
    if not text.isdecimal() or len(text) > 5 or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"found {shown(text)}, expected a port, 0 to 65535")
    return int(text)


def at_least_0(text: str, expected: str) -> float:
    """Return a number of at least 0; none is beyond what files may hold."""
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0.0 <= number <= LARGEST_NUMBER:
        raise argparse.ArgumentTypeError(f"found {shown(text)}, expected {expected}")
    return number


class Parser(argparse.ArgumentParser):
    """A parser whose errors end like every other bad input."""

    def error(self, message: str) -> NoReturn:
        raise BadInput(f"{message}\n{self.format_usage().strip()}\nMore: {self.prog} --help")


def amounts(option: str, pairs: Sequence[Sequence[str]]) -> dict[str, float]:
    """Return the numbers that stand beside names on the command line."""
    found: dict[str, float] = {}
    wrong = []
    for name, text in pairs:
        try:
            number = float(text)
        except ValueError:
            wrong.append(f"{option} {name}: found {text!r}, expected a number")
            continue
        if name in found:
            wrong.append(f"{option} {name}: given twice")
        found[name] = number
    if wrong:
        raise BadInput("; ".join(wrong))
    return found
