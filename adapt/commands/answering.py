"""What commands share: reading the files that were named, answering, saying.

Nothing heavy is imported before it is needed. Exit statuses stand in `cli`.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from adapt.database.place import is_logbook, without_password
from adapt.problems import BadInput, shown

if TYPE_CHECKING:
    from adapt.chart import Chart
    from adapt.coefficients import Coefficients
    from adapt.log import History, Log
    from adapt.reports.layout import Block
    from adapt.rotor import Rotor

__all__ = [
    "BAD_INPUT",
    "CANNOT_BE_MET",
    "DONE",
    "answer",
    "called",
    "chart_asked_for",
    "coefficients",
    "command_on_log",
    "learn_all",
    "list_suspects",
    "read",
    "read_files",
    "read_log",
    "say",
    "say_left_out",
]

DONE, CANNOT_BE_MET, BAD_INPUT = 0, 1, 2
_MOST_DOUBTS = 3  # of a chart that are told one by one


def read(asked: argparse.Namespace) -> tuple[Rotor, History]:
    """Read rotor file and log, and check the log."""
    import adapt

    rotor, log = read_files(asked)
    return rotor, adapt.check(rotor, log)


def read_files(asked: argparse.Namespace) -> tuple[Rotor, Log]:
    """Read rotor file and log; when both are bad, tell the problems of both."""
    import adapt

    errors: list[BadInput] = []
    rotor = log = None
    try:
        rotor = adapt.read_rotor(asked.rotor)
    except BadInput as error:
        errors.append(error)
    try:
        log = read_log(asked)
    except BadInput as error:
        errors.append(error)
    if len(errors) == 1:
        raise errors[0]
    if errors or rotor is None or log is None:
        if all(error.problems for error in errors):
            raise BadInput([p for error in errors for p in error.problems])
        raise BadInput("\n".join(map(str, errors)))
    return rotor, log


def read_log(asked: argparse.Namespace) -> Log:
    """Read the log; of a logbook the state that is asked for, and no more of it than is needed."""
    import adapt

    if asked.published and not is_logbook(asked.log):
        raise BadInput(
            f"--set: found {shown(asked.published)}, and {shown(asked.log)} is no logbook; "
            "expected --coefficients or --chart: only a logbook holds published sets"
        )
    rotors = None
    if _one_rotor(asked):
        from adapt.commands.from_logbook import serials_asked_for

        rotors = serials_asked_for(asked)
    return adapt.read_log(asked.log, known_on=asked.as_known_on, rotors=rotors)


def _one_rotor(asked: argparse.Namespace) -> bool:
    """Return whether one rotor of a logbook is enough: its job and coefficients are given."""
    given = asked.published or asked.coefficients
    return bool(given and asked.job and is_logbook(asked.log))


def chart_asked_for(asked: argparse.Namespace, rotor: Rotor) -> Chart | None:
    """Read the chart, if one was given, and say what is doubtful in it."""
    import adapt

    if not asked.chart:
        return None
    chart = adapt.read_chart(asked.chart, rotor)
    for doubt in chart.doubts[:_MOST_DOUBTS]:
        say(f"doubtful, and used: {doubt}")
    if more := len(chart.doubts[_MOST_DOUBTS:]):
        say(f"and {more} more such rows in {asked.chart}")
    return chart


def coefficients(
    asked: argparse.Namespace, rotor: Rotor, history: History
) -> tuple[Coefficients, str]:
    """Return the coefficients to plan with, and where they came from in words."""
    import adapt
    from adapt.reports.show import step
    from adapt.reports.wording import count

    if asked.coefficients or asked.published:
        if asked.published:
            from adapt.commands.from_logbook import set_asked_for

            stored, origin = set_asked_for(asked, rotor)
        else:
            stored = adapt.read_coefficients(asked.coefficients, rotor)
            origin = f"read from {asked.coefficients}"
        whose = "this log"
        with step("Taking in new pairs", quiet=asked.json):
            if _one_rotor(asked):
                from adapt.commands.from_logbook import newer_pairs_in

                current = newer_pairs_in(asked, stored, rotor, history)
                whose = " and ".join(dict.fromkeys(history.runs["rotor"].astype(str))) or whose
            else:
                current = adapt.update(stored, rotor, history)
        new = count(len(current.taught - stored.taught), "newer pair")
        return current, f"{origin}, with {new} of {whose}"
    chart = chart_asked_for(asked, rotor)
    with step("Learning", quiet=asked.json):
        learned = adapt.learn(rotor, history, chart=chart)
    start = f"starting from {asked.chart}" if asked.chart else "without a chart"
    return learned, f"learned from {count(len(learned.taught), 'pair')} of this log, {start}"


def answer(
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


def say_left_out(asked: argparse.Namespace, history: History) -> None:
    """Say how many jobs of the log are left out, and how many doubts are used, if any are."""
    from adapt.reports.wording import count

    told = []
    if history.set_aside:
        told.append(f"{count(len(history.set_aside), 'job')} left out because of faults in the log")
    if history.doubts:
        told.append(f"{count(len(history.doubts), 'doubt')} about what the log says, used as it is")
    if told:
        say(f"{', '.join(told)}; 'adapt {command_on_log(asked, 'check')}' lists them")


def list_suspects(asked: argparse.Namespace) -> str:
    """Return the command that lists the suspects of this log as it is now."""
    return _with_chart(asked, "review", now=True)


def learn_all(asked: argparse.Namespace) -> str:
    """Return the command that learns from all of this log."""
    return _with_chart(asked, "learn")


def _with_chart(asked: argparse.Namespace, command: str, now: bool = False) -> str:
    words = [shlex.quote(called()), command_on_log(asked, command, now)]
    return " ".join(words + ([shlex.join(["--chart", asked.chart])] if asked.chart else []))


def command_on_log(asked: argparse.Namespace, command: str, now: bool = False) -> str:
    """Return a command with the rotor file and the log that were named, without a password.

    now: not as of the state that was asked for, but as the log is now.
    """
    words = [command, asked.rotor, without_password(asked.log)]
    if asked.as_known_on is not None and not now:
        words += ["--as-known-on", asked.as_known_on]
    return shlex.join(words)


def called() -> str:
    """Return how the user calls this program: by its name, or by the path that was typed."""
    typed = sys.argv[0]
    found = shutil.which("adapt")
    by_path = os.path.basename(typed) == "adapt" and os.path.exists(typed)
    return typed if by_path and (found is None or not os.path.samefile(found, typed)) else "adapt"


def say(message: str) -> None:
    """Print a message for the person who typed the command."""
    print(f"adapt: {_fit_to_print(without_password(message))}", file=sys.stderr)


def _fit_to_print(text: str) -> str:
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)
