"""Good plans early: supports around a known one, rounded and polished."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import bare, compiled
from adapt.planning.kernel.arrays import (
    BEST,
    FOUND,
    HIGH,
    LOW,
    POINT,
    STEPS,
    WEIGHTS,
    Best,
    Job,
    Scratch,
)
from adapt.planning.kernel.plans import nearest, polish
from adapt.planning.kernel.tree import tighten
from adapt.planning.kernel.weights import ALL_MOVED, bound_any

__all__ = ["explore", "round_each"]

Array = npt.NDArray[Any]

_ROUNDS = np.int64(3)
_LAST_ROUNDS = np.int64(12)
_IN_PAIRS = 3
_ALONE = np.bool_(False)  # a Python constant would be compiled apart


@compiled
def explore(
    job: Job,
    best: Best,
    factor: Array,
    base: Array,
    quota: Array,
    moves: int,
    w: Array,
    tries: int,
    kept: Array,
    scratch: Scratch,
) -> int:
    """Offer good plans of exactly so many moves: `base` with one variable added, or exchanged.

    base: (variable,) a support. quota: (kind,) moves of each kind at most. factor: (row,) as from
    `weights.factors`. w: (row,) weights to start from. tries: the most promising supports to round
    and polish. kept: (row,) where the weights of the most promising support are written.
    """
    variables = job.low.size
    rows = w.size
    room = (base.size + 1) * variables
    found = np.empty((room, moves), np.int64)
    points = np.empty((room, moves))
    counts = np.empty(room, np.int64)
    bounds = np.empty(room)
    support = np.empty(moves, np.int64)
    low, high, x = scratch.move[LOW], scratch.move[HIGH], scratch.move[POINT]
    steps, weights = scratch.move[STEPS], scratch.row[WEIGHTS]
    used = np.empty(quota.size, np.int64)
    n = 0
    for left_out in range(-1, base.size):
        for v in range(variables):
            count, spent = 0, job.cost[v]
            used[:] = 0
            used[job.kind[v]] = job.cost[v]
            good = True
            for p in range(base.size):
                if p == left_out:
                    continue
                z = base[p]
                spent += job.cost[z]
                used[job.kind[z]] += job.cost[z]
                if spent > moves or z == v or z == job.partner[v]:
                    good = False
                    break
                support[count] = z
                count += 1
            if not good or spent != moves:
                continue
            for kind in range(quota.size):
                good = good and used[kind] <= quota[kind]
            support[count] = v
            count += 1
            for i in range(count):
                low[i] = job.low[support[i]]
                high[i] = job.high[support[i]]
            if not good or not tighten(
                job.sums, job.sum_low, job.sum_high, support, count, low, high
            ):
                continue
            for r in range(rows):
                weights[r] = w[r]
            bounds[n] = bound_any(
                job,
                factor,
                support,
                count,
                low,
                high,
                weights,
                _ROUNDS,
                np.inf,
                x,
                scratch,
                ALL_MOVED,
            )
            counts[n] = count
            for i in range(count):
                found[n, i] = support[i]
                points[n, i] = x[i]
            n += 1
    for turn in range(min(tries, n)):
        at = 0
        for m in range(n):
            if bounds[m] < bounds[at]:
                at = m
        count = counts[at]
        for i in range(count):
            support[i] = found[at, i]
            low[i] = job.low[support[i]]
            high[i] = job.high[support[i]]
        tighten(job.sums, job.sum_low, job.sum_high, support, count, low, high)
        if turn == 0:
            for r in range(rows):
                kept[r] = w[r]
            bound_any(
                job,
                factor,
                support,
                count,
                low,
                high,
                kept,
                _LAST_ROUNDS,
                np.inf,
                x,
                scratch,
                ALL_MOVED,
            )
        nearest(points[at], low, high, count, steps)
        polish(job, best, support, count, low, high, steps, turn < _IN_PAIRS, scratch.row[FOUND])
        bounds[at] = np.inf
    return n


@bare
def round_each(
    job: Job,
    best: Best,
    factor: Array,
    candidates: Array,
    limit: float,
    w: Array,
    scratch: Scratch,
    plans: Array,
    good: Array,
) -> None:
    """Write a good plan (variable,) of each support whose bound is under a limit.

    candidates: (support, move), filled up with -1. best: room for what is met on the way; what
    stood in it is lost. good: (support,) whether a plan under the limit was written.
    """
    rows = w.size
    low, high, x = scratch.move[LOW], scratch.move[HIGH], scratch.move[POINT]
    weights, steps = scratch.row[WEIGHTS], scratch.move[STEPS]
    for n in range(candidates.shape[0]):
        support = candidates[n]
        moves = 0
        while moves < candidates.shape[1] and support[moves] >= 0:
            low[moves] = job.low[support[moves]]
            high[moves] = job.high[support[moves]]
            moves += 1
        good[n] = False
        if not tighten(job.sums, job.sum_low, job.sum_high, support, moves, low, high):
            continue
        for r in range(rows):
            weights[r] = w[r]
        bound = bound_any(
            job, factor, support, moves, low, high, weights, _ROUNDS, limit, x, scratch, ALL_MOVED
        )
        if bound > limit:
            continue
        nearest(x, low, high, moves, steps)
        best.number[:] = 0
        best.value[BEST] = np.inf
        height = polish(job, best, support, moves, low, high, steps, _ALONE, scratch.row[FOUND])
        if height > limit:
            continue
        good[n] = True
        for i in range(moves):
            plans[n, support[i]] = steps[i]
