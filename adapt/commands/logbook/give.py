"""`adapt logbook give`: a published set or a document, byte for byte as a file."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook
from adapt.commands.logbook.entry import entry_number
from adapt.problems import BadInput

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "give",
        "write a published set (or a document) to a file, byte for byte as it is kept",
        "adapt logbook give fleet.logbook 2026-05 --output coefficients.json\n"
        "  adapt logbook give fleet.logbook --document 1 --output main-rotor.toml",
    )
    logbook(sub)
    sub.add_argument("name", metavar="NAME", nargs="?", help="the set")
    sub.add_argument("--document", metavar="N", help="this document in place of a set")
    sub.add_argument("--output", metavar="F", required=True, help="the file to write")
    sub.add_argument(
        "--although-withdrawn", action="store_true", help="also a set that is not to be used"
    )


def run(asked: argparse.Namespace) -> int:
    from adapt.files import write_whole
    from adapt.logbook.documents import document_of
    from adapt.logbook.sets import content_of, require_in_use, set_of
    from adapt.reports.logbook.documents import given_document, given_report

    if (asked.name is None) == (asked.document is None):
        raise BadInput("what to write: found nothing, or both; expected NAME or --document N")
    book = book_of(asked)
    with book.reading() as connection:
        if asked.name is not None:
            one = set_of(book, connection, asked.name)
            if not asked.although_withdrawn:
                require_in_use(one)
            content, digest, what = content_of(book, connection, one), one.digest, "set"
            label, withdrawn = one.label, one.withdrawn is not None
        else:
            document, content = document_of(book, connection, entry_number(asked.document))
            digest, what, withdrawn = document.digest, document.kind, False
            label = document.label
    _require_apart(asked)
    write_whole(asked.output, content)
    told = what, label, asked.output, len(content), digest, withdrawn
    answer(asked, lambda: given_document(*told), lambda: given_report(*told))
    return DONE


def _require_apart(asked: argparse.Namespace) -> None:
    """Refuse to write over the logbook itself."""
    from adapt.commands.places import require_apart
    from adapt.database.place import is_url

    if not is_url(asked.book):
        require_apart({"--output": asked.output}, {"BOOK": asked.book})
