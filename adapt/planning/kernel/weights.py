"""Weights of the rows: bounds by re-weighting (Lawson), and cuts that carry over to other supports.

For weights w >= 0 that sum to 1, min_x max_j s_j(x) >= min_x sum_j w_j s_j(x). Lawson
(Contributions to the theory of linear least maximum approximation, 1961) multiplies weights by the
residuals; multiplying by their squares gets there in half the rounds, and what is kept is the best
bound, so that a step too far costs nothing. Rows that must be inside but do not count are scaled so
that their limit is the cutoff.

What one support taught is kept as a cut: the weighted sum as a quadratic over all variables. Bounds
that hold its minimum back enter by their multipliers, as weights on ((x - middle) / half)^2 <= 1,
which makes the free minimum on that support equal to the one in its box.
"""

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
    CUT_B,
    CUT_C,
    CUT_EACH,
    CUT_FALLEN,
    CUT_INSIDE,
    CUT_SHARE,
    CUT_SOLVED,
    FIXED,
    FOUND,
    KEPT,
    LEAST,
    MOST,
    NEW_B,
    NEW_G,
    SCALED,
    TRIAL,
    WEIGHTS,
    Cuts,
    Job,
    Scratch,
)
from adapt.planning.kernel.chances import bound_chances, planes
from adapt.planning.kernel.forms import box_minimum, squares, weighted, weighted_everywhere

__all__ = ["ALL_MOVED", "bound_any", "bound_box", "factors", "keep_cut", "lowest"]

Array = npt.NDArray[Any]

# For bound_any. A constant of Python's own type would make numba compile apart for its value.
ALL_MOVED = np.bool_(True)

_MATTERS = 2e-3  # a row whose weight is a smaller share of the largest is left out of a cut
_SURE = 1e-7  # a column that is a smaller share its own is taken as dependent


@bare
def factors(counted: Array, square: float, out: Array) -> None:
    """Write what scales each row's square so that all are held to the cutoff's square."""
    for r in range(out.size):
        out[r] = 1.0 if counted[r] else square / (1.0 + 2.1e-9)


@bare_reordered
def _reweigh(w: Array, found: Array, factor: Array) -> float:
    """Multiply the weights by the scaled squares; return the largest of these."""
    rows = w.size
    top = 0.0
    for r in range(rows):
        top = max(top, found[r] * factor[r])
    total = 0.0
    for r in range(rows):
        w[r] = w[r] * (max(found[r] * factor[r], 0.0) + 1e-4 * top) + 1e-7 * top / rows
        total += w[r]
    if total > 0.0:
        share = 1.0 / total
        for r in range(rows):
            w[r] *= share
    return top


@bare
def bound_box(
    job: Job,
    factor: Array,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    w: Array,
    rounds: int | np.int64,
    square: float,
    x: Array,
    scratch: Scratch,
) -> float:
    """Bound the largest scaled square over a box of a support from below.

    w: (row,) weights to start from; left as those of the best bound, with its quadratic in BOUND_G,
    BOUND_B, BOUND_C of scratch and its minimiser in BOUND_AT. Stops where the bound is above
    `square`, or a point of the box is under it. Writes the point x (move,) whose largest scaled
    square was least.
    """
    rows = w.size
    u, found, kept, trial = (
        scratch.row[SCALED],
        scratch.row[FOUND],
        scratch.row[KEPT],
        scratch.move[TRIAL],
    )
    g, b = scratch.pair[NEW_G], scratch.move[NEW_B]
    best = 0.0
    least = np.inf
    for turn in range(rounds):
        for r in range(rows):
            u[r] = w[r] * factor[r]
        c = weighted(job, u, support, moves, g, b)
        bound = box_minimum(g, b, c, low, high, moves, trial, scratch)
        if bound > best or turn == 0:
            best = max(bound, 0.0)
            for r in range(rows):
                kept[r] = w[r]
            for i in range(moves):
                scratch.move[BOUND_B][i] = b[i]
                scratch.move[BOUND_AT][i] = trial[i]
                for j in range(moves):
                    scratch.pair[BOUND_G][i, j] = g[i, j]
            scratch.move[BOUND_C][0] = c
        if turn == 0:
            for i in range(moves):
                x[i] = trial[i]
        if bound > square:
            break
        squares(job, support, moves, trial, found)
        top = _reweigh(w, found, factor)
        if top < least:
            least = top
            for i in range(moves):
                x[i] = trial[i]
        if least <= square < np.inf:
            break
    for r in range(rows):
        w[r] = kept[r]
    return best


@bare
def bound_any(
    job: Job,
    factor: Array,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    w: Array,
    rounds: int | np.int64,
    limit: float,
    x: Array,
    scratch: Scratch,
    all_moved: bool | np.bool_,
) -> float:
    """Bound the largest scaled square, or the penalty, over a box of a support from below.

    See `bound_box` and `chances.bound_chances`.
    """
    if job.law.df.size:
        return bound_chances(
            job, support, moves, low, high, w, rounds, limit, x, scratch, all_moved
        )
    return bound_box(job, factor, support, moves, low, high, w, rounds, limit, x, scratch)


