"""Collects what `check` finds, with file, row and job. What is wrong is decided elsewhere."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.problems import BadInput, Problem, shown
from adapt.tables import Table

__all__ = ["Findings", "Mask"]

Mask = npt.NDArray[np.bool_]
Words = str | Callable[[int], str]


class Findings:
    """Faults, doubts, and the findings for which a whole file is refused."""

    def __init__(self) -> None:
        self.faults: list[Problem] = []
        self.doubts: list[Problem] = []
        self.refused: list[Problem] = []

    def faulty_jobs(self) -> dict[str, int]:
        """Return the number of faults of each job that has any."""
        return dict(Counter(p.job for p in self.faults if p.job is not None))

    def add(self, problems: Iterable[Problem]) -> None:
        """Add problems that were found before."""
        for problem in problems:
            (self.faults if problem.severity == "fault" else self.doubts).append(problem)

    def fault(self, table: Table, at: Any, column: str, expected: Words, **more: Any) -> None:
        """Note a fault in some rows of a table; see `_note`."""
        self.faults += self._note("fault", table, at, column, expected, **more)

    def doubt(self, table: Table, at: Any, column: str, expected: Words, **more: Any) -> None:
        """Note a doubt in some rows of a table; see `_note`."""
        self.doubts += self._note("doubt", table, at, column, expected, **more)

    def doubt_at(
        self, table: Table, row: int, column: str, found: str, expected: str, job: str
    ) -> None:
        """Note a doubt in one row, given by the row's number in the file."""
        self.doubts.append(Problem("doubt", table.file, int(row), column, found, expected, job))

    def refuse(self, table: Table, at: Any, column: str, expected: Words, **more: Any) -> None:
        """Note why a file is refused; see `_note`."""
        self.refused += self._note("fault", table, at, column, expected, **more)

    def require_rows(self, table: Table, expected: str) -> None:
        """Note a table that has no rows, where nothing else is wrong with it."""
        if len(table) == 0 and not self.faults:
            self.faults.append(Problem("fault", table.file, None, None, "no rows", expected))

    def raise_if_any(self) -> None:
        """Raise BadInput with every fault and every reason for a refusal, in the rows' order."""
        if problems := self.faults + self.refused:
            raise BadInput(sorted(problems, key=lambda p: p.row or 0))

    def _note(
        self,
        severity: Any,
        table: Table,
        at: Any,
        column: str,
        expected: Words,
        found: Words | None = None,
        jobs: bool = True,
    ) -> list[Problem]:
        """Return one problem for each row of a mask or of a list of positions.

        expected, found: words, or what gives them for a position; found None = the cell.
        jobs: whether the finding belongs to the job that the row names.
        """
        rows = np.flatnonzero(at) if np.asarray(at).dtype.kind == "b" else np.asarray(at)
        if len(rows) == 0:
            return []
        cells, names = table.column(column), table.column("job")

        def word(words: Words | None, i: int) -> str:
            if words is None:
                return shown(cells.texts[cells.codes[i]])
            return words if isinstance(words, str) else words(i)

        return [
            Problem(
                severity,
                table.file,
                int(table.rows[i]),
                column,
                word(found, i),
                word(expected, i),
                (names.texts[names.codes[i]] or None) if jobs else None,
            )
            for i in rows.tolist()
        ]
