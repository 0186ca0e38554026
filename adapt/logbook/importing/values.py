"""What an import found, as values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from adapt.logbook.importing.renumbering import Renumbered
from adapt.problems import Problem

__all__ = ["Conflict", "Counts", "TakenIn"]


@dataclass(frozen=True)
class Conflict:
    """A row that says something else of a fact than the logbook, or than another of its source.

    fact: the cells that tell which fact it is. differs: column, what stands there, what the row
    says. with_row: the row of the source that says otherwise, None = the logbook. taken_out: the
    logbook took the fact out.
    """

    table: str
    file: str
    row: int
    fact: tuple[tuple[str, str], ...]
    differs: tuple[tuple[str, str, str], ...]
    with_row: int | None = None
    taken_out: bool = False


@dataclass
class Counts:
    """Rows of one table: new, there already, corrected, said twice by the source, in conflict."""

    new: int = 0
    there: int = 0
    corrected: int = 0
    twice: int = 0
    conflicts: int = 0

    @property
    def read(self) -> int:
        return self.new + self.there + self.corrected + self.twice + self.conflicts


@dataclass(frozen=True)
class TakenIn:
    """How an import went.

    change: the number of the change that holds it; None when nothing was kept. dry: nothing was to
    be kept. refused: why nothing was, "" otherwise. conflicts, wrong: the first of each (their
    numbers are `conflict_count`, `wrong_count`); wrong rows cannot be kept. faults: of jobs that
    the import touches and that cannot be used as they are; doubts: as of `adapt.check`.
    unchecked: designs whose rows no rotor file was at hand for. jobs: how many were touched.
    renumbered: reviews that have another number in the logbook than in the source.
    """

    change: int | None
    dry: bool
    refused: str
    tables: Mapping[str, Counts]
    conflicts: tuple[Conflict, ...] = ()
    conflict_count: int = 0
    wrong: tuple[Problem, ...] = ()
    wrong_count: int = 0
    faults: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()
    unchecked: tuple[str, ...] = ()
    jobs: int = 0
    renumbered: tuple[Renumbered, ...] = ()
    seconds: float = field(default=0.0, compare=False)

    @property
    def new(self) -> int:
        """Rows that are new or correct others, over all tables."""
        return sum(c.new + c.corrected for c in self.tables.values())
