"""`adapt logbook import`: a source's rows into a logbook, all of them or none."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapt.commands.answering import BAD_INPUT, DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, map_kept, named, rotors_for, who_of

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "import",
        "take the rows of a log's folder, a workbook or an instrument's table in: all or nothing",
        "adapt logbook import fleet.logbook log/ --rotor main-rotor.toml --dry-run\n"
        "  adapt logbook import fleet.logbook log/ --correct --note 'readings typed again'\n"
        "  adapt logbook import fleet.logbook 2026-11_vib.csv --map recorder.toml",
    )
    logbook(sub)
    sub.add_argument("source", metavar="SOURCE", help="the folder, the file or the logbook to read")
    sub.add_argument(
        "--rotor",
        metavar="F",
        action="append",
        default=[],
        help="check the jobs concerned by this rotor file, besides those that are kept; may be "
        "given more than once",
    )
    sub.add_argument(
        "--map",
        metavar="F",
        help="the source is an instrument's own table or folder, read through this column map: a "
        "file, or the name of one that is kept",
    )
    sub.add_argument(
        "--dry-run", action="store_true", help="say what would come in, and keep nothing"
    )
    sub.add_argument(
        "--correct",
        action="store_true",
        help="rows that say something else than the logbook correct it, and rows that were taken "
        "out of it come back; what they replace is kept",
    )
    sub.add_argument(
        "--with-faults",
        action="store_true",
        help="also keep jobs that cannot be used as they are; they stay set aside until corrected",
    )
    named(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.importing.source import batches_of
    from adapt.logbook.importing.taking_in import take_in
    from adapt.logbook.maps import mapped, read_map
    from adapt.reports.logbook.taken_in import taken_in_document, taken_in_report
    from adapt.reports.show import step

    book = book_of(asked, to_write=True)
    column_map = None
    if asked.map is not None:
        column_map = read_map(asked.map) if Path(asked.map).exists() else map_kept(book, asked.map)
    with step("Reading", quiet=asked.json) as tell:
        found = take_in(
            book,
            batches_of(asked.source) if column_map is None else mapped(column_map, asked.source),
            asked.source,
            who_of(asked),
            asked.note,
            rotors=rotors_for(book, asked.rotor),
            correct=asked.correct,
            with_faults=asked.with_faults,
            dry=asked.dry_run,
            told=lambda rows: tell(f"{rows:,} rows"),
        )
    answer(
        asked,
        lambda: taken_in_document(found),
        lambda: taken_in_report(found, book.shown, asked.source),
    )
    return BAD_INPUT if found.refused else DONE
