"""`adapt residual`: what unbalance is left, and which grade it meets."""

from __future__ import annotations

import argparse

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer, coefficients, read, say_left_out
from adapt.commands.asking import Commands, amounts, at_least_0, files, published_set
from adapt.problems import BadInput

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "residual",
        "say what unbalance a job's last run shows, and which grade of ISO 21940-11 it meets",
        "adapt residual fan.toml log/ --job J-014 --mass 40 --radius 110 --first-critical 4200 "
        "--grade 6.3",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job")
    sub.add_argument("--mass", metavar="KG", type=_number, required=True, help="of the rotor")
    sub.add_argument(
        "--radius", metavar="MM", type=_number, required=True, help="at which the weights sit"
    )
    sub.add_argument(
        "--radius-of", metavar=("A", "MM"), nargs=2, action="append", default=[],
        help="the radius of this adjuster, where it is another",
    )  # fmt: skip
    sub.add_argument(
        "--first-critical", metavar="RPM", type=_number, required=True,
        help="first critical speed; above it this says nothing",
    )  # fmt: skip
    sub.add_argument("--rpm", metavar="RPM", type=_number, help="highest speed in service")
    sub.add_argument(
        "--adjuster", metavar="A", action="append", default=[],
        help="a weight, one a plane; may be given more than once",
    )  # fmt: skip
    sub.add_argument(
        "--regime", metavar="R", action="append", default=[],
        help="take readings of this regime; may be given more than once (all)",
    )  # fmt: skip
    sub.add_argument("--grade", metavar="G", type=_number, help="the grade asked for in mm/s")
    sub.add_argument(
        "--bearings", metavar=("SPAN", "MASS_AT"), nargs=2, type=_place,
        help="mm from bearing A to bearing B, and to the centre of mass",
    )  # fmt: skip
    sub.add_argument(
        "--plane-at", metavar=("A", "MM"), nargs=2, action="append", default=[],
        help="with --bearings: mm from bearing A to the plane of this adjuster",
    )  # fmt: skip
    source = sub.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument("--coefficients", metavar="F", help="coefficients written by learn")
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")


def run(asked: argparse.Namespace) -> int:
    from adapt.balancing.grams import highest_rpm
    from adapt.balancing.residual import Bearings, Machine, residual_unbalance
    from adapt.balancing.trial.vectors import correction_of
    from adapt.reports.balancing.unbalance import residual_document, residual_report

    if asked.plane_at and asked.bearings is None:
        raise BadInput("--plane-at goes with --bearings")
    rotor, history = read(asked)
    say_left_out(asked, history)
    given, origin = None, "this job's own runs alone"
    if asked.coefficients or asked.published or asked.chart:
        given, origin = coefficients(asked, rotor, history)
    standing, correction, noise = correction_of(
        rotor, history, asked.job, given, asked.adjuster, asked.regime
    )
    radius = dict.fromkeys(correction.planes, asked.radius)
    bearings = None
    if asked.bearings is not None:
        places = amounts("--plane-at", asked.plane_at)
        bearings = Bearings(asked.bearings[0], asked.bearings[1], places)
    machine = Machine(
        mass_kg=asked.mass,
        radius_mm=radius | amounts("--radius-of", asked.radius_of),
        rpm=highest_rpm(rotor) if asked.rpm is None else asked.rpm,
        first_critical_rpm=asked.first_critical,
        grade=asked.grade,
        bearings=bearings,
    )
    found = residual_unbalance(rotor, correction, machine, noise)
    told = rotor, asked.job, standing.after_run, origin
    answer(
        asked,
        lambda: residual_document(found, machine, *told),
        lambda: residual_report(found, machine, *told),
    )
    return CANNOT_BE_MET if found.grade is not None and found.inside is not True else DONE


def _number(text: str) -> float:
    return at_least_0(text, "a number, such as 12.5")


def _place(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a place in mm, such as 240")
    return value
