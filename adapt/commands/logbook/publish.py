"""`adapt logbook publish`: coefficients learned from it, that never change."""

from __future__ import annotations

import argparse
import shlex

from adapt.commands.answering import DONE, answer, called
from adapt.commands.asking import Commands
from adapt.commands.logbook.asking_book import book_of, logbook, named, who_of

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the verb and its options."""
    sub = commands.add(
        "publish",
        "learn from what the logbook holds now, and publish the coefficients under a name",
        "adapt logbook publish fleet.logbook 2026-05 --design 'main rotor'\n"
        "  adapt logbook publish fleet.logbook 2026-05 --rotor main-rotor.toml --chart chart.csv",
    )
    logbook(sub)
    sub.add_argument("name", metavar="NAME", help="the name of the set; no other may have it")
    rotor = sub.add_mutually_exclusive_group(required=True)
    rotor.add_argument("--design", metavar="D", help="by the rotor file kept for this design")
    rotor.add_argument(
        "--rotor", metavar="F", help="by this rotor file, which is kept with the set"
    )
    chart = sub.add_mutually_exclusive_group()
    chart.add_argument(
        "--chart",
        metavar="F",
        help="start from this chart, which is kept with the set (default: the design's chart, "
        "where one is kept)",
    )
    chart.add_argument("--no-chart", action="store_true", help="start from no chart")
    sub.add_argument(
        "--robust",
        action="store_true",
        help="let rough runs and gusts count less, where the log shows them",
    )
    named(sub, "what the set is for, in a few words")


def run(asked: argparse.Namespace) -> int:
    from adapt.database.place import without_password
    from adapt.logbook.publishing import publish
    from adapt.logbook.sets import coefficients_of
    from adapt.reports.logbook.sets import published_report, set_document
    from adapt.reports.show import step

    book = book_of(asked, to_write=True)
    with step("Learning", quiet=asked.json):
        made = publish(
            book,
            asked.name,
            who_of(asked),
            design=asked.design,
            rotor=asked.rotor,
            chart=asked.chart,
            with_chart=not asked.no_chart,
            robust=asked.robust,
            note=asked.note,
        )
    with book.reading() as connection:
        learned = coefficients_of(book, connection, made)
    place = without_password(asked.book)
    rotor = asked.rotor or made.rotor_file
    words = [called(), "plan", rotor, place, "--job", "J", "--set", made.label]
    review = [called(), "review", rotor, place]
    answer(
        asked,
        lambda: set_document(made, learned),
        lambda: published_report(made, learned, shlex.join(words), shlex.join(review)),
    )
    return DONE