@bare
def keep_cut(
    job: Job,
    cuts: Cuts,
    w: Array,
    factor: Array,
    limit: float,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    scratch: Scratch,
) -> int:
    """Keep the cut that weights w make, with what held it back on this support; return its place.

    The least useful gives way when there is no room. limit: the cutoff's, as in factor. For chances
    the cut is made of planes at scratch.move[BOUND_AT], as the bound of this support left it.
    """
    rows = w.size
    at, u, x, g, b = (
        scratch.at_row,
        scratch.row[SCALED],
        scratch.move[TRIAL],
        scratch.pair[BOUND_G],
        scratch.move[BOUND_B],
    )
    if cuts.number[0] < cuts.order.size:
        place = cuts.number[0]
        cuts.number[0] += 1
    else:
        place = cuts.order.size - 1
    n = cuts.order[place]
    for p in range(place, 0, -1):
        cuts.order[p] = cuts.order[p - 1]
    cuts.order[0] = n
    for v in range(job.low.size):
        cuts.line[CUT_EACH, n, v] = 0.0
    if job.law.df.size:
        c, count = _chance_rows(job, support, moves, w, u, at, cuts.line[CUT_EACH, n], scratch)
        cuts.value[CUT_INSIDE, n], cuts.value[CUT_SHARE, n] = 0.0, 1.0
    else:
        c, count = 0.0, _ratio_rows(job, w, u, at)
        inside = 0.0
        for m in range(count):
            if not job.counted[at[m]]:
                inside += u[m]
            u[m] *= factor[at[m]]
        cuts.value[CUT_INSIDE, n], cuts.value[CUT_SHARE, n] = inside * limit, 1.0 - inside
    whole, line = cuts.g[n], cuts.line[CUT_B, n]
    cuts.value[CUT_C, n] = c + weighted_everywhere(job, u, at, count, whole, line)
    for r in range(rows):
        cuts.weights[n, r] = w[r]
    for i in range(moves):
        b[i] = line[support[i]]
        for j in range(moves):
            g[i, j] = whole[support[i], support[j]]
    box_minimum(g, b, cuts.value[CUT_C, n], low, high, moves, x, scratch)
    for i in range(moves):
        slope = b[i]
        for j in range(moves):
            slope += g[i, j] * x[j]
        slope *= 2.0
        half, middle = 0.5 * (high[i] - low[i]), 0.5 * (high[i] + low[i])
        pushed = (x[i] <= low[i] + 1e-9 and slope > 0.0) or (x[i] >= high[i] - 1e-9 and slope < 0.0)
        if half > 0.0 and pushed:
            v = support[i]
            weight = 0.5 * abs(slope) / half
            whole[v, v] += weight
            line[v] -= weight * middle
            cuts.line[CUT_EACH, n, v] += weight * (middle * middle - half * half)
    cuts.depth[n] = 0
    return n


@bare
def _ratio_rows(job: Job, w: Array, u: Array, at: Array) -> int:
    """List the rows whose weights matter, with their shares in u; return how many."""
    top, total = 0.0, 0.0
    for r in range(w.size):
        top = max(top, w[r])
    count = 0
    for r in range(w.size):
        if w[r] > _MATTERS * top:
            at[count] = r
            u[count] = w[r]
            total += w[r]
            count += 1
    for m in range(count):
        u[m] /= total
    return count


@bare
def _chance_rows(
    job: Job,
    support: Array,
    moves: int,
    w: Array,
    u: Array,
    at: Array,
    each: Array,
    scratch: Scratch,
) -> tuple[float, int]:
    """List rows and slopes of planes that hold for every plan; return their c and how many.

    each: (variable,) what moving a variable adds is written there.
    """
    own = job.law
    count = own.df.size
    slopes = scratch.row[WEIGHTS]
    squares(job, support, moves, scratch.move[BOUND_AT], scratch.row[FOUND])
    for r in range(count):
        scratch.row[FIXED][r] = own.base[r]
        scratch.row[LEAST][r] = own.base[r]
        scratch.row[MOST][r] = own.highest[r]
    _, c = planes(job, scratch.row[FOUND], slopes, scratch)
    for r in range(2 * count, w.size):
        slopes[r] = w[r]
        c -= w[r] * (1.0 + 1e-9)
    number = 0
    for r in range(w.size):
        if slopes[r] > 0.0:
            at[number] = r
            u[number] = slopes[r]
            number += 1
    for v in range(each.size):
        for r in range(count):
            each[v] += slopes[count + r] * own.inexact[v, r]
    return c, number


@bare
def lowest(cuts: Cuts, n: int, support: Array, moves: int) -> float:
    """Return the free minimum of cut n over the steps of a support; -inf where it is not sure.

    Factors shared with the support looked at last are used again.
    """
    root, solved, fallen = cuts.root[n], cuts.step[CUT_SOLVED, n], cuts.step[CUT_FALLEN, n]
    g, last = cuts.g[n], cuts.last[n]
    b, each = cuts.line[CUT_B, n], cuts.line[CUT_EACH, n]
    known = cuts.depth[n]
    p = 0
    while p < moves and p < known and last[p] == support[p]:
        p += 1
    while p < moves:
        v = support[p]
        right = -b[v]
        for q in range(p):
            rest = g[v, support[q]]
            for m in range(q):
                rest -= root[p, m] * root[q, m]
            rest /= root[q, q]
            root[p, q] = rest
            right -= rest * solved[q]
        pivot = g[v, v]
        for m in range(p):
            pivot -= root[p, m] * root[p, m]
        if pivot < _SURE * g[v, v] + 1e-300:
            cuts.depth[n] = p
            return -np.inf
        root[p, p] = np.sqrt(pivot)
        solved[p] = right / root[p, p]
        fallen[p + 1] = fallen[p] + solved[p] * solved[p] - each[v]
        last[p] = v
        p += 1
    cuts.depth[n] = moves
    return cuts.value[CUT_C, n] - fallen[moves]
