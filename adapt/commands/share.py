"""`adapt share`: a correction shared over the holes that exist, in the pieces at hand."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from adapt.commands.answering import (
    CANNOT_BE_MET,
    DONE,
    answer,
    coefficients,
    read,
)
from adapt.commands.asking import (
    Commands,
    at_least_0,
    known_on,
    moves,
    published_set,
    rotor_file,
    seconds,
)
from adapt.problems import BadInput

if TYPE_CHECKING:
    from adapt.balancing.shares import Difference, Holes
    from adapt.log import History
    from adapt.planning.plan import Move, Plan
    from adapt.rotor import Rotor

__all__ = ["add", "run"]

AIMS = ("fewest", "nearest", "combine")


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "share",
        "share a correction over the holes that exist, in the fewest pieces at hand",
        "adapt share tail-rotor.toml tail-holes.toml --target 700 35\n"
        "  adapt share tail-rotor.toml tail-holes.toml --move 1 'span weight' 6 --tolerance 2%\n"
        "  adapt share tail-rotor.toml tail-holes.toml --target 700 35 --aim nearest "
        "--most-pieces 3\n"
        "  adapt share tail-rotor.toml tail-holes.toml --aim combine",
    )
    rotor_file(sub)
    sub.add_argument("holes", metavar="HOLES", help="the file with holes and pieces (TOML)")
    wanted = sub.add_mutually_exclusive_group()
    wanted.add_argument(
        "--target",
        metavar=("G_MM", "ANGLE"),
        nargs=2,
        type=_number,
        help="weight to be added: mass times radius [g mm], and its angle from the first blade in "
        "passing order [deg]",
    )
    wanted.add_argument(
        "--move",
        metavar=("B", "A", "X"),
        nargs=3,
        action="append",
        default=[],
        help="a move of a plan to share (blade, adjuster, amount in g); may be given more than "
        "once; the holes file gives the adjuster's radius",
    )
    sub.add_argument(
        "--radius", metavar="MM", type=_above_0, help="the target is in g at this radius"
    )
    sub.add_argument(
        "--plane", metavar="P",
        help="share over the holes of this plane alone (default: the one that the moves stand in)",
    )  # fmt: skip
    sub.add_argument(
        "--aim",
        choices=AIMS,
        default="fewest",
        help="fewest pieces put in and taken out within the tolerance (default); nearest = the "
        "least left with --most-pieces; combine = what is fitted, in the fewest pieces",
    )
    sub.add_argument(
        "--tolerance",
        metavar="X",
        type=_tolerance,
        help="what may be left, in g mm, or as a share of the target, such as 2%% (default 5%%; "
        "for combine half of what the lightest piece does)",
    )
    sub.add_argument(
        "--most-pieces", metavar="K", type=moves, help="no more pieces put in and taken out"
    )
    sub.add_argument(
        "--seconds",
        metavar="T",
        type=seconds,
        help="time after which the best so far is given, not proven (default 20)",
    )
    beside = sub.add_argument_group("to hold what was shared beside a job's plan")
    beside.add_argument(
        "--log", metavar="LOG", help="the folder with the log's tables, or a logbook"
    )
    known_on(beside)
    beside.add_argument("--job", metavar="J", help="the job")
    source = beside.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument("--coefficients", metavar="F", help="coefficients written by learn")
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")


def run(asked: argparse.Namespace) -> int:
    """Share a correction."""
    from adapt.balancing.shares import of_plane, share
    from adapt.reports.balancing.shares import share_document, share_report
    from adapt.reports.show import step

    _require(asked)
    rotor, every = _read(asked)
    moved = _moves(asked)
    holes = of_plane(every, moved, asked.plane)
    target = _target(asked, rotor, holes, moved)
    with step("Sharing", quiet=asked.json):
        shared = share(
            holes,
            target,
            asked.aim,
            _allowed(asked, target),
            asked.most_pieces,
            **({} if asked.seconds is None else {"seconds": asked.seconds}),
        )
    told: tuple[Move, ...] | None = None
    plan: Plan | None = None
    apart: tuple[Difference, ...] = ()
    if asked.job is not None:
        from adapt.balancing.shares import differing, moves_of

        _, history = read(asked)
        apart = differing(every, rotor, history, asked.job)
        if shared.changes:
            told = moves_of(shared, rotor, holes)
            plan = _plan(asked, history, told)
    answer(
        asked,
        lambda: share_document(shared, holes, rotor, told, plan, apart),
        lambda: share_report(shared, holes, rotor, told or (), plan, apart),
    )
    return DONE if shared.feasible else CANNOT_BE_MET


def _require(asked: argparse.Namespace) -> None:
    """Raise one BadInput for options that do not go together."""
    wrong = []
    if asked.target is None and not asked.move and asked.aim != "combine":
        wrong.append("what is to be shared: give --target or --move, or ask for --aim combine")
    if asked.radius is not None and asked.target is None:
        wrong.append("--radius goes with --target")
    if (asked.log is None) != (asked.job is None):
        wrong.append("--log and --job go together")
    given = asked.chart or asked.coefficients or asked.published or asked.as_known_on
    if asked.log is None and given:
        wrong.append("--chart, --coefficients, --set and --as-known-on go with --log and --job")
    of_target = asked.tolerance is not None and asked.tolerance[1]
    if of_target and asked.target is None and not asked.move:
        wrong.append("a tolerance in % is of a target: give it in g mm for what is fitted")
    if wrong:
        raise BadInput("; ".join(wrong))


def _read(asked: argparse.Namespace) -> tuple[Rotor, Holes]:
    """Read rotor file and holes; when both are bad, tell the problems of both."""
    import adapt
    from adapt.balancing.shares import holes_problems, read_holes

    try:
        rotor = adapt.read_rotor(asked.rotor)
    except BadInput as error:
        raise BadInput([*error.problems, *holes_problems(asked.holes)]) from None
    return rotor, read_holes(asked.holes, rotor)


def _target(
    asked: argparse.Namespace, rotor: Rotor, holes: Holes, moved: tuple[Move, ...]
) -> complex:
    """Return the change of unbalance asked for [g mm]."""
    from adapt.balancing.shares import unbalance_of
    from adapt.phasor import to_complex

    if asked.target is not None:
        size, angle_deg = asked.target
        radius = 1.0 if asked.radius is None else asked.radius
        return complex(to_complex(size * radius, angle_deg))
    return unbalance_of(moved, rotor, holes)


def _moves(asked: argparse.Namespace) -> tuple[Move, ...]:
    """Return the moves to be shared."""
    from adapt.planning.plan import Move

    found, wrong = [], []
    for number, (blade, adjuster, text) in enumerate(asked.move, start=1):
        try:
            found.append(Move(blade, adjuster, float(text)))
        except ValueError:
            wrong.append(f"move {number}: found amount {text!r}, expected a number")
    if wrong:
        raise BadInput("; ".join(wrong))
    return tuple(found)


def _allowed(asked: argparse.Namespace, target: complex) -> float | None:
    if asked.tolerance is None:
        return None
    size, of_target = asked.tolerance
    return float(size * abs(target) / 100.0 if of_target else size)


def _plan(asked: argparse.Namespace, history: History, told: tuple[Move, ...]) -> Plan:
    """Return the job's plan with these moves beside it."""
    import adapt
    from adapt.reports.show import step

    rotor = adapt.read_rotor(asked.rotor)
    known, _ = coefficients(asked, rotor, history)
    with step("Planning", quiet=asked.json):
        return adapt.plan(rotor, known, history, job=asked.job, by_hand=told, explain=False)


def _number(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not abs(number) <= 1e12:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a number")
    return number


def _above_0(text: str) -> float:
    number = _number(text)
    if number <= 0.0:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a radius in mm, such as 250")
    return number


def _tolerance(text: str) -> tuple[float, bool]:
    """Return a size, and whether it is in per cent of the target."""
    size = text.strip()
    expected = "a number in g mm, such as 50, or a share such as 2%"
    return at_least_0(size.removesuffix("%").strip(), expected), size.endswith("%")
