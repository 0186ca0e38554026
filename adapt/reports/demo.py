"""The demo: the whole job on an invented operator's files, told in two minutes' reading.

Puts the steps in a row and picks what to show of each; every step is the one a user would take.
"""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from shlex import quote
from typing import Any

import adapt
from adapt.coefficients import Coefficients, learned_document
from adapt.log import History
from adapt.outcomes.outcome import Outcome
from adapt.planning.plan import Plan
from adapt.reports.cautions import SHORT
from adapt.reports.documents import check_document
from adapt.reports.layout import Block, Bullets, Commands, Heading, Line
from adapt.reports.learning.of_type import chart_in_short
from adapt.reports.outcomes.chart_verdict import findings
from adapt.reports.outcomes.compared import overall_table
from adapt.reports.outcomes.outcome_documents import outcome_document
from adapt.reports.planning.plan_documents import plan_document
from adapt.reports.planning.planned import checks, headline, moves, readings_table, tradeoff
from adapt.reports.show import step
from adapt.reports.wording import count
from adapt.rotor import Rotor
from adapt.scenario import Demo, write_demo

__all__ = ["run_demo"]


def run_demo(
    folder: str | PathLike[str], quiet: bool, program: str = "adapt"
) -> tuple[dict[str, Any], list[Block]]:
    """Write the demo into a folder, do the whole job on it, and return document and report.

    quiet: no progress on standard error. program: how the user calls it. Raises BadInput when the
    folder is in use.
    """
    with step("Writing the demo's files", quiet):
        demo = write_demo(folder)
        log = adapt.read_log(demo.log)
    with step("Main rotor: checking", quiet):
        rotor = adapt.read_rotor(demo.main_rotor)
        chart = adapt.read_chart(demo.main_chart, rotor)
        history = adapt.check(rotor, log)
    with step("Main rotor: learning", quiet):
        learned = adapt.learn(rotor, history, chart=chart)
    with step("Main rotor: planning", quiet):
        plan = adapt.plan(rotor, learned, history, job=demo.main_job)
    with step("Main rotor: predicting every run from those before it", quiet):
        outcome = adapt.compare(rotor, history, chart)
    with step("Tail rotor: learning and planning", quiet):
        tail = adapt.read_rotor(demo.tail_rotor)
        tail_chart = adapt.read_chart(demo.tail_chart, tail)
        tail_history = adapt.check(tail, log)
        tail_learned = adapt.learn(tail, tail_history, chart=tail_chart)
        tail_plan = adapt.plan(tail, tail_learned, tail_history, job=demo.tail_job)

    origin, tail_origin = _origin(learned, "chart.csv"), _origin(tail_learned, "tail-chart.csv")
    document = {
        "folder": str(demo.folder),
        "check": check_document(history),
        "learn": learned_document(learned),
        "plan": plan_document(plan, rotor, origin),
        "compare": outcome_document(outcome),
        "tail_plan": plan_document(tail_plan, tail, tail_origin),
    }
    report = [
        *_opening(demo, history),
        *_learned(learned, rotor),
        *_tonight(plan, rotor, origin),
        *_tail(tail_plan, tail, tail_origin),
        *_outcome(outcome, rotor),
        *_next(demo, program),
    ]
    return document, report


def _origin(learned: Coefficients, chart: str) -> str:
    return f"learned from {count(len(learned.taught), 'pair')} of this log, starting from {chart}"


def _opening(demo: Demo, history: History) -> Iterable[Block]:
    yield Heading("Demo: an invented operator, two years of rotor work", level=1)
    jobs = history.runs["job"].nunique()
    yield Line(
        f"Files in {demo.folder}. Main rotor: {count(len(history.runs), 'run')} in "
        f"{count(jobs, 'job')} on {count(history.runs['rotor'].nunique(), 'rotor')}; "
        f"{count(len(history.set_aside), 'job')} left out because of "
        f"{count(len(history.faults), 'fault')}; {count(len(history.doubts), 'doubt')}."
    )


def _learned(learned: Coefficients, rotor: Rotor) -> Iterable[Block]:
    yield Heading("What was learned against the chart", level=1)
    yield chart_in_short(learned, rotor)
    yield Line("Over all regimes; ± one standard deviation. 1.00 and +0: the chart is right.")


def _tonight(plan: Plan, rotor: Rotor, origin: str) -> Iterable[Block]:
    yield from headline(plan, origin)
    yield from moves(plan, rotor)
    yield readings_table(plan, rotor)
    yield from tradeoff(plan, rotor)
    yield from checks(plan, rotor)
    yield Heading("Cautions")
    yield Bullets(SHORT)


def _tail(plan: Plan, rotor: Rotor, origin: str) -> Iterable[Block]:
    yield from headline(plan, origin)
    yield from moves(plan, rotor)
    yield readings_table(plan, rotor)
    yield from checks(plan, rotor)


def _outcome(outcome: Outcome, rotor: Rotor) -> Iterable[Block]:
    yield Heading("How predictions did: main rotors", level=1)
    yield overall_table(outcome, rotor)
    yield Line(
        f"{count(outcome.runs, 'run')}, each predicted from the runs before it only. Skill: how "
        "much of the mean square error of 'no change' is gone."
    )
    said = findings(outcome, most=3)
    if said:
        yield Bullets(said)


def _next(demo: Demo, program: str) -> Iterable[Block]:
    files = f"{quote(str(demo.main_rotor))} {quote(str(demo.log))}"
    chart = f"--chart {quote(str(demo.main_chart))}"
    yield Heading("What to type next", level=1)
    yield Commands(
        (
            f"{program} check {files}",
            f"{program} learn {files} {chart} --output learned.json",
            f"{program} plan {files} --job {demo.main_job} --coefficients learned.json",
            f"{program} compare {files} {chart}",
        )
    )
    yield Line("For your own aircraft: copy the folder and put your own files in place of these.")
