"""What can be wrong with what people hand in, and the program's own errors.

A `Problem` is one finding in one place of one file, with the helpers that word it. Nothing here
reads files.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["AdaptError", "BadInput", "CannotBeMet", "Problem", "one_of", "shown"]

Severity = Literal["fault", "doubt"]


@dataclass(frozen=True)
class Problem:
    """One finding: where it stands, what was found, what was expected.

    severity: "fault" cannot be understood, and its job is set aside; "doubt" is unlikely or
    against the hardware, and is shown and used.
    row: the row as a person counts it in the file (the header is row 1), or the line of a rotor
        file; None for the whole file.
    column: the column of a table, or the section and key of a rotor file.
    job: the job the finding stands in; None when it belongs to none.
    """

    severity: Severity
    file: str
    row: int | None
    column: str | None
    found: str
    expected: str
    job: str | None = None

    def __str__(self) -> str:
        place = self.file
        rotor_file = self.file.lower().endswith(".toml")
        if self.row is not None:
            place += f", {'line' if rotor_file else 'row'} {self.row}"
        if self.column is not None:
            place += f", {self.column}" if rotor_file else f", column {self.column}"
        return f"{place}: found {self.found}; expected {self.expected}"


class AdaptError(Exception):
    """Base of every error that this program raises on purpose."""


class BadInput(AdaptError):  # noqa: N818
    """Input that cannot be used; carries every problem that was found, not only the first."""

    def __init__(self, problems: Iterable[Problem] | str) -> None:
        if isinstance(problems, str):
            self.problems: tuple[Problem, ...] = ()
            super().__init__(problems)
        else:
            self.problems = tuple(problems)
            super().__init__("\n".join(str(problem) for problem in self.problems))


class CannotBeMet(AdaptError):  # noqa: N818
    """A request that was understood and cannot be met now; the message says what would help."""


LONGEST_SHOWN = 60
MOST_NAMES_SHOWN = 8


def shown(value: object) -> str:
    r"""Return what was found as a message can show it: quoted, escaped, at most a few words long.

    >>> shown("hovr"), shown(""), shown("a" * 100)[-12:], shown("a\x00b")
    ("'hovr'", 'nothing', "aa'... (100)", "'a\\x00b'")
    """
    if value is None or value == "":
        return "nothing"
    if not isinstance(value, str):
        value = str(value)[: 10 * LONGEST_SHOWN]
        return value if len(value) <= LONGEST_SHOWN else value[:LONGEST_SHOWN] + "..."
    # A cell may hold anything: a control character must not reach somebody's terminal.
    text = "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in value[:LONGEST_SHOWN]
    )
    return f"'{text}'" if len(value) <= LONGEST_SHOWN else f"'{text}'... ({len(value)})"


def one_of(what: str, name: str, known: Iterable[str]) -> str:
    """Return the words for what was expected in place of an unknown name, the closest name first.

    >>> one_of("a regime of the rotor file", "hovr", ["ground", "hover"])
    "a regime of the rotor file (did you mean 'hover'? known: ground, hover)"
    """
    names = list(known)
    by_folded = {n.casefold(): n for n in names}
    close = difflib.get_close_matches(name[:200].casefold(), by_folded, n=1, cutoff=0.6)
    hint = f"did you mean {shown(by_folded[close[0]])}? " if close else ""
    listed = ", ".join(shown(n)[1:-1] if n else "''" for n in names[:MOST_NAMES_SHOWN])
    more = f" and {len(names) - MOST_NAMES_SHOWN} more" if len(names) > MOST_NAMES_SHOWN else ""
    return f"{what} ({hint}known: {listed or 'none'}{more})"
