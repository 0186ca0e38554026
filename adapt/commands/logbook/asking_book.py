"""What the verbs of a logbook share: its address, whose change it is."""

from __future__ import annotations

import argparse
import getpass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from adapt.database.opening import Logbook

__all__ = ["book_of", "by", "logbook", "named", "who_of"]


def logbook(sub: argparse.ArgumentParser) -> None:
    """Add the logbook."""
    sub.add_argument(
        "book",
        metavar="BOOK",
        help="the logbook: a file such as fleet.logbook, or postgresql://user@host/database",
    )


def by(sub: argparse.ArgumentParser) -> None:
    """Add whose change it is."""
    sub.add_argument("--by", metavar="NAME", help="whose change it is (default: who is logged in)")


def named(sub: argparse.ArgumentParser, note: str = "why, in a few words") -> None:
    """Add whose change it is, and a note on it."""
    by(sub)
    sub.add_argument("--note", metavar="TEXT", default="", help=note)


def book_of(asked: argparse.Namespace, to_write: bool = False) -> Logbook:
    """Return the logbook that was asked for, opened."""
    from adapt.database.opening import open_logbook

    return open_logbook(asked.book, to_write)


def who_of(asked: argparse.Namespace) -> str:
    """Return whose change it is."""
    if asked.by and asked.by.strip():
        return str(asked.by.strip())
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # a user without a name
        return "unknown"
