"""`adapt logbook correct`: single cells of a row put right."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, rotors_for, who_of
from adapt.commands.logbook.entry import entry_number
from adapt.problems import BadInput, shown

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "correct",
        "put single cells of a row right; what it said is kept",
        "adapt logbook correct fleet.logbook readings 613 --set clock 1:29 --note 'as on the tape'",
    )
    logbook(sub)
    sub.add_argument("table", metavar="TABLE", help="runs, readings, track, moves, ...")
    sub.add_argument("number", metavar="NUMBER", help="its number, which messages give as the row")
    sub.add_argument(
        "--set",
        metavar=("COLUMN", "CELL"),
        nargs=2,
        action="append",
        default=[],
        dest="cells",
        help="the new cell of a column; may be given more than once",
    )
    sub.add_argument(
        "--rotor",
        metavar="F",
        action="append",
        default=[],
        help="check the job by this rotor file, besides those that are kept; may be given more "
        "than once",
    )
    named(sub, "why it is corrected; must be given")


def run(asked: argparse.Namespace) -> int:
    from dataclasses import asdict

    from adapt.logbook.correcting import correct
    from adapt.logbook.record import entry_of
    from adapt.reports.logbook.changes import corrected_report, entry_document

    number = entry_number(asked.number)
    twice = [c for i, (c, _) in enumerate(asked.cells) if c in [x for x, _ in asked.cells[:i]]]
    if twice:
        raise BadInput(f"--set {shown(twice[0])[1:-1]}: given twice")
    book = book_of(asked, to_write=True)
    rotors = rotors_for(book, asked.rotor)
    made = correct(
        book, asked.table, number, dict(asked.cells), who_of(asked), asked.note, rotors
    )  # fmt: skip
    with book.reading() as connection:
        entries = entry_of(connection, asked.table, made.entry)
    answer(
        asked,
        lambda: {
            "change": made.change,
            "entry": made.entry,
            "doubts": [asdict(p) for p in made.doubts],
            "unchecked_designs": list(made.unchecked),
            **entry_document(entries),
        },
        lambda: corrected_report(entries, made, book.shown),
    )
    return DONE
