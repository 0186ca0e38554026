"""`adapt compare`: what was predicted beside what happened."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from adapt.commands.answering import DONE, answer, read, say, say_left_out
from adapt.commands.asking import Commands, files, workers

if TYPE_CHECKING:
    from concurrent.futures import Executor

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
    from adapt.chart import write_chart
    from adapt.outcomes import corrected_chart
    from adapt.reports.outcomes.compared import compare_report
    from adapt.reports.outcomes.decided import decisions_document, decisions_report
    from adapt.reports.outcomes.outcome_documents import outcome_document
    from adapt.reports.pictures.folder import write_pictures
    from adapt.reports.pictures.outcomes import outcome_pictures
    from adapt.reports.show import step

    rotor, history = read(asked)
    chart = adapt.read_chart(asked.chart, rotor)
    with _processes(asked.workers) as executor:
        with step("Predicting every run from the runs before it", quiet=asked.json):
            outcome = adapt.compare(rotor, history, chart, limits=asked.limits, executor=executor)
        decisions = None
        if asked.decisions:
            with step("Asking the planner at every run", quiet=asked.json):
                decisions = adapt.replay_decisions(
                    rotor, history, chart, limits=asked.limits, executor=executor
                )
    if asked.corrected_chart:
        write_chart(corrected_chart(outcome.learned), rotor, asked.corrected_chart, digits=6)
        say(
            f"the chart as this log shows it written to {asked.corrected_chart}: for paper and for "
            "other logs (learned from with this log, it would count twice)"
        )
    if asked.figures:
        with step("Drawing", quiet=asked.json):
            paths = write_pictures(outcome_pictures(outcome, rotor), asked.figures)
        say(f"{len(paths)} pictures written to {asked.figures}")
    say_left_out(asked, history)
    document = outcome_document(outcome)
    if decisions is not None:
        document["decisions"] = decisions_document(decisions)
    answer(
        asked,
        lambda: document,
        lambda: [
            *compare_report(outcome, rotor),
            *(() if decisions is None else decisions_report(decisions)),
        ],
    )
    return DONE


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
