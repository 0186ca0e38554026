"""Branch and bound over the whole steps of one support."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import bare, compiled
from adapt.planning.kernel.arrays import (
    BEST,
    BOUND_G,
    FACTOR,
    FOUND,
    MEAN_SQUARE,
    NEW_B,
    NEW_G,
    POINT,
    STEPS,
    TRIAL,
    WEIGHTS,
    Best,
    Job,
    Scratch,
)
from adapt.planning.kernel.forms import box_minimum, shrink, squares
from adapt.planning.kernel.plans import limit_of, nearest, offer, tie_gap
from adapt.planning.kernel.weights import ALL_MOVED, bound_any, factors

__all__ = ["search_support", "tighten"]

Array = npt.NDArray[Any]

_ROUNDS = np.int64(4)
_ROOM = 64


@bare
def tighten(
    sums: Array,
    sum_low: Array,
    sum_high: Array,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
) -> bool:
    """Shrink a box to steps that are not 0 and that the sums allow; return whether any are left.

    sums, sum_low, sum_high: as in a job.
    """
    for _ in range(2):
        for i in range(moves):
            if low[i] == 0.0:
                low[i] = 1.0
            if high[i] == 0.0:
                high[i] = -1.0
            if low[i] > high[i]:
                return False
        for m in range(sum_low.size):
            least, most = 0.0, 0.0
            for i in range(moves):
                a = sums[m, support[i]]
                least += min(a * low[i], a * high[i])
                most += max(a * low[i], a * high[i])
            room = sum_high[m] - least
            need = most - sum_low[m]
            if room < -1e-12 or need < -1e-12:
                return False
            for i in range(moves):
                a = sums[m, support[i]]
                if a == 0.0:
                    continue
                up = np.floor(max(room if a > 0.0 else need, 0.0) / abs(a) + 1e-9)
                down = np.floor(max(need if a > 0.0 else room, 0.0) / abs(a) + 1e-9)
                low[i], high[i] = max(low[i], high[i] - down), min(high[i], low[i] + up)
    for i in range(moves):
        if low[i] == 0.0:
            low[i] = 1.0
        if high[i] == 0.0:
            high[i] = -1.0
        if low[i] > high[i]:
            return False
    return True


@compiled
def search_support(
    job: Job,
    best: Best,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    w: Array,
    most: int,
    seen: Array,
    scratch: Scratch,
) -> bool:
    """Find every plan of a support that is best or ties; return False when `most` nodes were few.

    low, high: (move,) box, already tightened. w: (row,) weights to start from. seen: (1,) counts
    the nodes. Depth first, the nearer half first.
    """
    rows = w.size
    room = _ROOM
    lows = np.empty((room, moves))
    highs = np.empty((room, moves))
    inherited = np.empty((room, rows))
    for i in range(moves):
        lows[0, i] = low[i]
        highs[0, i] = high[i]
    for r in range(rows):
        inherited[0, r] = w[r]
    weights, factor, found = scratch.row[WEIGHTS], scratch.row[FACTOR], scratch.row[FOUND]
    x, steps = scratch.move[POINT], scratch.move[STEPS]
    open_ = 1
    nodes = 0
    while open_ > 0:
        open_ -= 1
        nodes += 1
        if nodes > most:
            seen[0] += nodes
            return False
        for i in range(moves):
            low[i] = lows[open_, i]
            high[i] = highs[open_, i]
        if not tighten(job.sums, job.sum_low, job.sum_high, support, moves, low, high):
            continue
        plans, wide = 1.0, 0
        for i in range(moves):
            plans *= high[i] - low[i] + 1.0
            if high[i] > low[i]:
                wide = i
        if plans <= 2.0:
            for i in range(moves):
                steps[i] = low[i]
            for _ in range(int(plans)):
                squares(job, support, moves, steps, found)
                offer(job, best, support, moves, steps, found)
                steps[wide] = high[wide]
            continue
        for r in range(rows):
            weights[r] = inherited[open_, r]
        limit = limit_of(job, best)
        factors(job.counted, limit, factor)
        bound = bound_any(
            job, factor, support, moves, low, high, weights, _ROUNDS, limit, x, scratch, ALL_MOVED
        )
        if bound > limit or not shrink(job, limit, moves, low, high, scratch):
            continue
        if not tighten(job.sums, job.sum_low, job.sum_high, support, moves, low, high):
            continue
        if _only_worse_ties(job, best, bound, support, moves, low, high, scratch):
            continue
        nearest(x, low, high, moves, steps)
        squares(job, support, moves, steps, found)
        offer(job, best, support, moves, steps, found)
        pick, cut = _where_to_split(scratch.pair[BOUND_G], low, high, x, moves)
        near_above = x[pick] - cut > 0.5
        if open_ + 2 > room:
            more = np.empty((2 * room, moves)), np.empty((2 * room, moves))
            wider = np.empty((2 * room, rows))
            for n in range(open_):
                for i in range(moves):
                    more[0][n, i] = lows[n, i]
                    more[1][n, i] = highs[n, i]
                for r in range(rows):
                    wider[n, r] = inherited[n, r]
            lows, highs, inherited, room = more[0], more[1], wider, 2 * room
        for half in range(2):
            for i in range(moves):
                lows[open_, i] = low[i]
                highs[open_, i] = high[i]
            if (half == 1) == near_above:
                lows[open_, pick] = cut + 1.0
            else:
                highs[open_, pick] = cut
            for r in range(rows):
                inherited[open_, r] = weights[r]
            open_ += 1
    seen[0] += nodes
    return True


@bare
def _only_worse_ties(
    job: Job,
    best: Best,
    bound: float,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    scratch: Scratch,
) -> bool:
    """Tell whether a box can at best tie, with a higher mean square ratio than what is known."""
    known = best.value[BEST]
    if job.law.df.size or best.number[0] == 0 or bound <= 0.0:
        return False
    if np.sqrt(bound) < known - tie_gap(best):
        return False
    g, b = scratch.pair[NEW_G], scratch.move[NEW_B]
    for i in range(moves):
        b[i] = job.mean_linear[support[i]]
        for j in range(moves):
            g[i, j] = job.mean_quadratic[support[i], support[j]]
    least = box_minimum(g, b, job.mean_offset[0], low, high, moves, scratch.move[TRIAL], scratch)
    return least > best.value[MEAN_SQUARE] * (1.0 + 1e-8) + 1e-9


@bare
def _where_to_split(g: Array, low: Array, high: Array, x: Array, moves: int) -> tuple[int, float]:
    """Return the move to split a box at, and the last whole step of its lower half."""
    pick, most = 0, -1.0
    for i in range(moves):
        if high[i] > low[i]:
            off = abs(x[i] - np.round(x[i]))
            if low[i] < 0.0 < high[i] and abs(x[i]) < 1.0:
                off = 1.0 - abs(x[i])
            width = high[i] - low[i]
            score = off * np.sqrt(g[i, i]) + 1e-3 * width / (1.0 + width)
            if score > most:
                pick, most = i, score
    cut = min(max(np.floor(x[pick] + 1e-9), low[pick]), high[pick] - 1.0)
    return pick, cut
