"""Squares of the rows, their weighted sums, and the minimum of a quadratic in a box."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import bare, bare_reordered
from adapt.planning.kernel.arrays import (
    BOUND_AT,
    BOUND_B,
    BOUND_C,
    BOUND_G,
    FREE,
    HELD,
    NEW_B,
    NEW_G,
    NOW,
    ROOT,
    SLOPE,
    SOLVED,
    Job,
    Scratch,
)

__all__ = ["box_minimum", "shrink", "squares", "weighted", "weighted_everywhere"]

_SWEEPS = 60

Array = npt.NDArray[Any]


@bare_reordered
def squares(job: Job, support: Array, moves: int, x: Array, out: Array) -> None:
    """Write each row's square at steps x (move,) of a support into out (row,)."""
    rows = out.size
    for r in range(rows):
        out[r] = job.offset[r]
    for i in range(moves):
        a = x[i]
        line = job.linear[support[i]]
        own = job.quadratic[support[i], support[i]]
        for r in range(rows):
            out[r] += 2.0 * a * line[r] + a * a * own[r]
        for j in range(i):
            both = 2.0 * a * x[j]
            cross = job.quadratic[support[i], support[j]]
            for r in range(rows):
                out[r] += both * cross[r]


@bare_reordered
def _dot(a: Array, b: Array) -> float:
    total = 0.0
    for r in range(a.size):
        total += a[r] * b[r]
    return total


@bare_reordered
def weighted(job: Job, u: Array, support: Array, moves: int, g: Array, b: Array) -> float:
    """Write G, b of the sum of u (row,) times the squares on a support; return c."""
    for i in range(moves):
        b[i] = _dot(u, job.linear[support[i]])
        for j in range(i + 1):
            entry = _dot(u, job.quadratic[support[i], support[j]])
            g[i, j] = entry
            g[j, i] = entry
    return _dot(u, job.offset)


@bare_reordered
def weighted_everywhere(job: Job, u: Array, at: Array, count: int, g: Array, b: Array) -> float:
    """Write G, b over all variables of the sum of u[m] times the square of row at[m]; return c."""
    for v in range(b.size):
        line = job.linear[v]
        total = 0.0
        for m in range(count):
            total += u[m] * line[at[m]]
        b[v] = total
        for z in range(v + 1):
            cross = job.quadratic[v, z]
            total = 0.0
            for m in range(count):
                total += u[m] * cross[at[m]]
            g[v, z] = total
            g[z, v] = total
    total = 0.0
    for m in range(count):
        total += u[m] * job.offset[at[m]]
    return total


@bare
def box_minimum(
    g: Array, b: Array, c: float, low: Array, high: Array, moves: int, x: Array, scratch: Scratch
) -> float:
    """Write a near-minimiser of x'Gx + 2 b'x + c in the box into x; return a lower bound.

    Active set over Cholesky factors, and where that goes round in circles, as it may when columns
    depend on each other, one coordinate after the other. The bound holds however inexact the solve
    was: the quadratic is convex, so its tangent at x, at its lowest in the box, is below it.
    """
    held, free, now = scratch.whole[HELD], scratch.whole[FREE], scratch.move[NOW]
    solved, slope, root = scratch.move[SOLVED], scratch.move[SLOPE], scratch.pair[ROOT]
    best = -np.inf
    for i in range(moves):
        held[i] = low[i] >= high[i]
        now[i] = min(max(0.0, low[i]), high[i])
    for _ in range(moves + 3):
        count = 0
        for i in range(moves):
            if not held[i]:
                free[count] = i
                count += 1
        for p in range(count):
            i = free[p]
            right = -b[i]
            for j in range(moves):
                if held[j]:
                    right -= g[i, j] * now[j]
            for q in range(p + 1):
                rest = g[i, free[q]]
                for m in range(q):
                    rest -= root[p, m] * root[q, m]
                if q == p:
                    root[p, p] = np.sqrt(max(rest + 1e-11 * g[i, i], 1e-14 * g[i, i]) + 1e-300)
                else:
                    root[p, q] = rest / root[q, q]
            for m in range(p):
                right -= root[p, m] * solved[m]
            solved[p] = right / root[p, p]
        for p in range(count - 1, -1, -1):
            right = solved[p]
            for m in range(p + 1, count):
                right -= root[m, p] * solved[m]
            solved[p] = right / root[p, p]
        for p in range(count):
            i = free[p]
            now[i] = min(max(solved[p], low[i]), high[i])
        value = c
        fall = 0.0
        for i in range(moves):
            half = b[i]
            for j in range(moves):
                half += g[i, j] * now[j]
            slope[i] = 2.0 * half
            value += now[i] * (half + b[i])
            fall += min(slope[i] * (low[i] - now[i]), slope[i] * (high[i] - now[i]), 0.0)
        if value + fall > best:
            best = value + fall
            for i in range(moves):
                x[i] = now[i]
        if fall >= -1e-9 * abs(value):
            return best - 1e-12 * abs(c)
        for i in range(moves):
            held[i] = (
                low[i] >= high[i]
                or (now[i] <= low[i] and slope[i] >= 0.0)
                or (now[i] >= high[i] and slope[i] <= 0.0)
            )
    for i in range(moves):
        now[i] = x[i]
    for _ in range(_SWEEPS):
        for i in range(moves):
            half = b[i]
            for j in range(moves):
                half += g[i, j] * now[j]
            if g[i, i] > 0.0:
                now[i] = min(max(now[i] - half / g[i, i], low[i]), high[i])
            elif half != 0.0:
                now[i] = low[i] if half > 0.0 else high[i]
        value = c
        fall = 0.0
        for i in range(moves):
            half = b[i]
            for j in range(moves):
                half += g[i, j] * now[j]
            value += now[i] * (half + b[i])
            fall += min(2.0 * half * (low[i] - now[i]), 2.0 * half * (high[i] - now[i]), 0.0)
        if value + fall > best:
            best = value + fall
            for i in range(moves):
                x[i] = now[i]
        if fall >= -1e-6 * abs(value):
            break
    return best - 1e-12 * abs(c)


