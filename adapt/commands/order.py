"""`adapt order`: the order of work, and where a job stands in it."""

from __future__ import annotations

import argparse
import shlex
from typing import TYPE_CHECKING

from adapt.commands.answering import DONE, answer, called, command_on_log, read
from adapt.commands.asking import Commands, files
from adapt.database.place import without_password

if TYPE_CHECKING:
    from adapt.log import History
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "order",
        "say where a job stands in the order of work (look, track, balance) and what comes next",
        "adapt order tail-rotor.toml log/ --job J-057 --chart tail-chart.csv",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job")
    sub.add_argument("--limits", metavar="S", help="the set of limits that the rotor file names S")
    sub.add_argument("--chart", metavar="F", help="the chart to name in the command for the plan")


def run(asked: argparse.Namespace) -> int:
    """Say where a job stands."""
    import adapt
    from adapt.balancing.order_of_work import order_of_work
    from adapt.reports.balancing.order_of_work import order_document, order_report

    rotor, history = read(asked)
    if asked.chart:
        adapt.read_chart(asked.chart, rotor)  # the command for the plan must be one that runs
    order = order_of_work(rotor, history, asked.job, asked.limits)
    words = ["--job", asked.job]
    for option, value in (("--chart", asked.chart), ("--limits", asked.limits)):
        words += [option, value] if value else []
    plan = f"{shlex.quote(called())} {command_on_log(asked, 'plan')}"
    answer(
        asked,
        lambda: order_document(order),
        lambda: order_report(
            order, rotor, f"{plan} {shlex.join(words)}", _trial(asked, rotor, history)
        ),
    )
    return DONE


def _trial(asked: argparse.Namespace, rotor: Rotor, history: History) -> str | None:
    """Return the command for a trial weight, where no chart and no move tells what weights do."""
    weights = [a.name for a in rotor.adjusters if a.is_weight]
    if asked.chart or not weights or history.moves["adjuster"].isin(weights).any():
        return None
    words = [called(), "trial", asked.rotor, "--log", without_password(asked.log)]
    words += ["--job", asked.job]
    return f"{shlex.join([*words, '--adjuster', weights[0]])} --mass KG --radius MM"
