"""What can be asked on the command line: commands, options, their help and their examples.

Words to values only; what is done with them lives in `cli`. Imports nothing heavy.
"""

from __future__ import annotations

import argparse
from typing import NoReturn

from adapt import __version__
from adapt.problems import BadInput

__all__ = ["AIMS", "parser"]

AIMS = ("fewest", "smoothest", "quickest", "likeliest")


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; `command` of what it returns is the command's name."""
    whole = _Parser(
        prog="adapt",
        description="Rotor track and balance: learn what one unit of each adjustment does on your "
        "own rotors, plan the fewest moves that bring every reading inside its limit, and compare "
        "predictions with what the aircraft did.",
        epilog="To see all of it on an invented fleet, type: adapt demo",
        allow_abbrev=False,
    )
    whole.add_argument("--version", action="version", version=f"adapt {__version__}")
    commands = whole.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, what: str, example: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example:\n  {example}",
            allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(command=name)
        sub.add_argument("--json", action="store_true", help="print one JSON document, only that")
        return sub

    def files(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("rotor", metavar="ROTOR", help="the rotor file, such as main-rotor.toml")
        sub.add_argument("log", metavar="LOG", help="the folder with the log's tables")

    sub = command(
        "check",
        "read a rotor file and a log and list everything that is wrong or unlikely in them",
        "adapt check main-rotor.toml log/",
    )
    files(sub)

    sub = command(
        "learn",
        "learn each rotor's influence coefficients from the log's before/after run pairs",
        "adapt learn main-rotor.toml log/ --chart chart.csv --output learned.json",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", help="the paper chart as a table, to start from")
    sub.add_argument("--output", metavar="F", help="write the coefficients to this JSON file")
    sub.add_argument(
        "--robust",
        action="store_true",
        help="let rough runs and gusts count less, where the log shows them",
    )
    sub.add_argument(
        "--rotor", metavar="SERIAL", dest="serial", help="show one rotor's own coefficients"
    )

    sub = command(
        "review",
        "list the entries of a log that are probably wrong, and record what you decide about them",
        "adapt review main-rotor.toml log/ --chart chart.csv\n"
        "  adapt review main-rotor.toml log/ --chart chart.csv --job J-014 --run 2 --accept 1\n"
        "  adapt review main-rotor.toml log/ --job J-014 --run 2 --undo",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", help="the paper chart, as for learn")
    sub.add_argument("--job", metavar="J", help="only this job; the job of the decision")
    sub.add_argument("--run", metavar="R", help="only this run; the run of the decision")
    decision = sub.add_mutually_exclusive_group()
    decision.add_argument(
        "--accept",
        metavar="N",
        type=_explanation,
        help="explanation N is true: use the log as corrected by it (the log itself stays)",
    )
    decision.add_argument(
        "--exclude",
        metavar="N",
        type=_explanation,
        nargs="?",
        const=0,
        help="learn nothing from the pair; with N do not use the readings that explanation N names",
    )
    decision.add_argument(
        "--keep", action="store_true", help="looked at and right: use it, do not list it again"
    )
    decision.add_argument(
        "--undo", action="store_true", help="take the latest decision on this job and run back"
    )
    sub.add_argument(
        "--amount",
        metavar="X",
        type=_amount,
        help="with --accept: the size of a move that was not recorded, in the adjuster's unit",
    )
    sub.add_argument("--by", metavar="NAME", default="", help="who decides")
    sub.add_argument("--note", metavar="TEXT", default="", help="why, in a few words")

    sub = command(
        "plan",
        "plan the moves that bring a job's readings inside their limits on the next run",
        "adapt plan main-rotor.toml log/ --job J-014 --chart chart.csv\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --coefficients old.json --aim smoothest\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --lock-blade red --cap 'hub weight' 200\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --try red 'hub weight' -40",
    )
    files(sub)
    sub.add_argument("--job", metavar="J", required=True, help="the job to plan for")
    source = sub.add_mutually_exclusive_group()
    source.add_argument(
        "--coefficients", metavar="F", help="coefficients written by learn; newer pairs are added"
    )
    source.add_argument("--chart", metavar="F", help="learn from the log, starting from this chart")
    sub.add_argument(
        "--aim",
        choices=AIMS,
        default="fewest",
        help="fewest moves that reach the chance (default); smoothest = lowest worst ratio; "
        "quickest = least labour; likeliest = highest chance",
    )
    sub.add_argument(
        "--chance",
        metavar="P",
        type=_chance,
        default=0.9,
        help="chance asked for that the next run is inside every limit (default 0.9); "
        "0 = only predicted inside",
    )
    sub.add_argument("--most-moves", metavar="K", type=_moves, help="no more moves than this")
    sub.add_argument("--limits", metavar="S", help="the set of limits that the rotor file names S")
    sub.add_argument(
        "--seconds",
        metavar="T",
        type=_seconds,
        help="time after which the best plan so far is given, not proven (default 20)",
    )
    sub.add_argument(
        "--no-hedge", action="store_true", help="trust the predicted readings as they stand"
    )
    _plan_within(sub)
    _plan_beside(sub)

    sub = command(
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
        "--workers", metavar="N", type=_workers, default=1, help="processes that work at once (1)"
    )

    sub = command(
        "demo",
        "write an invented operator's files into a folder and do the whole job on them",
        "adapt demo my-demo",
    )
    sub.add_argument("folder", metavar="FOLDER", nargs="?", default="adapt-demo")
    return whole


def _plan_within(sub: argparse.ArgumentParser) -> None:
    """Add what a plan must keep to tonight."""
    within = sub.add_argument_group(
        "what the plan keeps to (each may be given more than once, but for --most-minutes)"
    )

    def several(option: str, metavar: str | tuple[str, ...], what: str) -> None:
        count = None if isinstance(metavar, str) else len(metavar)
        within.add_argument(
            option, metavar=metavar, nargs=count, action="append", default=[], help=what
        )

    several("--lock-blade", "B", "leave this blade as it is")
    several("--lock-adjuster", "A", "leave this adjuster as it is")
    several("--lock", ("B", "A"), "leave this adjuster on this blade as it is")
    several("--cap", ("A", "X"), "no blade may carry more than X of this adjuster, in either sense")
    several("--largest-move", ("A", "X"), "move this adjuster by X at most")
    several("--regime", "R", "plan for this regime (those that are named) alone")
    several(
        "--weight", ("R", "W"), "count this regime's ratios W times in the worst ratio (smoothest)"
    )
    several(
        "--only-inside",
        "S",
        "this sensor (or 'track') must be inside, but need not be brought lower",
    )
    within.add_argument(
        "--most-minutes", metavar="M", type=_minutes, help="no more labour than this"
    )


def _plan_beside(sub: argparse.ArgumentParser) -> None:
    """Add other ways to plan, and what is shown beside the plan."""
    beside = sub.add_argument_group("other ways to plan, and what stands beside the plan")
    beside.add_argument(
        "--run-minutes",
        metavar="M",
        type=_minutes,
        help="what another run costs; quickest then makes all labour small that is to be expected",
    )
    beside.add_argument(
        "--track-first",
        action="store_true",
        help="plan the track alone, and say what balancing is then expected to need",
    )
    beside.add_argument(
        "--prefer-teaching",
        action="store_true",
        help="of plans that are nearly equal take the one whose next run teaches most",
    )
    beside.add_argument(
        "--try",
        metavar=("B", "A", "X"),
        nargs=3,
        action="append",
        default=[],
        dest="by_hand",
        help="a move of your own (blade, adjuster, amount) to hold beside the plan; may be given "
        "more than once",
    )


class _Parser(argparse.ArgumentParser):
    """A parser whose errors end like every other bad input."""

    def error(self, message: str) -> NoReturn:
        raise BadInput(f"{message}\n{self.format_usage().strip()}\nMore: {self.prog} --help")


def _chance(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value < 1.0:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a chance from 0 up to (not including) 1, such as 0.9"
        )
    return value


def _workers(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a whole number of processes, 1 or more"
        )
    return int(text)


def _moves(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a whole number of moves")
    return int(text)


def _explanation(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected the number of an explanation, such as 1"
        )
    return int(text)


def _amount(text: str) -> float:
    try:
        amount = float(text)
    except ValueError:
        amount = 0.0
    if amount == 0.0 or not abs(amount) < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected an amount, such as -40")
    return amount


def _minutes(text: str) -> float:
    return _at_least_0(text, "minutes, such as 90")


def _seconds(text: str) -> float:
    return _at_least_0(text, "a time in seconds, such as 60")


def _at_least_0(text: str, expected: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0.0 <= number < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected {expected}")
    return number
