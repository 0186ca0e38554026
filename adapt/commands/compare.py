"""`adapt compare`: what was predicted beside what happened."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from adapt.commands.answering import (
    BAD_INPUT,
    DONE,
    answer,
    chart_asked_for,
    read,
    say,
    say_left_out,
)
from adapt.commands.asking import Commands, files, workers
from adapt.commands.places import require_places
from adapt.problems import AdaptError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from adapt.outcomes import Outcome
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "compare",
        "predict every run from the runs before it, by chart and by what was learned, and compare",
        "adapt compare main-rotor.toml log/ --chart chart.csv",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", required=True, help="the paper chart as a table")
    sub.add_argument("--limits", metavar="S", help="a named set of limits, for chances")
    sub.add_argument(
        "--decisions", action="store_true", help="ask the planner at every run, by what was known"
    )
    sub.add_argument(
        "--figures", metavar="FOLDER", help="write pictures into a folder (PNG and SVG)"
    )
    sub.add_argument(
        "--corrected-chart", metavar="F", help="write the chart as the log shows it (CSV)"
    )
    sub.add_argument(
        "--workers", metavar="N", type=workers, default=1, help="processes that work at once (1)"
    )


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.reports.outcomes.compared import compare_report
    from adapt.reports.outcomes.decided import decisions_document, decisions_report
    from adapt.reports.outcomes.outcome_documents import outcome_document
    from adapt.reports.show import step

    require_places(
        asked, {"--corrected-chart": asked.corrected_chart}, {"--figures": asked.figures}
    )
    rotor, history = read(asked)
    chart = chart_asked_for(asked, rotor)
    with _processes(asked.workers) as executor:
        with step("Predicting every run from the runs before it", quiet=asked.json):
            outcome = adapt.compare(rotor, history, chart, limits=asked.limits, executor=executor)
        decisions = None
        if asked.decisions:
            with step("Asking the planner at every run", quiet=asked.json):
                decisions = adapt.replay_decisions(
                    rotor, history, chart, limits=asked.limits, executor=executor
                )
    say_left_out(asked, history)
    not_written = _written(asked, outcome, rotor)
    document = outcome_document(outcome)
    if decisions is not None:
        document["decisions"] = decisions_document(decisions)
    if not_written:
        document["not_written"] = not_written
    answer(
        asked,
        lambda: document,
        lambda: [
            *compare_report(outcome, rotor),
            *(() if decisions is None else decisions_report(decisions)),
        ],
    )
    return BAD_INPUT if not_written else DONE


def _written(asked: argparse.Namespace, outcome: Outcome, rotor: Rotor) -> list[str]:
    """Write the files that were asked for; return what could not be, which hides no answer."""
    failed = []
    for place, write in (
        (asked.corrected_chart, _write_chart),
        (asked.figures, _write_pictures),
    ):
        if not place:
            continue
        try:
            write(asked, outcome, rotor)
        except AdaptError as error:
            say(str(error))
            failed.append(str(error))
    return failed


def _write_chart(asked: argparse.Namespace, outcome: Outcome, rotor: Rotor) -> None:
    from adapt.chart import write_chart
    from adapt.outcomes import corrected_chart

    write_chart(corrected_chart(outcome.learned), rotor, asked.corrected_chart, digits=6)
    if outcome.learned is not None and not (
        outcome.learned.type_.pairs.any() or outcome.learned.type_.track_pairs.any()
    ):
        said = "no move of this log was read before and after: its numbers are the chart's"
    else:
        said = "for paper and for other logs (learned from with this log, it would count twice)"
    say(f"the chart as this log shows it written to {asked.corrected_chart}: {said}")


def _write_pictures(asked: argparse.Namespace, outcome: Outcome, rotor: Rotor) -> None:
    from adapt.reports.pictures.folder import write_pictures
    from adapt.reports.pictures.outcomes import outcome_pictures
    from adapt.reports.show import step

    with step("Drawing", quiet=asked.json):
        paths = write_pictures(outcome_pictures(outcome, rotor), asked.figures)
    say(f"{len(paths)} pictures written to {asked.figures}")


@contextmanager
def _processes(number: int) -> Iterator[Executor | None]:
    """Give processes to work in, or None for one process."""
    if number == 1:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(number, multiprocessing.get_context("spawn")) as pool:
        yield pool
