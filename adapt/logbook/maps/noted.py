"""What is found while a source is mapped: what is wrong, once for each text, and what is left out.

A source may have millions of rows with the same mistake: it is told once, with how many and where
the first one stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.problems import BadInput, Problem, shown

__all__ = ["MOST_PROBLEMS", "Noted"]

MOST_PROBLEMS = 1_000
Rows = npt.NDArray[np.int64]


@dataclass
class _Counted:
    """Rows of which the same is to be said: how many, and the first of them."""

    count: int
    file: str
    first: int | None


class Noted:
    """Faults of the sources, doubts, and rows that were left out as the map says."""

    def __init__(self) -> None:
        self.doubts: list[Problem] = []
        # (file, column, found, expected), and (source, column, found)
        self._faults: dict[tuple[str, str | None, str, str], _Counted] = {}
        self._left: dict[tuple[str, str, str], _Counted] = {}
        self._more = 0
        # Of the batch in hand: several sections of a map may say the same of one row.
        self._faults_now: dict[tuple[str, str | None, str, str], list[Rows]] = {}
        self._left_now: dict[tuple[str, str, str, str], list[Rows]] = {}

    @property
    def any_wrong(self) -> bool:
        """Whether the sources are going to be refused."""
        return bool(self._faults or self._faults_now)

    def fault(
        self, file: str, row: int | None, column: str | None, found: str, expected: str
    ) -> None:
        """Note one thing that is wrong."""
        self._count((file, column, found, expected), 1, row)

    def faulty_rows(
        self, file: str, rows: Rows, column: str | None, found: str, expected: str
    ) -> None:
        """Note what is wrong in these rows of a file, shape (row,)."""
        self._faults_now.setdefault((file, column, found, expected), []).append(rows)

    def texts(
        self,
        file: str,
        rows: Rows,
        column: str,
        codes: npt.NDArray[np.intp],
        texts: Sequence[str],
        expected: Mapping[int, str],
    ) -> None:
        """Note the texts of a column that cannot be used, where a row holds them.

        rows, codes: shape (row,). expected: by position in `texts`.
        """
        wrong = np.zeros(len(texts), dtype=bool)
        wrong[list(expected)] = True
        at = np.flatnonzero(wrong[codes])
        at = at[np.argsort(codes[at], kind="stable")]
        if len(at):
            for part in np.split(at, np.flatnonzero(np.diff(codes[at])) + 1):
                i = int(codes[part[0]])
                self.faulty_rows(file, rows[part], column, shown(texts[i]), expected[i])

    def add(self, problems: Iterable[Problem]) -> None:
        """Add what a reader found."""
        for p in problems:
            if p.severity == "fault":
                self.fault(p.file, p.row, p.column, p.found, p.expected)
            else:
                self.doubts.append(p)

    def doubt(self, file: str, found: str, expected: str) -> None:
        """Note what is doubtful about a file as a whole."""
        self.doubts.append(Problem("doubt", file, None, None, found, expected))

    def left_out(self, source: str, column: str, found: str, file: str, rows: Rows) -> None:
        """Note rows that the map leaves out, shape (row,)."""
        if len(rows):
            self._left_now.setdefault((source, column, found, file), []).append(rows)

    def end_batch(self) -> None:
        """Count what was noted of the batch in hand, each row once."""
        for fault, of_fault in self._faults_now.items():
            rows = np.unique(np.concatenate(of_fault))
            self._count(fault, len(rows), int(rows[0]))
        for (source, column, found, file), of_left in self._left_now.items():
            rows = np.unique(np.concatenate(of_left))
            counted = self._left.setdefault(
                (source, column, found), _Counted(0, file, int(rows[0]))
            )
            counted.count += len(rows)
        self._faults_now, self._left_now = {}, {}

    def _count(self, key: tuple[str, str | None, str, str], count: int, first: int | None) -> None:
        if key in self._faults:
            self._faults[key].count += count
        elif len(self._faults) < MOST_PROBLEMS:
            self._faults[key] = _Counted(count, key[0], first)
        else:
            self._more += count

    def raise_if_any(self) -> None:
        """Raise BadInput with everything that is wrong, file by file, in the rows' order."""
        files = list(dict.fromkeys(file for file, _, _, _ in self._faults))
        problems = [
            Problem("fault", file, of.first, column, _often(found, of.count), expected)
            for (file, column, found, expected), of in self._faults.items()
        ]
        place = {file: i for i, file in enumerate(files)}
        problems.sort(key=lambda p: (place[p.file], p.row or 0))
        if self._more:
            expected = f"none; the first {MOST_PROBLEMS:,} different ones are listed"
            found = f"{self._more:,} more rows with problems"
            problems.append(Problem("fault", problems[-1].file, None, None, found, expected))
        if problems:
            raise BadInput(problems)

    def told(self, path: str) -> tuple[Problem, ...]:
        """Return the doubts, and for each reason how many rows were left out."""
        left = [
            Problem(
                "doubt",
                path,
                None,
                column,
                f"{found} in {of.count:,} {'row' if of.count == 1 else 'rows'} "
                f"(first: {of.file}, row {of.first})",
                f"rows that the map uses; it leaves these out (source {shown(source)})",
            )
            for (source, column, found), of in self._left.items()
        ]
        return (*self.doubts, *left)


def _often(found: str, count: int) -> str:
    return f"{found} in {count:,} rows" if count > 1 else found
