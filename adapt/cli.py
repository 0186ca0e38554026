"""The command line: one command is run, and how it ends becomes an exit status.

Nothing heavy is imported before it is needed, so that `--help` answers at once.

Exit status: 0 done; 1 the request cannot be met; 2 bad input; 70 a mistake of the program's own;
74 the answer could not be written; 130 interrupted; 141 the reader of the output went away.
Answers go to standard output, messages to standard error; with --json standard output holds
exactly one JSON document, also when there is no answer.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence

from adapt import compiling
from adapt.commands import command_of, parser
from adapt.commands.answering import BAD_INPUT, CANNOT_BE_MET, say
from adapt.database.place import without_password
from adapt.problems import AdaptError, BadInput, CannotBeMet, Problem

__all__ = ["main"]

OWN_MISTAKE, NOT_WRITTEN, INTERRUPTED, READER_GONE = 70, 74, 130, 141


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; no traceback unless ADAPT_DEBUG=1."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = os.environ.get("ADAPT_DEBUG", "") not in ("", "0")
    _open_outputs()
    compiling.tell(say)
    try:
        with warnings.catch_warnings():
            if not debug:
                warnings.simplefilter("ignore")
            return _run(words, debug)
    except KeyboardInterrupt:
        say("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        _give_up_output()
        return READER_GONE
    except OSError as error:
        if debug:
            raise
        _give_up_output()
        say(f"the answer could not be written: {error.strerror or error}")
        return NOT_WRITTEN


def _run(words: Sequence[str], debug: bool) -> int:
    """Run one command; what is wrong with the request or its files becomes an exit status."""
    try:
        asked = parser().parse_args(words)
        status = command_of(asked.command)(asked)
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
    message = without_password(message)
    say(message)
    if as_json:
        from adapt.reports.documents import as_json as text
        from adapt.reports.documents import problems_document

        print(text(problems_document(message, problems)), flush=True)
    return status
