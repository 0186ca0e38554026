"""Supports: which could hold a better plan, and a search of those."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import compiled
from adapt.planning.kernel.arrays import (
    CUT_C,
    CUT_INSIDE,
    CUT_SHARE,
    FACTOR,
    HIGH,
    LOST,
    LOW,
    POINT,
    WAITING,
    Best,
    Cuts,
    Job,
    Scratch,
)
from adapt.planning.kernel.chances import BEYOND
from adapt.planning.kernel.plans import limit_of
from adapt.planning.kernel.tree import search_support, tighten
from adapt.planning.kernel.weights import ALL_MOVED, bound_any, factors, keep_cut, lowest

__all__ = ["CUT_BY", "NODES", "SOLVED", "TREES", "screen", "search_supports"]

Array = npt.NDArray[Any]

NODES, SOLVED, CUT_BY, TREES = 0, 1, 2, 3  # places in the counts of search_supports

_ROUNDS = np.int64(8)
_ENOUGH = 48  # plans waiting to be looked at


@compiled
def screen(
    cost: Array,
    partner: Array,
    kind: Array,
    cuts: Cuts,
    n: int,
    moves: int,
    quota: Array,
    limit: float,
    walk: Array,
    out: Array,
    bounds: Array,
) -> int:
    """List supports of exactly so many moves that cut n lets pass; return how many were written.

    cost, partner, kind: (variable,) as in a job, the rest of which would take
    long to compile.
    quota: (kind,) moves of each kind at most. walk: (moves + 2,) the state of the walk, which goes
    on from there when `out` (support, move) is full: walk[0] = depth (-1 when done), walk[1:] the
    variables. out is filled up with -1; bounds: (support,) the lowest of the cut's quadratic.
    """
    variables = cost.size
    limit = cuts.value[CUT_SHARE, n] * limit + cuts.value[CUT_INSIDE, n]
    limit += 1e-9 * (abs(cuts.value[CUT_C, n]) + limit)
    used = np.zeros(quota.size, np.int64)
    spent = 0
    depth = walk[0]
    support = walk[1:]
    for p in range(depth):
        used[kind[support[p]]] += cost[support[p]]
        spent += cost[support[p]]
    written = 0
    while depth >= 0:
        v = support[depth]
        if v >= variables:
            depth -= 1
            if depth >= 0:
                used[kind[support[depth]]] -= cost[support[depth]]
                spent -= cost[support[depth]]
                support[depth] += 1
            continue
        own, takes = kind[v], cost[v]
        good = spent + takes <= moves and used[own] + takes <= quota[own]
        for p in range(depth):
            good = good and support[p] != partner[v]
        if not good:
            support[depth] += 1
            continue
        if spent + takes < moves:
            used[own] += takes
            spent += takes
            depth += 1
            support[depth] = v + 1
            continue
        bound = lowest(cuts, n, support, depth + 1)
        if bound <= limit:
            if written == bounds.size:
                break
            for p in range(moves):
                out[written, p] = support[p] if p <= depth else -1
            bounds[written] = max(bound, 0.0)
            written += 1
        support[depth] += 1
    walk[0] = depth
    return written


@compiled
def search_supports(
    job: Job,
    best: Best,
    cuts: Cuts,
    candidates: Array,
    bounds: Array,
    order: Array,
    start: int,
    work: int,
    most: int,
    seen: Array,
    scratch: Scratch,
) -> int:
    """Search candidate supports in an order; return how far it came, negative when cut short.

    candidates: (support, move), filled up with -1. bounds: (support,), -1 once a support is done.
    start: place in order to begin at. work: solves and nodes after which to pause. most: nodes of
    one support after which it is given up (then -1 - place is returned; also where there was no
    room for plans that wait). seen: (4,) counts.
    """
    rows = job.offset.size
    room = candidates.shape[1]
    low, high, x, factor = (
        scratch.move[LOW],
        scratch.move[HIGH],
        scratch.move[POINT],
        scratch.row[FACTOR],
    )
    w = np.empty(rows)
    done = 0
    for place in range(start, order.size):
        if done > work or best.number[WAITING] > _ENOUGH:
            return place
        at = order[place]
        if bounds[at] < 0.0:
            continue
        bounds[at] = -1.0
        support = candidates[at]
        moves = 0
        while moves < room and support[moves] >= 0:
            moves += 1
        limit = limit_of(job, best)
        gone = False
        nearest, closest = cuts.order[0], -np.inf
        for p in range(cuts.number[0]):
            n = cuts.order[p]
            most_here = cuts.value[CUT_SHARE, n] * limit + cuts.value[CUT_INSIDE, n]
            over = lowest(cuts, n, support, moves) - most_here
            if over > closest:
                nearest, closest = n, over
            if over > 1e-9 * (abs(cuts.value[CUT_C, n]) + most_here):
                for q in range(p, 0, -1):
                    cuts.order[q] = cuts.order[q - 1]
                cuts.order[0] = n
                seen[CUT_BY] += 1
                gone = True
                break
        if gone:
            continue
        for i in range(moves):
            low[i] = job.low[support[i]]
            high[i] = job.high[support[i]]
        if not tighten(job.sums, job.sum_low, job.sum_high, support, moves, low, high):
            continue
        factors(job.counted, limit, factor)
        for r in range(rows):
            w[r] = cuts.weights[nearest, r]
        before = seen[NODES]
        seen[SOLVED] += 1
        bound = bound_any(
            job, factor, support, moves, low, high, w, _ROUNDS, limit, x, scratch, ALL_MOVED
        )
        if bound > limit:
            if bound < BEYOND:
                keep_cut(job, cuts, w, factor, limit, support, moves, low, high, scratch)
        else:
            seen[TREES] += 1
            whole = search_support(job, best, support, moves, low, high, w, most, seen, scratch)
            if not whole or best.number[LOST]:
                return -1 - place
        done += 1 + seen[NODES] - before
    return order.size
