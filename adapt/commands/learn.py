"""`adapt learn`: influence coefficients from the log."""

from __future__ import annotations

import argparse

from adapt.commands.answering import DONE, answer, chart_asked_for, read, say, say_left_out
from adapt.commands.asking import Commands, files
from adapt.commands.places import require_places

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "learn",
        "learn each rotor's influence coefficients from the log's before/after run pairs",
        "adapt learn main-rotor.toml log/ --chart chart.csv --output learned.json",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", help="the paper chart as a table, to start from")
    sub.add_argument("--output", metavar="F", help="write the coefficients to this JSON file")
    sub.add_argument(
        "--robust",
        action="store_true",
        help="let rough runs and gusts count less, where the log shows them",
    )
    sub.add_argument(
        "--rotor", metavar="SERIAL", dest="serial", help="show one rotor's own coefficients"
    )


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.learning.suspects.slipped import slips
    from adapt.reports.documents import learn_document
    from adapt.reports.learning.learned import learned_report, require_rotor, rotor_report
    from adapt.reports.show import step

    require_places(asked, {"--output": asked.output})
    rotor, history = read(asked)
    chart = chart_asked_for(asked, rotor)
    with step("Learning", quiet=asked.json):
        learned = adapt.learn(rotor, history, chart=chart, robust=asked.robust)
    if asked.serial is not None:
        require_rotor(learned, asked.serial)
    if asked.output:
        adapt.write_coefficients(learned, asked.output)
        say(f"coefficients written to {asked.output}")
    say_left_out(asked, history)
    agreed = slips(rotor, learned, history, asked.serial)
    answer(
        asked,
        lambda: learn_document(learned, rotor, asked.serial, agreed),
        lambda: (
            learned_report(learned, rotor, agreed)
            if asked.serial is None
            else rotor_report(learned, rotor, asked.serial)
        ),
    )
    return DONE
