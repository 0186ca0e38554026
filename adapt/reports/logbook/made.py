"""A logbook that was made: what comes next."""

from __future__ import annotations

from typing import Any

from adapt.database.opening import Logbook
from adapt.reports.layout import Block, Commands, Heading, Line

__all__ = ["made_document", "made_report"]


def made_document(book: Logbook) -> dict[str, Any]:
    """Return the document of a new logbook."""
    return {"logbook": book.shown}


def made_report(book: Logbook) -> list[Block]:
    """Return where the logbook is, and how runs come into it."""
    return [
        Heading(f"Logbook {book.shown}", level=1),
        Line("Made, and empty. Runs come into it from a log's folder:"),
        Commands((f"adapt logbook import {book.shown} log/ --rotor main-rotor.toml --dry-run",)),
        Line(
            "Everything that reads a log takes the logbook in the folder's place. Nothing in it is "
            "ever overwritten: a correction is a new row beside the old."
        ),
        *_keep_it(book),
    ]


def _keep_it(book: Logbook) -> list[Block]:
    if not book.on_file:
        return []
    return [
        Line(
            "While it is in use files of the same name that end in -wal and -shm stand beside it "
            "and belong to it: copy it with 'adapt logbook backup', not by hand. Several machines "
            "at once need a PostgreSQL server, not a file on a shared drive."
        )
    ]
