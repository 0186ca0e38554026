"""`adapt reference`: whether readings before and after look like a turned phase reference."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from adapt.commands.answering import DONE, answer, chart_asked_for
from adapt.commands.asking import Commands, at_least_0, rotor_file
from adapt.problems import BadInput

if TYPE_CHECKING:
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "reference",
        "say whether readings before and after look like a turned phase reference",
        "adapt reference main-rotor.toml before.csv after.csv\n"
        "  adapt reference main-rotor.toml before.csv after.csv --setup here.toml\n"
        "  adapt reference main-rotor.toml before.csv after.csv --chart chart.csv "
        "--move red 'hub weight' 40",
    )
    rotor_file(sub)
    sub.add_argument(
        "before", metavar="BEFORE", help="readings before (sensor, regime, amplitude, clock)"
    )
    sub.add_argument("after", metavar="AFTER", help="readings after, the same columns")
    sub.add_argument(
        "--scatter",
        metavar="X",
        type=_scatter,
        help="how far a reading scatters, with what changes from run to run (one standard "
        "deviation per component, in the sensor's unit); without it what the rotor file says",
    )
    sub.add_argument(
        "--move",
        metavar=("B", "A", "X"),
        nargs=3,
        action="append",
        default=[],
        help="a move made between (blade, adjuster, amount); may be given more than once",
    )
    sub.add_argument("--chart", metavar="F", help="the chart that says what these moves do (CSV)")
    sub.add_argument(
        "--setup", metavar="F", help="the set-up (TOML), to name mistakes that turn readings so"
    )


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.balancing.setup import looks_turned, read_setup
    from adapt.balancing.setup.before_after import read_before_after
    from adapt.balancing.setup.mistakes import mistakes_of
    from adapt.reports.balancing.looks_turned import looks_document, looks_report

    if bool(asked.move) != bool(asked.chart):
        raise BadInput("--move and --chart go together: the chart says what the moves do")
    rotor = adapt.read_rotor(asked.rotor)
    amounts = _amounts(asked, rotor)
    chart = chart_asked_for(asked, rotor)
    mistakes = mistakes_of(read_setup(asked.setup, rotor), rotor) if asked.setup else ()
    read = read_before_after(asked.before, asked.after, rotor, asked.scatter, amounts, chart)
    looks = looks_turned(rotor, read.pairs)
    answer(
        asked,
        lambda: looks_document(rotor, read, looks, mistakes),
        lambda: looks_report(rotor, read, looks, mistakes),
    )
    return DONE


def _amounts(asked: argparse.Namespace, rotor: Rotor) -> Any:
    """Return the moves made between, (blade, adjuster); every one that is wrong is told."""
    from adapt.effects import move_amounts
    from adapt.problems import one_of, shown

    wrong = []
    found = []
    for blade, adjuster, text in asked.move:
        if blade not in rotor.blades:
            expected = one_of("a blade of the rotor file", blade, rotor.blades)
            wrong.append(f"--move: found {shown(blade)}; expected {expected}")
        if adjuster not in rotor.adjuster_names:
            expected = one_of("an adjuster of the rotor file", adjuster, rotor.adjuster_names)
            wrong.append(f"--move: found {shown(adjuster)}; expected {expected}")
        try:
            size = float(text)
        except ValueError:
            size = float("nan")
        if not abs(size) < 1e12:
            wrong.append(f"--move: found {shown(text)}; expected an amount, such as -40")
        found.append(size)
    if wrong:
        raise BadInput("\n".join(wrong))
    blades = [b for b, _, _ in asked.move]
    return move_amounts(rotor, blades, [a for _, a, _ in asked.move], found)


def _scatter(text: str) -> float:
    number = at_least_0(text, "a standard deviation above 0, such as 0.02")
    if number == 0.0:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a standard deviation above 0, such as 0.02"
        )
    return number
