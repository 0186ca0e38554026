"""`adapt balance`: one and more planes from a job's own trial weights, no chart."""

from __future__ import annotations

import argparse

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer, read, say_left_out
from adapt.commands.asking import AIMS, Commands, files, seconds

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "balance",
        "balance one or more planes from a job's own runs with trial weights, without a chart",
        "adapt balance fan.toml log/ --job J-014\n"
        "  adapt balance fan.toml log/ --job J-014 --plane 'plane 1 weight' --regime 'full speed'",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job with the trial runs")
    sub.add_argument(
        "--plane", metavar="A", action="append", default=[],
        help="an adjuster to correct with (the weights that were moved in the job); may be given "
        "more than once",
    )  # fmt: skip
    sub.add_argument(
        "--regime", metavar="R", action="append", default=[],
        help="correct for this regime; may be given more than once (all)",
    )  # fmt: skip
    sub.add_argument("--limits", metavar="S", help="a named set of limits of the rotor file")
    sub.add_argument(
        "--aim", choices=AIMS, default="fewest", help="of the plan in steps (default fewest)"
    )
    sub.add_argument(
        "--seconds", metavar="T", type=seconds, default=20.0,
        help="time after which the best plan so far is given (default 20)",
    )  # fmt: skip
    sub.add_argument("--no-steps", action="store_true", help="no plan in steps of the hardware")


def run(asked: argparse.Namespace) -> int:
    from adapt.balancing.trial.vectors import balance
    from adapt.reports.balancing.balance import balance_report
    from adapt.reports.balancing.balance_documents import balance_document
    from adapt.reports.show import step

    rotor, history = read(asked)
    say_left_out(asked, history)
    with step("Balancing", quiet=asked.json):
        found = balance(
            rotor,
            history,
            asked.job,
            planes=asked.plane,
            regimes=asked.regime,
            limits=asked.limits,
            in_steps=not asked.no_steps,
            aim=asked.aim,
            seconds=asked.seconds,
        )
    answer(asked, lambda: balance_document(found, rotor), lambda: balance_report(found, rotor))
    return DONE if found.usable else CANNOT_BE_MET
