"""`adapt to-paper`: a one-page correction chart to print and use with a pencil."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from adapt.commands.answering import DONE, answer, coefficients, read, say_left_out
from adapt.commands.asking import Commands, known_on, published_set, rotor_file
from adapt.commands.places import require_places
from adapt.problems import BadInput, shown

if TYPE_CHECKING:
    from adapt.log import History
    from adapt.rotor import Rotor

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "to-paper",
        "draw the one-page correction chart of a reading, to print and use with a pencil",
        "adapt to-paper main-rotor.toml log/ --sensor 'cabin lateral' --regime hover "
        "--serial MR-101 --chart chart.csv --output MR-101.pdf\n"
        "  adapt to-paper tail-rotor.toml log/ --sensor 'gearbox radial' --regime hover "
        "--axis 1 'span weight' --axis 1 'chord weight' --paper letter --output type.svg\n"
        "  adapt to-paper tail-rotor.toml --sensor 'gearbox radial' --regime hover "
        "--chart from-paper.csv --output anew.pdf",
    )
    rotor_file(sub)
    sub.add_argument(
        "log", metavar="LOG", nargs="?",
        help="the folder with the log's tables; may be left out where a chart or coefficients are "
        "given",
    )  # fmt: skip
    known_on(sub)
    sub.set_defaults(job=None)
    sub.add_argument("--sensor", metavar="S", required=True, help="the sensor that is read")
    sub.add_argument("--regime", metavar="R", required=True, help="the regime it is read in")
    sub.add_argument(
        "--serial", metavar="SERIAL", help="the rotor; without it any rotor of the type"
    )
    source = sub.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument(
        "--coefficients", metavar="F", help="coefficients written by learn; newer pairs are added"
    )
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")
    sub.add_argument(
        "--axis",
        metavar=("BLADE", "ADJUSTER"),
        nargs=2,
        action="append",
        default=[],
        help="what the lines stand for; give it twice, or not at all for the usual axes",
    )
    sub.add_argument("--limits", metavar="S", help="the set of limits that the rotor file names S")
    sub.add_argument(
        "--full-scale",
        metavar="X",
        type=_above_0,
        help="amplitude of the rim; without it, room for the limit and the readings seen",
    )
    sub.add_argument("--paper", choices=("a4", "letter"), default="a4", help="a4 unless given")
    sub.add_argument(
        "--example",
        metavar=("AMPLITUDE", "CLOCK"),
        nargs=2,
        help="the reading of the worked example, such as 0.35 4:20",
    )
    sub.add_argument("--output", metavar="FILE", required=True, help="name.pdf or name.svg")


def run(asked: argparse.Namespace) -> int:
    """Draw the chart and tell its numbers."""
    from datetime import date

    from adapt.balancing.paper.axes import choose_axes
    from adapt.balancing.paper.page import page_of
    from adapt.reports.balancing.paper_document import paper_document, paper_report
    from adapt.reports.balancing.paper_page import write_page
    from adapt.reports.balancing.paper_words import words_of
    from adapt.reports.show import step

    require_places(asked, {"--output": asked.output})
    example = _checked(asked.output, asked.example)
    rotor, history = _read(asked)
    known, _ = coefficients(asked, rotor, history)
    axes = choose_axes(rotor, known, asked.sensor, asked.regime, asked.serial, asked.axis)
    page = page_of(
        rotor, known, history, axes, limit_set=asked.limits, full=asked.full_scale,
        paper=asked.paper, example=example,
    )  # fmt: skip
    made = date.today().isoformat()
    with step("Drawing", quiet=asked.json):
        write_page(page, words_of(page, rotor, known, made), asked.output)
    say_left_out(asked, history)
    inspect = tuple(row for row in known.health if row["rotor"] == asked.serial)
    answer(
        asked,
        lambda: paper_document(page, rotor, asked.output, made),
        lambda: paper_report(page, rotor, asked.output, inspect),
    )
    return DONE


def _read(asked: argparse.Namespace) -> tuple[Rotor, History]:
    """Read rotor file and log; without a log what is drawn must come from elsewhere."""
    if asked.log is not None:
        return read(asked)
    import adapt
    from adapt.log import nothing_logged

    if asked.published or asked.as_known_on:
        raise BadInput("--set and --as-known-on go with LOG, a logbook")
    if not asked.chart and not asked.coefficients:
        raise BadInput("nothing to draw: give a log, or a chart or coefficients (--chart)")
    return adapt.read_rotor(asked.rotor), nothing_logged()


def _checked(output: str, words: list[str] | None) -> tuple[float, float] | None:
    """Return the example's amplitude and phase [deg]; raises BadInput with all that is wrong."""
    from adapt.phasor import CLOCK_EXPECTED, ClockError, clock_to_deg
    from adapt.reports.balancing.paper_page import require_kind

    wrong = []
    example = None
    try:
        require_kind(output)
    except BadInput as error:
        wrong.append(f"--{error}")
    if words is not None:
        amplitude, phase = math.nan, math.nan
        try:
            amplitude = _above_0(words[0])
        except argparse.ArgumentTypeError as error:
            wrong.append(f"--example: {error}")
        try:
            phase = clock_to_deg(words[1])
        except ClockError:
            wrong.append(f"--example: found {shown(words[1])}, expected {CLOCK_EXPECTED}")
        example = amplitude, phase
    if wrong:
        raise BadInput("\n".join(wrong))
    return example


def _above_0(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected an amplitude above 0")
    return number
