"""Each run given once, where a source says in every row which run it belongs to.

What is kept of a run is a few numbers, not its row: a source may have millions of rows.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from adapt.logbook.maps.noted import Noted
from adapt.problems import shown
from adapt.tables import Table

__all__ = ["Runs"]

_BITS = 32  # of each cell kept; two texts that differ are alike by chance once in 4e9
_KEY = ("job", "run")


class Runs:
    """The runs that were given so far.

    names: every column that some section of the map gives of runs.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._names = [name for name in names if name not in _KEY]
        self._seen: dict[tuple[str, str], tuple[int, int, int]] = {}
        self._files: list[str] = []

    def new(self, table: Table, first_counts: bool, noted: Noted) -> Table:
        """Return the rows of runs that were not given before.

        first_counts: a row that says something else of a run is passed over; it is noted as wrong
        otherwise. table: with columns job and run, without texts that no row holds.
        """
        if len(table) == 0:
            return table
        if not self._files or self._files[-1] != table.file:
            self._files.append(table.file)
        columns = list(table.columns.values())
        number = np.zeros(len(table), dtype=np.intp)
        for column in columns:
            _, number = np.unique(number * len(column.texts) + column.codes, return_inverse=True)
        _, first = np.unique(number, return_index=True)
        kept = []
        for i in np.sort(first).tolist():
            cells = {c.name: c.texts[c.codes[i]] for c in columns}
            key = (cells["job"], cells["run"])
            content = self._content(cells)
            before = self._seen.get(key)
            if before is None:
                self._seen[key] = (content, len(self._files) - 1, int(table.rows[i]))
                kept.append(i)
            elif before[0] != content and not first_counts:
                rows = table.rows[number == number[i]]
                self._note(table.file, rows, cells, before, content, noted)
        return table.select(np.array(kept, dtype=np.intp))

    def _content(self, cells: dict[str, str]) -> int:
        content = 0
        for name in self._names:
            content = content << _BITS | hash(cells.get(name, "")) & ((1 << _BITS) - 1)
        return content

    def _note(
        self,
        file: str,
        rows: npt.NDArray[np.int64],
        cells: dict[str, str],
        before: tuple[int, int, int],
        content: int,
        noted: Noted,
    ) -> None:
        """Note every column in which these rows say something else of a run than one before."""
        where = f"{self._files[before[1]]}, row {before[2]}"
        different = before[0] ^ content
        for i, name in enumerate(self._names):
            at = len(self._names) - 1 - i
            if different >> (_BITS * at) & ((1 << _BITS) - 1):
                expected = (
                    f"one {name} for run {shown(cells['run'])} of job {shown(cells['job'])}; "
                    f'{where} says another (rows_differ = "first" in the map takes the first)'
                )
                noted.faulty_rows(file, rows, name, shown(cells.get(name, "")), expected)
