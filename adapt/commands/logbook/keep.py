"""`adapt logbook keep`: a rotor file, a chart or a column map, kept in the logbook."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of
from adapt.problems import BadInput

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "keep",
        "keep a rotor file, the chart of a design or a column map, once it has been read",
        "adapt logbook keep fleet.logbook --rotor main-rotor.toml\n"
        "  adapt logbook keep fleet.logbook --chart chart.csv --design 'main rotor'",
    )
    logbook(sub)
    what = sub.add_mutually_exclusive_group(required=True)
    what.add_argument("--rotor", metavar="F", help="a rotor file; it says its design itself")
    what.add_argument("--chart", metavar="F", help="the chart of a design; goes with --design")
    what.add_argument("--map", metavar="F", help="a column map; it says its name itself")
    sub.add_argument("--design", metavar="D", help="with --chart: whose rotor file is kept already")
    named(sub)


def run(asked: argparse.Namespace) -> int:
    from adapt.logbook.documents import keep_chart, keep_column_map, keep_rotor_file
    from adapt.reports.logbook.documents import kept_document, kept_report

    if (asked.chart is None) != (asked.design is None):
        raise BadInput("--chart and --design go together: a chart belongs to a design")
    book, who = book_of(asked, to_write=True), who_of(asked)
    if asked.rotor is not None:
        kept = keep_rotor_file(book, asked.rotor, who, asked.note)
    elif asked.chart is not None:
        kept = keep_chart(book, asked.chart, asked.design, who, asked.note)
    else:
        kept = keep_column_map(book, asked.map, who, asked.note)
    answer(asked, lambda: kept_document(kept), lambda: kept_report(kept))
    return DONE
