"""`adapt report`: one job on paper, as HTML, PDF or text."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from adapt.commands.answering import (
    DONE,
    answer,
    coefficients,
    learn_all,
    list_suspects,
    read,
    say,
    say_left_out,
)
from adapt.commands.asking import Commands, chance, files, published_set
from adapt.commands.places import require_places
from adapt.database.place import is_logbook, without_password

if TYPE_CHECKING:
    from adapt.logbook.ordering import Order
    from adapt.reports.job.values import Status

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "report",
        "report one job: readings, track, moves, what was foretold, what comes next; to be signed",
        "adapt report main-rotor.toml log/ --job J-014 --chart chart.csv --html J-014.html\n"
        "  adapt report main-rotor.toml fleet.logbook --job J-014 --set 2026-05 --pdf J-014.pdf",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job to report")
    source = sub.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument(
        "--coefficients", metavar="F", help="coefficients written by learn; newer pairs are added"
    )
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")
    sub.add_argument("--html", metavar="FILE", help="write one HTML file that needs no other")
    sub.add_argument("--pdf", metavar="FILE", help="write a PDF on A4")
    sub.add_argument(
        "--chance",
        metavar="P",
        type=chance,
        default=0.9,
        help="chance that the next correction is planned with (default 0.9)",
    )
    sub.add_argument("--limits", metavar="S", help="the set of limits that the rotor file names S")


def run(asked: argparse.Namespace) -> int:
    from adapt.files import write_whole
    from adapt.learning.suspects.slipped import slips
    from adapt.reports.html import as_page
    from adapt.reports.job.job_documents import job_document
    from adapt.reports.job.job_report import foot_of, job_report, title_of
    from adapt.reports.job.making import job_record
    from adapt.reports.log.suspects import concerns_of
    from adapt.reports.show import step

    require_places(asked, {"--html": asked.html, "--pdf": asked.pdf})
    rotor, history = read(asked)
    say_left_out(asked, history)
    known, origin = coefficients(asked, rotor, history)
    serial = str(history.runs.loc[history.runs["job"] == asked.job, "rotor"].max())
    agreed = slips(rotor, known, history, serial)
    concerns = concerns_of(known, history, serial, (list_suspects(asked), learn_all(asked)), agreed)
    with step("Looking back and planning", quiet=asked.json):
        record = job_record(
            rotor, history, asked.job, known, origin, chance=asked.chance, limits=asked.limits,
            status=_status(asked), data=_data(asked), concerns=concerns,
            ordered=_orders(asked),
        )  # fmt: skip
    report = job_report(record)
    if asked.html:
        with step("Drawing", quiet=asked.json):
            write_whole(asked.html, as_page(report, title_of(record)).encode("utf-8"))
        say(f"the report was written to {asked.html}")
    if asked.pdf:
        from adapt.reports.typeset import as_pdf

        with step("Setting the pages", quiet=asked.json):
            write_whole(asked.pdf, as_pdf(report, title_of(record), foot_of(record)))
        say(f"the report was written to {asked.pdf}")
    answer(asked, lambda: job_document(record), lambda: report)
    return DONE


def _status(asked: argparse.Namespace) -> Status | None:
    """Return what a logbook says of the job; None where the log is none."""
    if not is_logbook(asked.log):
        return None
    from adapt.commands.from_logbook import state_of_job

    return state_of_job(asked)


def _orders(asked: argparse.Namespace) -> dict[str, Order]:
    """Return what was ordered in the job, by run; nothing where the log is no logbook."""
    if not is_logbook(asked.log):
        return {}
    from adapt.commands.from_logbook import orders_of_job

    return orders_of_job(asked)


def _data(asked: argparse.Namespace) -> str:
    """Return what was read, and as of when."""
    if not is_logbook(asked.log):
        return f"data from {without_password(asked.log)}"
    from adapt.commands.from_logbook import state_in_words

    return state_in_words(asked)
