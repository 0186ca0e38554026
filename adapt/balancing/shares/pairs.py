"""Pairs of small changes in two holes, by where they push to, so that the walk looks them up."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["pairs_of"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]

_MOST = 400_000
_IN_A_CELL = 2.0  # pairs, on average


def pairs_of(push: npt.NDArray[np.complex128], hole_of: Int, single: Int) -> tuple[Int, Int, Real]:
    """Return pairs, cells and the grid (see `Job`).

    push: of each content [g mm]; hole_of: its hole in the order of the walk; single: the contents
    to pair, in that order.
    """
    if len(single) ** 2 > 2 * _MOST:
        single = single[:0]
    i, j = np.triu_indices(len(single), 1)
    first, second = single[i], single[j]
    apart = hole_of[first] < hole_of[second]
    first, second = first[apart], second[apart]
    if not len(first):
        return np.zeros((0, 2), dtype=np.int64), np.zeros(2, dtype=np.int64), np.zeros(5)
    total = push[first] + push[second]
    low_x, low_y = float(total.real.min()), float(total.imag.min())
    wide, tall = float(np.ptp(total.real)), float(np.ptp(total.imag))
    longest = max(wide, tall)
    count = max(len(first) / _IN_A_CELL, 1.0)
    # Cells as square as what is spanned allows: a line of holes has one row.
    size = max(np.sqrt(max(wide, longest / count) * max(tall, longest / count) / count), 1e-300)
    columns, rows = int(wide / size) + 1, int(tall / size) + 1
    column = np.minimum(((total.real - low_x) / size).astype(np.int64), columns - 1)
    row = np.minimum(((total.imag - low_y) / size).astype(np.int64), rows - 1)
    cell = column * rows + row
    order = np.lexsort((-hole_of[first], cell))
    cells = np.searchsorted(cell[order], np.arange(columns * rows + 1)).astype(np.int64)
    pairs = np.stack([first[order], second[order]], axis=1)
    return np.ascontiguousarray(pairs), cells, np.array([low_x, low_y, size, columns, rows])
