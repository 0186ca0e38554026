"""What is found while a source is mapped: what is wrong, once for each text, and what is left out.

A source may have millions of rows with the same mistake: it is told once, with how many and where
the first one stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from adapt.problems import BadInput, Problem, shown

__all__ = ["MOST_PROBLEMS", "Noted"]

MOST_PROBLEMS = 1_000


class Noted:
    """Faults of the sources, doubts, and rows that were left out as the map says."""

    def __init__(self) -> None:
        self._faults: dict[tuple[str, str | None, str, str], tuple[int, int | None]] = {}
        self._more = 0
        self._left: dict[tuple[str, str, str], tuple[int, str, int]] = {}
        self.doubts: list[Problem] = []

    @property
    def any_wrong(self) -> bool:
        """Whether the sources are going to be refused."""
        return bool(self._faults)

    def fault(
        self,
        file: str,
        row: int | None,
        column: str | None,
        found: str,
        expected: str,
        count: int = 1,
    ) -> None:
        """Note what is wrong in so many rows of a file, of which `row` is the first."""
        key = (file, column, found, expected)
        if key in self._faults:
            before, first = self._faults[key]
            self._faults[key] = (before + count, first)
        elif len(self._faults) < MOST_PROBLEMS:
            self._faults[key] = (count, row)
        else:
            self._more += count

    def texts(
        self,
        file: str,
        rows: npt.NDArray[np.int64],
        column: str,
        codes: npt.NDArray[np.intp],
        texts: Sequence[str],
        expected: Mapping[int, str],
    ) -> None:
        """Note the texts of a column that cannot be used, where a row holds them.

        rows, codes: shape (row,). expected: by position in `texts`.
        """
        counts = np.bincount(codes, minlength=len(texts))
        for i, words in expected.items():
            if counts[i]:
                first = int(rows[np.argmax(codes == i)])
                self.fault(file, first, column, shown(texts[i]), words, int(counts[i]))

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

    def left_out(
        self, source: str, column: str, found: str, file: str, rows: npt.NDArray[np.int64]
    ) -> None:
        """Note rows that the map leaves out, shape (row,)."""
        if len(rows) == 0:
            return
        count, first_file, first = self._left.get(
            (source, column, found), (0, file, int(rows.min()))
        )
        self._left[source, column, found] = (count + len(rows), first_file, first)

    def raise_if_any(self) -> None:
        """Raise BadInput with everything that is wrong."""
        problems = [
            Problem(
                "fault", file, row, column, f"{found} in {n:,} rows" if n > 1 else found, expected
            )
            for (file, column, found, expected), (n, row) in self._faults.items()
        ]
        if self._more:
            expected = f"none; the first {MOST_PROBLEMS:,} are listed"
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
                f"{found} in {n:,} {'row' if n == 1 else 'rows'} (first: {file}, row {row})",
                f"rows that the map uses; it leaves these out (source {shown(source)})",
            )
            for (source, column, found), (n, file, row) in self._left.items()
        ]
        return (*self.doubts, *left)
