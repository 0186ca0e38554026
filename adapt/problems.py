"""What can be wrong with what people hand in, and the program's own errors.

A `Problem` is one finding in one place of one file. Nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["AdaptError", "BadInput", "CannotBeMet", "Problem"]

Severity = Literal["fault", "doubt"]


@dataclass(frozen=True)
class Problem:
    """One finding: where it stands, what was found, what was expected.

    severity: "fault" cannot be understood, and its job is set aside; "doubt" is unlikely or
    against the hardware, and is shown and used.
    row: the row as a person counts it in the file (the header is row 1); None for the whole file.
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
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        return f"{place}: found {self.found}; expected {self.expected}"


class AdaptError(Exception):
    """Base of every error that this program raises on purpose."""


class BadInput(AdaptError):
    """Input that cannot be used; carries every problem that was found, not only the first."""

    def __init__(self, problems: Iterable[Problem] | str) -> None:
        if isinstance(problems, str):
            self.problems: tuple[Problem, ...] = ()
            super().__init__(problems)
        else:
            self.problems = tuple(problems)
            super().__init__("\n".join(str(problem) for problem in self.problems))


class CannotBeMet(AdaptError):
    """A request that was understood and cannot be met now; the message says what would help."""
