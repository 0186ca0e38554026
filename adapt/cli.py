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
import shlex
import shutil
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from adapt import compiling
from adapt.arguments import parser
from adapt.problems import AdaptError, BadInput, CannotBeMet, Problem

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from adapt.coefficients import Coefficients
    from adapt.log import History, Log
    from adapt.reports.layout import Block
    from adapt.rotor import Rotor

__all__ = ["main"]

DONE, CANNOT_BE_MET, BAD_INPUT = 0, 1, 2
OWN_MISTAKE, NOT_WRITTEN, INTERRUPTED, READER_GONE = 70, 74, 130, 141


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; no traceback unless ADAPT_DEBUG=1."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = os.environ.get("ADAPT_DEBUG", "") not in ("", "0")
    _open_outputs()
    compiling.tell(_say)
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
        asked = parser().parse_args(words)
        status = COMMANDS[asked.command](asked)
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
    from adapt.reports.documents import check_document
    from adapt.reports.log.checked import check_report

    _, history = _read(asked)
    _answer(asked, lambda: check_document(history), lambda: check_report(history))
    return BAD_INPUT if history.faults else DONE


def _learn(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.learning.suspects.slipped import slips
    from adapt.reports.documents import learn_document
    from adapt.reports.learning.learned import learned_report, require_rotor, rotor_report
    from adapt.reports.show import step

    rotor, history = _read(asked)
    chart = adapt.read_chart(asked.chart, rotor) if asked.chart else None
    with step("Learning", quiet=asked.json):
        learned = adapt.learn(rotor, history, chart=chart, robust=asked.robust)
    if asked.serial is not None:
        require_rotor(learned, asked.serial)
    if asked.output:
        adapt.write_coefficients(learned, asked.output)
        _say(f"coefficients written to {asked.output}")
    _say_left_out(asked, history)
    agreed = slips(rotor, learned, history, asked.serial)
    _answer(
        asked,
        lambda: learn_document(learned, rotor, asked.serial, agreed),
        lambda: (
            learned_report(learned, rotor, agreed)
            if asked.serial is None
            else rotor_report(learned, rotor, asked.serial)
        ),
    )
    return DONE


def _review(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.reports.log.review_documents import review_document
    from adapt.reports.log.reviewed import review_report
    from adapt.reports.show import step

    decides = asked.accept is not None or asked.exclude is not None or asked.keep
    if (decides or asked.undo) and (asked.job is None or asked.run is None):
        raise BadInput("a decision needs --job and --run, as 'adapt review' lists them")
    if asked.amount is not None and asked.accept is None:
        raise BadInput("--amount goes with --accept: the size of a move that was not recorded")
    if asked.undo:
        return _take_back(asked)
    rotor, log = _read_files(asked)
    history = adapt.check(rotor, log)
    chart = adapt.read_chart(asked.chart, rotor) if asked.chart else None
    with step("Learning", quiet=asked.json):
        suspects = adapt.learn(rotor, history, chart=chart).suspects
    if decides:
        return _decide(asked, rotor, log, history, suspects)
    _say_left_out(asked, history)
    _answer(
        asked,
        lambda: review_document(suspects, rotor, history, asked.job, asked.run),
        lambda: review_report(
            suspects, rotor, history, _review_command(asked), asked.job, asked.run
        ),
    )
    return DONE


def _decide(
    asked: argparse.Namespace,
    rotor: Rotor,
    log: Log,
    history: History,
    suspects: Sequence[Mapping[str, Any]],
) -> int:
    """Write one decision down and show it as the log that is read again has it."""
    from datetime import datetime

    from adapt.log import deciding, reviewing
    from adapt.reports.log.review_documents import recorded_document
    from adapt.reports.log.reviewed import recorded_report

    suspect = deciding.suspect_at(suspects, history, asked.job, asked.run)
    if asked.accept is not None:
        decision = deciding.accept(rotor, log, history, suspect, asked.accept, asked.amount)
    elif asked.exclude is not None:
        decision = deciding.exclude(rotor, log, history, suspect, asked.exclude or None)
    else:
        decision = deciding.keep(suspect)
    now = datetime.now().astimezone()
    number, after = reviewing.record(
        rotor, asked.log, history, decision, now, by=asked.by, note=asked.note
    )
    _answer(
        asked,
        lambda: recorded_document(number, rotor, history, after),
        lambda: recorded_report(number, rotor, history, after, _review_command(asked)),
    )
    return DONE


def _take_back(asked: argparse.Namespace) -> int:
    from adapt.log import reviewing
    from adapt.reports.log.review_documents import taken_back_document
    from adapt.reports.log.reviewed import taken_back_report

    row = reviewing.take_back(asked.log, asked.job, asked.run)
    _answer(asked, lambda: taken_back_document(row), lambda: taken_back_report(row))
    return DONE


def _review_command(asked: argparse.Namespace) -> str:
    """Return the command that lists the suspects of this log."""
    words = [_called(), "review", asked.rotor, asked.log]
    return shlex.join(words + (["--chart", asked.chart] if asked.chart else []))


def _commands(asked: argparse.Namespace) -> tuple[str, str]:
    """Return the commands that list the suspects of a plan's log, and that learn from all of it."""
    files = [asked.rotor, asked.log]
    chart = ["--chart", asked.chart] if asked.chart else []
    words = [[_called(), command, *files, *chart] for command in ("review", "learn")]
    return shlex.join(words[0]), shlex.join(words[1])


def _plan(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.learning.suspects.slipped import slips
    from adapt.reports.log.suspects import concerns_of
    from adapt.reports.planning.plan_documents import plan_document
    from adapt.reports.planning.planned import plan_report
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
            regimes=asked.regime or None,
            locked_blades=asked.lock_blade,
            locked_adjusters=asked.lock_adjuster,
            locked=[(blade, adjuster) for blade, adjuster in asked.lock],
            caps=_amounts("--cap", asked.cap),
            largest_moves=_amounts("--largest-move", asked.largest_move),
            weights=_amounts("--weight", asked.weight),
            only_inside=asked.only_inside,
            most_minutes=asked.most_minutes,
            run_minutes=asked.run_minutes,
            by_hand=asked.by_hand,
            track_first=asked.track_first,
            prefer_teaching=asked.prefer_teaching,
            **({} if asked.seconds is None else {"seconds": asked.seconds}),
        )
    agreed = slips(rotor, coefficients, history, plan.rotor)
    concerns = concerns_of(coefficients, history, plan.rotor, _commands(asked), agreed)
    _answer(
        asked,
        lambda: plan_document(plan, rotor, origin, concerns),
        lambda: plan_report(plan, rotor, origin, concerns),
    )
    return DONE if plan.feasible else CANNOT_BE_MET


def _amounts(option: str, pairs: Sequence[Sequence[str]]) -> dict[str, float]:
    """Return the numbers that stand beside names on the command line."""
    amounts: dict[str, float] = {}
    wrong = []
    for name, text in pairs:
        try:
            number = float(text)
        except ValueError:
            wrong.append(f"{option} {name}: found {text!r}, expected a number")
            continue
        if name in amounts:
            wrong.append(f"{option} {name}: given twice")
        amounts[name] = number
    if wrong:
        raise BadInput("; ".join(wrong))
    return amounts


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
    from adapt.chart import write_chart
    from adapt.outcomes import corrected_chart
    from adapt.reports.outcomes.compared import compare_report
    from adapt.reports.outcomes.decided import decisions_document, decisions_report
    from adapt.reports.outcomes.figures import write_figures
    from adapt.reports.outcomes.outcome_documents import outcome_document
    from adapt.reports.show import step

    rotor, history = _read(asked)
    chart = adapt.read_chart(asked.chart, rotor)
    with _workers(asked.workers) as executor:
        with step("Predicting every run from the runs before it", quiet=asked.json):
            outcome = adapt.compare(rotor, history, chart, limits=asked.limits, executor=executor)
        decisions = None
        if asked.decisions:
            with step("Asking the planner at every run", quiet=asked.json):
                decisions = adapt.replay_decisions(
                    rotor, history, chart, limits=asked.limits, executor=executor
                )
    if asked.corrected_chart:
        write_chart(corrected_chart(outcome.learned), rotor, asked.corrected_chart, digits=6)
        _say(
            f"the chart as this log shows it written to {asked.corrected_chart}: for paper and for "
            "other logs (learned from with this log, it would count twice)"
        )
    if asked.figures:
        with step("Drawing", quiet=asked.json):
            paths = write_figures(outcome, rotor, asked.figures)
        _say(f"{len(paths)} pictures written to {asked.figures}")
    _say_left_out(asked, history)
    document = outcome_document(outcome)
    if decisions is not None:
        document["decisions"] = decisions_document(decisions)
    _answer(
        asked,
        lambda: document,
        lambda: [
            *compare_report(outcome, rotor),
            *(() if decisions is None else decisions_report(decisions)),
        ],
    )
    return DONE


@contextmanager
def _workers(number: int) -> Iterator[Executor | None]:
    """Give processes to work in, or None for one process."""
    if number == 1:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(number, multiprocessing.get_context("spawn")) as pool:
        yield pool


def _demo(asked: argparse.Namespace) -> int:
    from adapt.reports.demo import run_demo

    document, report = run_demo(asked.folder, quiet=asked.json, program=_called())
    _answer(asked, lambda: document, lambda: report)
    return DONE


def _read(asked: argparse.Namespace) -> tuple[Rotor, History]:
    """Read rotor file and log, and check the log."""
    import adapt

    rotor, log = _read_files(asked)
    return rotor, adapt.check(rotor, log)


def _read_files(asked: argparse.Namespace) -> tuple[Rotor, Log]:
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
    return rotor, log


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


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "check": _check,
    "learn": _learn,
    "review": _review,
    "plan": _plan,
    "compare": _compare,
    "demo": _demo,
}
