"""The compiled loop that sums rows to cells.

It fills arrays that it is given, complex or real; those are C-contiguous.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import reordered

__all__ = ["add_rows"]

Array = npt.NDArray[Any]


@reordered
def add_rows(
    cell_of: Array,
    unit_of: Array,
    row_lam: Array,
    row_x: Array,
    row_d: Array,
    over: Array,
    unit: Array,
    count: Array,
    lam: Array,
    outer: Array,
    xd: Array,
    dd: Array,
) -> None:
    """Add rows to their cells, see `Table`.

    cell_of: (channel, row), -1 where a channel has no such row; unit_of: (row,); row_lam, row_d:
    (row, channel); row_x: (row, channel, adjuster); over: (channel, adjuster), what x is multiplied
    by.
    """
    rows, channels, adjusters = row_x.shape
    x = np.zeros(adjusters, row_x.dtype)
    for m in range(rows):
        for j in range(channels):
            c = cell_of[j, m]
            if c < 0:
                continue
            d = row_d[m, j]
            unit[c] = unit_of[m]
            lam[c, j] = row_lam[m, j]
            count[c, j] += 1.0
            dd[c, j] += d.real**2 + d.imag**2
            for a in range(adjusters):
                x[a] = row_x[m, j, a] * over[j, a]
            for a in range(adjusters):
                turned = np.conj(x[a])
                xd[c, j, a] += turned * d
                for b in range(adjusters):
                    outer[c, j, a, b] += turned * x[b]
