"""`adapt setup`: readings and charts turned between the set-up here and the chart's."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from adapt.commands.answering import DONE, answer, say
from adapt.commands.asking import Commands, rotor_file
from adapt.commands.places import require_apart
from adapt.problems import BadInput, Problem

if TYPE_CHECKING:
    from adapt.balancing.setup import Setup, Turn
    from adapt.reports.balancing.setup import Asked
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "setup",
        "say what a reading of the set-up here is on the chart, and turn tables between the two",
        "adapt setup tail-rotor.toml here.toml chart.toml --reading 'gearbox radial' 0.3 4:20\n"
        "  adapt setup tail-rotor.toml here.toml chart.toml --figure setups.pdf\n"
        "  adapt setup tail-rotor.toml here.toml chart.toml --chart chart.csv chart-here.csv",
    )
    rotor_file(sub)
    sub.add_argument("here", metavar="HERE", help="the set-up with which readings are taken (TOML)")
    sub.add_argument(
        "on_chart", metavar="CHART-SETUP", help="the set-up that the chart is drawn for"
    )
    sub.add_argument(
        "--reading",
        metavar=("S", "X", "CLOCK"),
        nargs=3,
        action="append",
        default=[],
        help="a reading (sensor, amplitude, clock angle) as shown here; may be given again",
    )
    sub.add_argument(
        "--readings",
        metavar=("IN", "OUT"),
        nargs=2,
        help="turn a table of readings (as readings.csv) into the chart's set-up",
    )
    sub.add_argument(
        "--job",
        metavar="J",
        action="append",
        help="with --readings: only rows of this job; may be given more than once",
    )
    sub.add_argument(
        "--chart",
        metavar=("IN", "OUT"),
        nargs=2,
        help="turn a chart (CSV) into the set-up here, to plan with readings as they are",
    )
    sub.add_argument("--figure", metavar="F", help="draw both set-ups (.pdf, .svg or .png)")
    sub.add_argument(
        "--seen-from", metavar="SIDE", help="the side that the drawing shows (that of HERE)"
    )


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.balancing.setup import chart_here, table_on_chart, turns_between
    from adapt.balancing.setup.converting import write_turned
    from adapt.chart import write_chart
    from adapt.reports.balancing.setup import setup_document, setup_report

    if asked.job and not asked.readings:
        raise BadInput("--job goes with --readings")
    if asked.seen_from and not asked.figure:
        raise BadInput("--seen-from goes with --figure")
    _require_apart(asked)
    rotor = adapt.read_rotor(asked.rotor)
    here, chart_setup = _setups(asked, rotor)
    turns = turns_between(rotor, here, chart_setup)
    readings = _readings(asked, rotor, turns)
    written: dict[str, Any] = {}
    # Everything is worked out before anything is written.
    table = table_on_chart(asked.readings[0], rotor, turns, asked.job) if asked.readings else None
    chart = (
        chart_here(adapt.read_chart(asked.chart[0], rotor), rotor, turns) if asked.chart else None
    )
    if asked.figure:
        from adapt.reports.balancing.setup_drawn import write_setup_drawing

        write_setup_drawing(asked.figure, rotor, here, chart_setup, turns, asked.seen_from)
        written["figure"] = asked.figure
        say(f"drawing written to {asked.figure}")
    if table is not None:
        write_turned(table, asked.readings[1])
        written["readings"] = {
            "file": asked.readings[1],
            "turned": table.turned,
            "approximate": table.approximate,
            "mirrored": table.mirrored,
        }
        say(f"{table.turned} readings, as on the chart, written to {asked.readings[1]}")
        for name in table.mirrored:
            shown_as = turns[name].phase_to
            say(f"{name} is shown as {shown_as} there: a rotor file for it says so too")
    if chart is not None:
        write_chart(chart, rotor, asked.chart[1], digits=9)
        written["chart"] = asked.chart[1]
        say(f"chart for the set-up here written to {asked.chart[1]}")
    answer(
        asked,
        lambda: {
            **setup_document(rotor, here, chart_setup, turns, readings),
            "written": written,
        },
        lambda: setup_report(rotor, here, chart_setup, turns, readings),
    )
    return DONE


def _require_apart(asked: argparse.Namespace) -> None:
    readings = asked.readings or (None, None)
    chart = asked.chart or (None, None)
    require_apart(
        {"--readings OUT": readings[1], "--chart OUT": chart[1], "--figure": asked.figure},
        {
            "ROTOR": asked.rotor,
            "HERE": asked.here,
            "CHART-SETUP": asked.on_chart,
            "--readings IN": readings[0],
            "--chart IN": chart[0],
        },
    )


def _setups(asked: argparse.Namespace, rotor: Rotor) -> tuple[Setup, Setup]:
    """Read both set-ups; when both are bad, tell the problems of both."""
    from adapt.balancing.setup import read_setup

    problems: list[Problem] = []
    found: list[Setup] = []
    for path in (asked.here, asked.on_chart):
        try:
            found.append(read_setup(path, rotor))
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    return found[0], found[1]


def _readings(asked: argparse.Namespace, rotor: Rotor, turns: dict[str, Turn]) -> list[Asked]:
    """Return the readings that were asked for; every one that is wrong is told."""
    from adapt.phasor import CLOCK_EXPECTED, ClockError, clock_to_deg
    from adapt.problems import CannotBeMet, one_of, shown
    from adapt.reports.balancing.setup import Asked

    found: list[Asked] = []
    wrong: list[str] = []
    cannot: list[str] = []
    for name, size, clock in asked.reading:
        before = len(wrong)
        if name not in turns:
            expected = one_of("a sensor of the rotor file", name, turns)
            wrong.append(f"--reading: found {shown(name)}; expected {expected}")
        elif turns[name].cannot:
            cannot.append(f"{name}: {turns[name].cannot}")
        try:
            amplitude = float(size)
        except ValueError:
            amplitude = -1.0
        if not 0.0 <= amplitude < 1e12:
            wrong.append(f"--reading: found {shown(size)}; expected an amplitude, such as 0.25")
        try:
            phase = clock_to_deg(clock)
        except ClockError:
            wrong.append(f"--reading: found {shown(clock)}; expected {CLOCK_EXPECTED}")
        if len(wrong) == before:
            found.append(Asked(name, amplitude, phase))
    if wrong:
        raise BadInput("\n".join(wrong))
    if cannot:
        raise CannotBeMet("\n".join(cannot))
    return found
