"""Rows summed to what the likelihood needs: rows of one rotor, channel and lambda become one cell.

A likelihood in q, r and D sees the rows of a cell only through their number, X'X, X'd and d'd, so
estimation never goes back to the rows. With whole logs a job of K pairs has K different lambdas,
the same in every job of that length: hundreds of runs of a rotor come down to a handful of cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from adapt.learning.kernel.rows import add_rows
from adapt.learning.rows.pairs import Rows

__all__ = ["Table"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

SAME_LAMBDA = 1e-11  # relative: equal but for rounding


@dataclass(frozen=True, eq=False)
class Table:
    """Cells of all channels, columns scaled to unit rms so that grams and degrees do not mix.

    rows: what was summed. groups: how many sensors the channels belong to, each with the same
    regimes (track: one). scale: (adjuster,): x here = x / scale, so coefficients here =
    coefficients * scale. fixed: (channel, adjuster): no effect at all, x is 0 there.
    unit: (cell,). count, lam: (cell, channel), count 0 where a channel has no such cell.
    outer: (cell, channel, adjuster, adjuster) sum of conj(x) x; xd: (cell, channel, adjuster) sum
    of conj(x) d; dd: (cell, channel) sum of |d|^2. gather: (unit, cell) sums cells by unit.
    """

    rows: Rows
    groups: int
    scale: Real
    fixed: Truth
    unit: Whole
    count: Real
    lam: Real
    outer: Array
    xd: Array
    dd: Real
    gather: csr_array

    @classmethod
    def of(cls, rows: Rows, fixed: Truth, groups: int) -> Table:
        """Sum rows; fixed: (channel, adjuster), coefficients that are exactly zero."""
        channels, adjusters = fixed.shape
        square = np.einsum("rja,rja->a", rows.x.conj(), rows.x).real
        size = np.sqrt(square / max(1, int(rows.live.sum())))
        scale = np.where(size > 0, size, 1.0)
        cell_of = np.array(_cells(rows), dtype=np.int64).reshape(channels, len(rows.unit))
        cells = int(cell_of.max(initial=-1)) + 1
        unit = np.zeros(cells, dtype=np.int64)
        count, dd = np.zeros((cells, channels)), np.zeros((cells, channels))
        lam = np.ones((cells, channels))
        xd = np.zeros((cells, channels, adjusters), dtype=rows.x.dtype)
        outer = np.zeros((cells, channels, adjusters, adjusters), dtype=rows.x.dtype)
        over = np.where(fixed, 0.0, 1.0 / scale)
        add_rows(
            cell_of, rows.unit, rows.lam, rows.x, rows.d, over, unit, count, lam, outer, xd, dd
        )
        gather = csr_array((np.ones(cells), (unit, np.arange(cells))), shape=(rows.units, cells))
        return cls(rows, groups, scale, fixed, unit, count, lam, outer, xd, dd, gather)

    @property
    def half(self) -> float:
        """Weight of a row in the log-likelihood: 1 for circular complex rows, 1/2 for real ones."""
        return 1.0 if np.iscomplexobj(self.xd) else 0.5

    @cached_property
    def informed(self) -> Array:
        """Return the sum of conj(x) x over all rows, (channel, adjuster, adjuster)."""
        return np.asarray(self.outer.sum(axis=0))

    def total(self, values: Array) -> Array:
        """Return sums by unit of values by cell, shape (unit, ...)."""
        per_cell = int(np.prod(values.shape[1:]))
        summed = self.gather @ values.reshape(len(self.unit), per_cell)
        return np.asarray(summed).reshape(self.rows.units, *values.shape[1:])

    def only(self, units: Truth) -> Table:
        """Return the cells of some units alone; units: (unit,). The others have no data."""
        kept = units[self.unit]
        unit = self.unit[kept]
        gather = csr_array(
            (np.ones(len(unit)), (unit, np.arange(len(unit)))),
            shape=(self.rows.units, len(unit)),
        )
        return Table(
            self.rows, self.groups, self.scale, self.fixed, unit, self.count[kept],
            self.lam[kept], self.outer[kept], self.xd[kept], self.dd[kept], gather,
        )  # fmt: skip


def _cells(rows: Rows) -> list[Whole]:
    """Return for each channel which cell each row belongs to, -1 where it has none.

    Cells of a unit stand together and are numbered alike for all channels: the n-th lambda of a
    unit is the n-th cell of that unit in every channel.
    """
    channels = rows.live.shape[1]
    ranks: list[Whole] = []
    for j in range(channels):
        if j and _same(rows, j, j - 1):
            ranks.append(ranks[-1])
            continue
        live = np.flatnonzero(rows.live[:, j])
        order = live[np.lexsort((rows.lam[live, j], rows.unit[live]))]
        unit, lam = rows.unit[order], rows.lam[order, j]
        new_unit = np.append(True, unit[1:] != unit[:-1])
        new_cell = new_unit.copy()
        new_cell[1:] |= np.diff(lam) > SAME_LAMBDA * lam[1:]
        number = np.cumsum(new_cell) - 1
        first = np.maximum.accumulate(np.where(new_unit, number, 0))
        rank = np.full(len(rows.unit), -1, dtype=np.int64)
        rank[order] = number - first
        ranks.append(rank)
    most = np.zeros(rows.units, dtype=np.int64)
    for rank in {id(r): r for r in ranks}.values():
        np.maximum.at(most, rows.unit[rank >= 0], rank[rank >= 0] + 1)
    base = np.concatenate([[0], np.cumsum(most)[:-1]]) if rows.units else most
    start = base[rows.unit]
    done: dict[int, Whole] = {}
    for rank in ranks:
        if id(rank) not in done:
            done[id(rank)] = np.where(rank >= 0, start + rank, -1)
    return [done[id(rank)] for rank in ranks]


def _same(rows: Rows, one: int, other: int) -> bool:
    return bool(
        np.array_equal(rows.live[:, one], rows.live[:, other])
        and np.array_equal(rows.lam[:, one], rows.lam[:, other])
    )
