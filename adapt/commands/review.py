"""`adapt review`: suspect entries, and what a specialist decides about them."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from adapt.commands.answering import (
    DONE,
    answer,
    chart_asked_for,
    list_suspects,
    read_files,
    say_left_out,
)
from adapt.commands.asking import Commands, amount, explanation, files
from adapt.database.place import is_logbook
from adapt.problems import BadInput

if TYPE_CHECKING:
    from adapt.log import History, Log
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "review",
        "list the entries of a log that are probably wrong, and record what you decide about them",
        "adapt review main-rotor.toml log/ --chart chart.csv\n"
        "  adapt review main-rotor.toml log/ --chart chart.csv --job J-014 --run 2 --accept 1\n"
        "  adapt review main-rotor.toml log/ --job J-014 --run 2 --undo",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", help="the paper chart, as for learn")
    sub.add_argument("--job", metavar="J", help="only this job; the job of the decision")
    sub.add_argument("--run", metavar="R", help="only this run; the run of the decision")
    decision = sub.add_mutually_exclusive_group()
    decision.add_argument(
        "--accept",
        metavar="N",
        type=explanation,
        help="explanation N is true: use the log as corrected by it (the log itself stays)",
    )
    decision.add_argument(
        "--exclude",
        metavar="N",
        type=explanation,
        nargs="?",
        const=0,
        help="learn nothing from the pair; with N do not use the readings that explanation N names",
    )
    decision.add_argument(
        "--keep", action="store_true", help="looked at and right: use it, do not list it again"
    )
    decision.add_argument(
        "--undo", action="store_true", help="take the latest decision on this job and run back"
    )
    sub.add_argument(
        "--amount",
        metavar="X",
        type=amount,
        help="with --accept: the size of a move that was not recorded, in the adjuster's unit",
    )
    sub.add_argument("--by", metavar="NAME", default="", help="who decides")
    sub.add_argument("--note", metavar="TEXT", default="", help="why, in a few words")


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.reports.log.review_documents import review_document
    from adapt.reports.log.reviewed import review_report
    from adapt.reports.show import step

    decides = asked.accept is not None or asked.exclude is not None or asked.keep
    if (decides or asked.undo) and (asked.job is None or asked.run is None):
        raise BadInput("a decision needs --job and --run, as 'adapt review' lists them")
    if asked.amount is not None and asked.accept is None:
        raise BadInput("--amount goes with --accept: the size of a move that was not recorded")
    if (decides or asked.undo) and asked.as_known_on is not None:
        raise BadInput("--as-known-on: a decision is made on what the logbook holds now; leave it")
    if asked.undo:
        return _take_back(asked)
    rotor, log = read_files(asked)
    history = adapt.check(rotor, log)
    chart = chart_asked_for(asked, rotor)
    with step("Learning", quiet=asked.json):
        suspects = adapt.learn(rotor, history, chart=chart, health=False).suspects
    if decides:
        return _decide(asked, rotor, log, history, suspects)
    say_left_out(asked, history)
    answer(
        asked,
        lambda: review_document(suspects, rotor, history, asked.job, asked.run),
        lambda: review_report(suspects, rotor, history, list_suspects(asked), asked.job, asked.run),
    )
    return DONE


def _decide(
    asked: argparse.Namespace,
    rotor: Rotor,
    log: Log,
    history: History,
    suspects: Sequence[Mapping[str, Any]],
) -> int:
    """Write one decision down and show it as the log that is read again has it."""
    from datetime import datetime

    from adapt.log import deciding, reviewing
    from adapt.reports.log.review_documents import recorded_document
    from adapt.reports.log.reviewed import recorded_report

    suspect = deciding.suspect_at(suspects, history, asked.job, asked.run)
    if asked.accept is not None:
        decision = deciding.accept(rotor, log, history, suspect, asked.accept, asked.amount)
    elif asked.exclude is not None:
        decision = deciding.exclude(rotor, log, history, suspect, asked.exclude or None)
    else:
        decision = deciding.keep(suspect)
    now = datetime.now().astimezone()
    number, after = reviewing.record(
        rotor, asked.log, history, decision, now, by=_by(asked), note=asked.note
    )
    answer(
        asked,
        lambda: recorded_document(number, rotor, history, after),
        lambda: recorded_report(number, rotor, history, after, list_suspects(asked)),
    )
    return DONE


def _take_back(asked: argparse.Namespace) -> int:
    from adapt.log import reviewing
    from adapt.reports.log.review_documents import taken_back_document
    from adapt.reports.log.reviewed import taken_back_report

    row = reviewing.take_back(asked.log, asked.job, asked.run, _by(asked))
    answer(asked, lambda: taken_back_document(row), lambda: taken_back_report(row))
    return DONE


def _by(asked: argparse.Namespace) -> str:
    """Return who decides; a logbook records it, so that who is logged in stands in for nobody."""
    if asked.by or not is_logbook(asked.log):
        return str(asked.by)
    from adapt.commands.logbook.asking_book import who_of

    return who_of(asked)
