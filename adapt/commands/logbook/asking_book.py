"""What the verbs of a logbook share: its address, whose change it is."""

from __future__ import annotations

import argparse
import getpass
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from adapt.database.opening import Logbook
    from adapt.logbook.maps import Map
    from adapt.rotor import Rotor

__all__ = ["book_of", "by", "logbook", "map_kept", "named", "rotors_for", "who_of"]


def logbook(sub: argparse.ArgumentParser) -> None:
    """Add the logbook."""
    sub.add_argument(
        "book",
        metavar="BOOK",
        help="the logbook: a file such as fleet.logbook, or postgresql://user@host/database",
    )


def by(sub: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
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


def rotors_for(book: Logbook, files: Sequence[str]) -> list[Rotor]:
    """Return the rotor files that were given, and those kept of other designs."""
    import adapt
    from adapt.database.states import latest
    from adapt.log_columns import folded
    from adapt.logbook.documents import kept_rotors

    given = [adapt.read_rotor(file) for file in files]
    with book.reading() as connection:
        kept = kept_rotors(book, connection, latest(connection))
    names = {folded(rotor.name) for rotor in given}
    return [*given, *(rotor for rotor in kept if folded(rotor.name) not in names)]


def map_kept(book: Logbook, name: str) -> Map:
    """Return the column map that is kept under a name."""
    from adapt.logbook.documents import kept_map

    with book.reading() as connection:
        return kept_map(book, connection, name)


def who_of(asked: argparse.Namespace) -> str:
    """Return whose change it is."""
    if asked.by and asked.by.strip():
        return str(asked.by.strip())
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # a user without a name
        return "unknown"