@bare
def shrink(job: Job, square: float, moves: int, low: Array, high: Array, scratch: Scratch) -> bool:
    """Shrink a box to the whole steps where the best bound's quadratic is under a square.

    The quadratic is BOUND_G, BOUND_B, BOUND_C of scratch with its minimiser BOUND_AT in the box;
    bounds that hold it back enter by their multipliers (see `weights`). Returns whether any steps
    are left.
    """
    g, b, x = scratch.pair[NEW_G], scratch.move[NEW_B], scratch.move[BOUND_AT]
    root, solved = scratch.pair[ROOT], scratch.move[SOLVED]
    c = scratch.move[BOUND_C][0]
    for i in range(moves):
        half_slope = scratch.move[BOUND_B][i]
        for j in range(moves):
            half_slope += scratch.pair[BOUND_G][i, j] * x[j]
            g[i, j] = scratch.pair[BOUND_G][i, j]
        b[i] = scratch.move[BOUND_B][i]
        half, middle = 0.5 * (high[i] - low[i]), 0.5 * (high[i] + low[i])
        if half <= 0.0:
            weight = 1e3 * g[i, i] + 1e-9  # holds it where it is
        elif (x[i] <= low[i] + 1e-9 and half_slope > 0.0) or (
            x[i] >= high[i] - 1e-9 and half_slope < 0.0
        ):
            weight = abs(half_slope) / half
        else:
            continue
        g[i, i] += weight
        b[i] -= weight * middle
        c += weight * (middle * middle - half * half)
    room = square - c
    for p in range(moves):
        right = -b[p]
        for q in range(p + 1):
            rest = g[p, q]
            for m in range(q):
                rest -= root[p, m] * root[q, m]
            if q == p:
                if rest < 1e-9 * g[p, p] + 1e-300:
                    return True
                root[p, p] = np.sqrt(rest)
            else:
                root[p, q] = rest / root[q, q]
        for m in range(p):
            right -= root[p, m] * solved[m]
        solved[p] = right / root[p, p]
        room += solved[p] * solved[p]
    room += 1e-9 * (abs(c) + square)
    if room < 0.0:
        return False
    for p in range(moves - 1, -1, -1):
        right = solved[p]
        for m in range(p + 1, moves):
            right -= root[m, p] * solved[m]
        solved[p] = right / root[p, p]
    # The inverse of the factor, column by column: its columns' squares are the widths.
    for i in range(moves):
        width = 0.0
        for p in range(i, moves):
            entry = 1.0 if p == i else 0.0
            for m in range(i, p):
                entry -= root[p, m] * scratch.move[SLOPE][m]
            scratch.move[SLOPE][p] = entry / root[p, p]
            width += scratch.move[SLOPE][p] * scratch.move[SLOPE][p]
        reach = np.sqrt(room * width) + 1e-6
        low[i] = max(low[i], np.ceil(solved[i] - reach))
        high[i] = min(high[i], np.floor(solved[i] + reach))
        if low[i] > high[i]:
            return False
    return True
