"""The compiled walk over which holes hold what: depth first, with what the rest can still reach.

Arrays only, as `arrays` says; when the walk is asked for lives in `search`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.arrays import Best, Job, State
from adapt.balancing.shares.ends import allowed, down, last, offer, two
from adapt.compiling import compiled

__all__ = ["DONE", "FOUND", "PAUSED", "reach", "walk"]

Array = npt.NDArray[Any]

DONE, PAUSED, FOUND = 0, 1, 2


@compiled
def reach(
    high: Array, low: Array, cosine: Array, most: int, depth: int, endless: bool
) -> Array:  # fmt: skip
    """Return how far holes can push, (first hole, direction, count, holes) [g mm].

    high, low: largest and smallest value of each hole with at most such a count, (hole, count)
    [g mm]. cosine: of each hole's angle to each direction, (direction, hole). endless: the last
    number of holes stands for any number.
    """
    directions, holes = cosine.shape
    out = np.zeros((holes + 1, directions, most + 1, depth + 1))
    for i in range(holes - 1, -1, -1):
        for d in range(directions):
            c = cosine[d, i]
            for a in range(most + 1):
                for j in range(depth + 1):
                    best = out[i + 1, d, a, j]
                    if j > 0:
                        rest = j if endless and j == depth else j - 1
                        for k in range(1, a + 1):
                            gain = c * high[i, k] if c > 0.0 else c * low[i, k]
                            best = max(best, gain + out[i + 1, d, a - k, rest])
                    out[i, d, a, j] = best
    return out


@compiled
def walk(
    job: Job, state: State, best: Best, caps: Array, tolerance: float, tie: float,
    stop: bool, work: int,
) -> int:  # fmt: skip
    """Walk until done, paused after so many steps, or (stop) an answer is found.

    caps: most of the first count, of pieces handled, of holes opened, and of levels. tolerance:
    the largest residual; tie: residuals closer than this are equal [g mm].
    """
    position, point, spent = state.position, state.point, state.spent
    end = len(position) - 1
    if position[end] == -2:
        position[end] = 0
        taken = _begin(job, state, best, caps, tolerance, tie, stop)
        if taken and stop:
            return FOUND
    done = 0
    while position[end] >= 0:
        done += 1
        if done > work:
            return PAUSED
        level = position[end]
        at = position[level]
        if at >= len(job.value):
            position[end] -= 1
            continue
        h = job.hole_of[at]
        p = job.start[h] + job.start[h + 1] - 1 - at  # the heaviest first
        left, slots = caps[0] - spent[level, 0], caps[3] - level
        within = min(tolerance, best.of[0] + tie)
        x, y = point[level, 0], point[level, 1]
        if at == job.start[h] and _beyond(job, state, level, h, x, y, left, slots, within + tie):
            position[end] -= 1  # later holes reach no farther
            continue
        position[level] = at + 1
        c = job.cost[p, 0]
        if c > left or not _possible(job, state, level, p, caps):
            continue
        nx, ny = x - job.value[p] * job.ux[h], y - job.value[p] * job.uy[h]
        res = math.hypot(nx, ny)
        if res <= within and allowed(job, state, level, p, caps):
            taken = offer(job, state, best, level, p, res, tie)
            if taken and stop:
                return FOUND
            within = min(tolerance, best.of[0] + tie)
        rest = min(slots - 1, left - c)
        if rest <= 0 or h + 1 >= len(job.ux):
            continue
        down(job, state, level, p, nx, ny)
        below = level + 1
        if _beyond(job, state, below, h + 1, nx, ny, left - c, slots - 1, within + tie):
            continue
        if rest == 1:
            taken = last(job, state, best, below, h + 1, caps, tolerance, tie, stop)
            if taken and stop:
                return FOUND
            continue
        if left - c == 2 and job.grid[2] > 0.0:
            # One hole more, or two by one each.
            taken = last(job, state, best, below, h + 1, caps, tolerance, tie, stop)
            if taken and stop:
                return FOUND
            taken = two(job, state, best, below, h + 1, caps, tolerance, tie, stop)
            if taken and stop:
                return FOUND
            continue
        position[below] = job.start[h + 1]
        position[end] = below
    return DONE


@compiled
def _begin(
    job: Job, state: State, best: Best, caps: Array, tolerance: float, tie: float, stop: bool
) -> bool:
    """Offer what needs no choice; end a walk that has one level at most."""
    taken = False
    allowed = True
    for k in range(3):
        allowed = allowed and state.spent[0, k] <= caps[k]
    for s in range(len(job.room)):
        allowed = allowed and state.drawn[0, s] <= job.room[s]
    res = math.hypot(state.point[0, 0], state.point[0, 1])
    if allowed and res <= tolerance:
        taken = offer(job, state, best, 0, -1, res, tie)
        if taken and stop:
            return True
    left = min(caps[3], caps[0] - state.spent[0, 0])
    if left <= 1:
        state.position[-1] = -1
        if left == 1 and last(job, state, best, 0, 0, caps, tolerance, tie, stop):
            taken = True
    return taken


@compiled
def _beyond(
    job: Job, state: State, level: int, hole: int, x: float, y: float, left: int, slots: int,
    within: float,
) -> bool:  # fmt: skip
    """Return whether holes from this one on cannot bring the residual within a distance.

    By what each may hold; and, where kinds are scarce, by the heaviest pieces that are left.
    """
    holes = min(slots, job.table.shape[3] - 1)
    for d in range(len(job.dx)):
        if x * job.dx[d] + y * job.dy[d] - within > job.table[hole, d, left, holes]:
            return True
    if len(job.arms) == 1:
        return False  # no kind is scarce
    count = left
    for k in range(len(job.heavy)):
        n, s = count, job.scarce[k]
        if s >= 0:
            there = job.room[s] - state.drawn[level, s] - job.least_draw[hole, s]
            n = min(count, max(there, 0))
        state.ready[k] = n
        count -= n
    for d in range(len(job.dx)):
        push = job.loose[hole, d]
        count = 0
        for k in range(len(job.heavy)):
            then = count + state.ready[k]
            push += job.heavy[k] * (job.arms[hole, d, then] - job.arms[hole, d, count])
            count = then
        if x * job.dx[d] + y * job.dy[d] - within > push:
            return True
    return False


@compiled
def _possible(job: Job, state: State, level: int, p: int, caps: Array) -> bool:
    """Return whether a content can be part of an answer, with what later holes may give back."""
    h = job.hole_of[p]
    for k in range(1, 3):
        if state.spent[level, k] + job.cost[p, k] + job.least_cost[h + 1, k] > caps[k]:
            return False
    for s in range(len(job.room)):
        drawn = state.drawn[level, s] + job.draws[p, s]
        if drawn + job.least_draw[h + 1, s] > job.room[s]:
            return False
    return True
