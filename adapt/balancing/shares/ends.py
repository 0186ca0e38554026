"""How a compiled walk ends: the last hole or two looked up, the better answer kept.

Arrays only, as `arrays` says; the walk itself lives in `kernel`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy.typing as npt

from adapt.balancing.shares.arrays import Best, Job, State
from adapt.compiling import compiled

__all__ = ["allowed", "down", "last", "offer", "two"]

Array = npt.NDArray[Any]

_ROUNDING = 1e-9


@compiled
def allowed(job: Job, state: State, level: int, p: int, caps: Array) -> bool:
    """Return whether a content ends an answer that keeps every count and stock."""
    for k in range(3):
        if state.spent[level, k] + job.cost[p, k] > caps[k]:
            return False
    for s in range(len(job.room)):  # noqa: SIM110 - generators are not compiled
        if state.drawn[level, s] + job.draws[p, s] > job.room[s]:
            return False
    return True


@compiled
def down(job: Job, state: State, level: int, p: int, x: float, y: float) -> None:
    """Write the next level: a content chosen, and x, y left to correct."""
    state.chosen[level] = p
    state.point[level + 1, 0] = x
    state.point[level + 1, 1] = y
    for k in range(3):
        state.spent[level + 1, k] = state.spent[level, k] + job.cost[p, k]
    for s in range(len(job.room)):
        state.drawn[level + 1, s] = state.drawn[level, s] + job.draws[p, s]
    state.held[level + 1, 0] = state.held[level, 0] + job.fit[p]
    state.held[level + 1, 1] = state.held[level, 1] + job.mass[p]


@compiled
def offer(
    job: Job, state: State, best: Best, level: int, p: int, res: float, tie: float
) -> bool:  # fmt: skip
    """Take an answer if it is better: less residual, fewer pieces, less mass, earlier in the file.

    p: the content chosen after those of the levels; -1 for none.
    """
    if res > best.of[0] + tie:
        return False
    fitted, mass = state.held[level, 0], state.held[level, 1]
    if p >= 0:
        fitted, mass = fitted + job.fit[p], mass + job.mass[p]
    order = 0
    if res < best.of[0] - tie:
        order = -1
    elif fitted != best.of[1]:
        order = -1 if fitted < best.of[1] else 1
    elif abs(mass - best.of[2]) > _ROUNDING * (1.0 + abs(mass)):
        order = -1 if mass < best.of[2] else 1
    if order > 0:
        return False
    ranks = job.rank_as_is.copy()
    for k in range(level):
        ranks[job.place[job.hole_of[state.chosen[k]]]] = job.rank[state.chosen[k]]
    if p >= 0:
        ranks[job.place[job.hole_of[p]]] = job.rank[p]
    for k in range(len(ranks)):
        if order != 0:
            break
        if ranks[k] != best.rank[k]:
            order = -1 if ranks[k] < best.rank[k] else 1
    if order >= 0:
        return False
    best.of[0] = min(res, best.of[0])
    best.of[1] = fitted
    best.of[2] = mass
    best.of[3] = level if p < 0 else level + 1
    for k in range(level):
        best.choice[k] = state.chosen[k]
    if p >= 0:
        best.choice[level] = p
    for k in range(len(ranks)):
        best.rank[k] = ranks[k]
    return True


@compiled
def last(
    job: Job, state: State, best: Best, level: int, first: int, caps: Array, tolerance: float,
    tie: float, stop: bool,
) -> bool:  # fmt: skip
    """Offer every answer that changes one more hole from `first` on; say whether one was taken.

    The residual tells the value that a hole needs: only contents near it are looked at.
    """
    taken = False
    x, y = state.point[level, 0], state.point[level, 1]
    square = x * x + y * y
    for h in range(first, len(job.ux)):
        within = min(tolerance, best.of[0] + tie)
        along = x * job.ux[h] + y * job.uy[h]
        half = within * within - (square - along * along) + _ROUNDING * (square + tie * tie)
        if half < 0.0:
            continue
        width = math.sqrt(half)
        low, high = job.start[h], job.start[h + 1]
        while low < high:
            middle = (low + high) // 2
            if job.value[middle] < along - width:
                low = middle + 1
            else:
                high = middle
        for p in range(low, job.start[h + 1]):
            if job.value[p] > along + width:
                break
            if not allowed(job, state, level, p, caps):
                continue
            res = math.hypot(x - job.value[p] * job.ux[h], y - job.value[p] * job.uy[h])
            if res <= tolerance and offer(job, state, best, level, p, res, tie):
                taken = True
                if stop:
                    return True
    return taken


@compiled
def two(
    job: Job, state: State, best: Best, level: int, first: int, caps: Array, tolerance: float,
    tie: float, stop: bool,
) -> bool:  # fmt: skip
    """Offer every answer that changes two more holes from `first` on by a count of one each.

    Pairs of such contents stand by where they push to: only those near the residual are looked at.
    """
    taken = False
    x, y = state.point[level, 0], state.point[level, 1]
    size, columns, rows = job.grid[2], int(job.grid[3]), int(job.grid[4])
    within = min(tolerance, best.of[0] + tie) + tie
    left = max(math.floor(max((x - within - job.grid[0]) / size, -1.0)), 0)
    right = math.floor(min((x + within - job.grid[0]) / size, columns - 0.5))
    low = max(math.floor(max((y - within - job.grid[1]) / size, -1.0)), 0)
    high = math.floor(min((y + within - job.grid[1]) / size, rows - 0.5))
    for column in range(left, right + 1):
        for row in range(low, high + 1):
            cell = column * rows + row
            for k in range(job.cells[cell], job.cells[cell + 1]):
                p, q = job.pairs[k, 0], job.pairs[k, 1]
                if job.hole_of[p] < first:
                    break  # pairs of a cell stand by their first hole, the last first
                within = min(tolerance, best.of[0] + tie)
                nx, ny = (
                    x - job.value[p] * job.ux[job.hole_of[p]],
                    y - job.value[p] * job.uy[job.hole_of[p]],
                )
                h = job.hole_of[q]
                res = math.hypot(nx - job.value[q] * job.ux[h], ny - job.value[q] * job.uy[h])
                if res > within:
                    continue
                down(job, state, level, p, nx, ny)
                if not allowed(job, state, level + 1, q, caps):
                    continue
                if offer(job, state, best, level + 1, q, res, tie):
                    taken = True
                    if stop:
                        return True
    return taken
