"""The commands: what is asked, in which files, and how it ends. No computation.

Nothing heavy is imported before it is needed, so that `--help` answers at once.

Exit status: 0 done; 1 the request cannot be met; 2 bad input; 70 a mistake of the program's own;
74 the answer could not be written; 130 interrupted; 141 the reader of the output went away.
Answers go to standard output, messages to standard error; with --json standard output holds
exactly one JSON document, also when there is no answer.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NoReturn

from adapt import __version__
from adapt.problems import AdaptError, BadInput, CannotBeMet, Problem

if TYPE_CHECKING:
    from adapt.coefficients import Coefficients
    from adapt.log import History
    from adapt.reports.layout import Block
    from adapt.rotor import Rotor

__all__ = ["main"]

DONE, CANNOT_BE_MET, BAD_INPUT = 0, 1, 2
OWN_MISTAKE, NOT_WRITTEN, INTERRUPTED, READER_GONE = 70, 74, 130, 141

AIMS = ("fewest", "smoothest", "quickest", "likeliest")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; no traceback unless ADAPT_DEBUG=1."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = os.environ.get("ADAPT_DEBUG", "") not in ("", "0")
    _open_outputs()
    try:
        with warnings.catch_warnings():
            if not debug:
                warnings.simplefilter("ignore")
            return _run(words, debug)
    except KeyboardInterrupt:
        _say("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        _give_up_output()
        return READER_GONE
    except OSError as error:
        if debug:
            raise
        _give_up_output()
        _say(f"the answer could not be written: {error.strerror or error}")
        return NOT_WRITTEN


def _run(words: Sequence[str], debug: bool) -> int:
    """Run one command; what is wrong with the request or its files becomes an exit status."""
    try:
        asked = _parser().parse_args(words)
        status = int(asked.run(asked))
        sys.stdout.flush()
        return status
    except SystemExit as end:  # --help and --version end this way
        return int(end.code or 0)
    except Exception as error:
        writing_failed = isinstance(error, OSError) and error.filename is None
        if debug or writing_failed:
            raise
        return _explained(error, "--json" in words)


def _open_outputs() -> None:
    """Make outputs that were closed a sink, and let no character stop what can be printed."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _give_up_output() -> None:
    """Point standard output where the interpreter's last flush cannot fail."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _explained(error: Exception, as_json: bool) -> int:
    """Say what went wrong and return the exit status for it."""
    problems: tuple[Problem, ...] = ()
    if isinstance(error, CannotBeMet):
        status, message = CANNOT_BE_MET, str(error)
    elif isinstance(error, BadInput):
        status, message, problems = BAD_INPUT, str(error), error.problems
    elif isinstance(error, AdaptError):
        status, message = BAD_INPUT, str(error)
    elif isinstance(error, OSError) and error.filename is not None:
        status, message = BAD_INPUT, f"{error.filename}: {error.strerror or error}"
    else:
        status = OWN_MISTAKE
        message = (
            f"a mistake of the program's own ({type(error).__name__}: {error}). Your files were "
            "not changed. Please report it with the command that you gave; ADAPT_DEBUG=1 before "
            "the command shows where it happened."
        )
    _say(message)
    if as_json:
        from adapt.reports.documents import as_json as text
        from adapt.reports.documents import problems_document

        print(text(problems_document(message, problems)), flush=True)
    return status


def _check(asked: argparse.Namespace) -> int:
    from adapt.reports.checked import check_report
    from adapt.reports.documents import check_document

    _, history = _read(asked)
    _answer(asked, lambda: check_document(history), lambda: check_report(history))
    return BAD_INPUT if history.faults else DONE


def _learn(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.coefficients import learned_document
    from adapt.reports.learned import learned_report
    from adapt.reports.show import step

    rotor, history = _read(asked)
    chart = adapt.read_chart(asked.chart, rotor) if asked.chart else None
    with step("Learning", quiet=asked.json):
        learned = adapt.learn(rotor, history, chart=chart)
    if asked.output:
        adapt.write_coefficients(learned, asked.output)
        _say(f"coefficients written to {asked.output}")
    _say_left_out(asked, history)
    _answer(asked, lambda: learned_document(learned), lambda: learned_report(learned, rotor))
    return DONE


def _plan(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.reports.documents import plan_document
    from adapt.reports.planned import plan_report
    from adapt.reports.show import step

    rotor, history = _read(asked)
    coefficients, origin = _coefficients(asked, rotor, history)
    with step("Planning", quiet=asked.json):
        plan = adapt.plan(
            rotor,
            coefficients,
            history,
            job=asked.job,
            aim=asked.aim,
            chance=asked.chance,
            most_moves=asked.most_moves,
            limits=asked.limits,
            hedge=not asked.no_hedge,
            **({} if asked.seconds is None else {"seconds": asked.seconds}),
        )
    _answer(
        asked,
        lambda: plan_document(plan, rotor, origin),
        lambda: plan_report(plan, rotor, origin),
    )
    return DONE if plan.feasible else CANNOT_BE_MET


def _coefficients(
    asked: argparse.Namespace, rotor: Rotor, history: History
) -> tuple[Coefficients, str]:
    """Return the coefficients to plan with, and where they came from in words."""
    import adapt
    from adapt.reports.show import step
    from adapt.reports.wording import count

    if asked.coefficients:
        stored = adapt.read_coefficients(asked.coefficients, rotor)
        with step("Taking in new pairs", quiet=asked.json):
            current = adapt.update(stored, rotor, history)
        new = count(len(current.taught - stored.taught), "newer pair")
        return current, f"read from {asked.coefficients}, with {new} of this log"
    chart = adapt.read_chart(asked.chart, rotor) if asked.chart else None
    with step("Learning", quiet=asked.json):
        learned = adapt.learn(rotor, history, chart=chart)
    start = f"starting from {asked.chart}" if asked.chart else "without a chart"
    return learned, f"learned from {count(len(learned.taught), 'pair')} of this log, {start}"


def _compare(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.outcomes import outcome_document
    from adapt.reports.compared import compare_report
    from adapt.reports.show import step

    rotor, history = _read(asked)
    chart = adapt.read_chart(asked.chart, rotor)
    with step("Predicting every run from the runs before it", quiet=asked.json):
        outcome = adapt.compare(rotor, history, chart)
    _say_left_out(asked, history)
    _answer(asked, lambda: outcome_document(outcome), lambda: compare_report(outcome, rotor))
    return DONE


def _demo(asked: argparse.Namespace) -> int:
    from adapt.reports.demo import run_demo

    document, report = run_demo(asked.folder, quiet=asked.json, program=_called())
    _answer(asked, lambda: document, lambda: report)
    return DONE


def _read(asked: argparse.Namespace) -> tuple[Rotor, History]:
    """Read rotor file and log; when both are bad, tell the problems of both."""
    import adapt

    errors: list[BadInput] = []
    rotor = log = None
    try:
        rotor = adapt.read_rotor(asked.rotor)
    except BadInput as error:
        errors.append(error)
    try:
        log = adapt.read_log(asked.log)
    except BadInput as error:
        errors.append(error)
    if len(errors) == 1:
        raise errors[0]
    if errors or rotor is None or log is None:
        raise BadInput([p for error in errors for p in error.problems])
    return rotor, adapt.check(rotor, log)


def _answer(
    asked: argparse.Namespace,
    document: Callable[[], dict[str, Any]],
    report: Callable[[], Sequence[Block]],
) -> None:
    """Print the answer: a JSON document when asked for, a report otherwise."""
    if asked.json:
        from adapt.reports.documents import as_json

        print(as_json(document()))
    else:
        from adapt.reports.show import show

        show(report())


def _called() -> str:
    """Return how the user calls this program: by its name, or by the path that was typed."""
    typed = sys.argv[0]
    found = shutil.which("adapt")
    by_path = os.path.basename(typed) == "adapt" and os.path.exists(typed)
    return typed if by_path and (found is None or not os.path.samefile(found, typed)) else "adapt"


def _say_left_out(asked: argparse.Namespace, history: History) -> None:
    from adapt.reports.wording import count

    if history.set_aside:
        _say(
            f"{count(len(history.set_aside), 'job')} left out because of faults in the log; "
            f"'adapt check {asked.rotor} {asked.log}' lists them"
        )


def _say(message: str) -> None:
    print(f"adapt: {_fit_to_print(message)}", file=sys.stderr)


def _fit_to_print(text: str) -> str:
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


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


def _moves(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a whole number of moves")
    return int(text)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0.0 <= seconds < float("inf"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a time in seconds, such as 60")
    return seconds


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="adapt",
        description="Rotor track and balance: learn what one unit of each adjustment does on your "
        "own rotors, plan the fewest moves that bring every reading inside its limit, and compare "
        "predictions with what the aircraft did.",
        epilog="To see all of it on an invented fleet:  adapt demo",
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"adapt {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, run: Any, what: str, example: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example:\n  {example}",
            allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(run=run)
        sub.add_argument("--json", action="store_true", help="print one JSON document, only that")
        return sub

    def files(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("rotor", metavar="ROTOR", help="the rotor file, such as main-rotor.toml")
        sub.add_argument("log", metavar="LOG", help="the folder with the log's tables")

    sub = command(
        "check",
        _check,
        "read a rotor file and a log and list everything that is wrong or unlikely in them",
        "adapt check main-rotor.toml log/",
    )
    files(sub)

    sub = command(
        "learn",
        _learn,
        "learn each rotor's influence coefficients from the log's before/after run pairs",
        "adapt learn main-rotor.toml log/ --chart chart.csv --output learned.json",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", help="the paper chart as a table, to start from")
    sub.add_argument("--output", metavar="F", help="write the coefficients to this JSON file")

    sub = command(
        "plan",
        _plan,
        "plan the moves that bring a job's readings inside their limits on the next run",
        "adapt plan main-rotor.toml log/ --job J-014 --chart chart.csv\n"
        "  adapt plan main-rotor.toml log/ --job J-014 --coefficients learned.json --aim smoothest",
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

    sub = command(
        "compare",
        _compare,
        "predict every run from the runs before it, by chart and by what was learned, and compare",
        "adapt compare main-rotor.toml log/ --chart chart.csv",
    )
    files(sub)
    sub.add_argument("--chart", metavar="F", required=True, help="the paper chart as a table")

    sub = command(
        "demo",
        _demo,
        "write an invented operator's files into a folder and do the whole job on them",
        "adapt demo my-demo",
    )
    sub.add_argument("folder", metavar="FOLDER", nargs="?", default="adapt-demo")
    return parser
