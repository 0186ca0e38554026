"""Penalties of plans, the sums of -log of single chances, and bounds of them over boxes.

A single penalty is held from below by planes over (mean square, variance): both are quadratic in
the steps, so a sum of planes is a quadratic too. For a fixed variance the penalty is convex in the
mean square, and where the chance is at least one half it rises with the variance; so the line that
belongs to the least variance of a stretch is safe on the stretch, and the lower hull of such lines
over the stretches of a box is a plane (see `lines`). Where lower chances are of interest, slopes
are held to those with which lines rise with the variance.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import bare
from adapt.planning.kernel.arrays import (
    BENDS,
    BOUND_AT,
    BOUND_B,
    BOUND_C,
    BOUND_G,
    CORNERS,
    FIXED,
    FOUND,
    HEIGHT,
    KEPT,
    LAST,
    LEAST,
    LOWEST,
    MOST,
    NEW_B,
    NEW_G,
    SCALED,
    SHARE,
    SLOPE,
    TRIAL,
    Job,
    Scratch,
)
from adapt.planning.kernel.forms import box_minimum, squares, weighted
from adapt.planning.kernel.laws import MOST_SD, component_sd, law, penalty
from adapt.planning.kernel.lines import FIRST_VAR, RATIO, STEEPEST, line_at

__all__ = ["BEYOND", "bound_chances", "planes", "total_penalty"]

Array = npt.NDArray[Any]

BEYOND = 1e300  # the bound of boxes that hold no plan of interest at all
_FELT = 1e-9  # slopes below this are left out
_NARROW = 1.04  # a range of variances with this ratio is taken as one
_FIXED = 1.0 + 1e-12  # within rounding
_STRETCHES = CORNERS - 1
_SLOPES, _FLATTER = 5, 0.4  # tried, each so much flatter than the one before
_SHARP = 8
_LOST = 1e-3


@bare
def total_penalty(job: Job, support: Array, moves: int, found: Array) -> float:
    """Return the penalty of a plan with the squares `found` (row,); pairs by their worst."""
    own = job.law
    count = own.df.size
    total, worst = 0.0, 0.0
    for r in range(count):
        var = own.base[r] + found[count + r]
        for i in range(moves):
            var += own.inexact[support[i], r]
        height = penalty(own.tables, own.df[r], found[r], var)
        if own.group[r] < 0:
            total += height
            continue
        worst = max(worst, height)
        if r + 1 == count or own.group[r + 1] != own.group[r]:
            total += worst
            worst = 0.0
    return total


@bare
def _variances(
    job: Job,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    all_moved: bool | np.bool_,
    scratch: Scratch,
) -> None:
    """Write the range of each row's variance over a box to LEAST and MOST of scratch.

    FIXED: what belongs to it beside the row of its own. all_moved: no step is 0.
    """
    own = job.law
    for r in range(own.df.size):
        fixed, perhaps = own.base[r], 0.0
        for i in range(moves):
            perhaps += own.inexact[support[i], r]
        if all_moved:
            fixed, perhaps = fixed + perhaps, 0.0
        least, most = 0.0, 0.0
        for f in range(own.start[r], own.start[r + 1]):
            middle, reach = own.level[f], 0.0
            for i in range(moves):
                a = own.form[f, support[i]]
                middle += 0.5 * a * (low[i] + high[i])
                reach += 0.5 * abs(a) * (high[i] - low[i])
            size = abs(middle)
            least += max(size - reach, 0.0) ** 2
            most += (size + reach) ** 2
        scratch.row[FIXED][r] = fixed
        scratch.row[LEAST][r] = fixed + least
        scratch.row[MOST][r] = fixed + perhaps + most


@bare
def _plane(
    job: Job, r: int, square: float, var: float, least: float, most: float, corners: Array
) -> tuple[float, float, float]:
    """Return c, slopes by mean square and by variance of a plane under row r's penalty.

    It holds for variances from least to most, and is chosen to be high at (square, var). corners:
    (2, at least 1 + stretches), scratch.
    """
    own = job.law
    df, lines = own.df[r], own.lines
    variances = lines.end.shape[2]
    step = math.log(RATIO)
    last = math.ceil(math.log(most / FIRST_VAR) / step - 1e-9)
    steepest = lines.end[STEEPEST, 1 if df == 2.0 else 0, min(max(last, 0), variances - 1)]
    height, slope = law(own.tables, df, square, least)
    c, along, up = height - slope * square, slope, 0.0
    if slope < _FELT:
        c, along = 0.0, 0.0
    elif slope > steepest and (most > _FIXED * least or least > df * MOST_SD**2):
        # A steeper line may fall with the variance; this one, of a variance not above, rises.
        k = math.floor(math.log(least / FIRST_VAR) / step + 1e-9)
        c, along = line_at(lines, df, min(max(k, 0), variances - 1), steepest), steepest
        if c + along * square < 0.0:
            c, along = 0.0, 0.0
    value = c + along * square
    if most <= _NARROW * least or last <= 0:
        return c, along, up
    here, slope = law(own.tables, df, square, var)
    if here - value < _LOST:
        return c, along, up
    first = max(math.floor(math.log(least / FIRST_VAR) / step + 1e-9), 0)
    last = min(last, variances)
    count = min(last - first, _STRETCHES)
    if count < 1:
        return c, along, up
    # Corners of the lower hull of lines over variances: each line holds until the next begins.
    ends, heights = corners[0], corners[1]
    ends[0] = least
    for p in range(count):
        after = first + (last - first) * (p + 1) // count
        ends[p + 1] = most if p + 1 == count else FIRST_VAR * RATIO**after
    slope = min(slope, steepest)
    for _ in range(_SLOPES):
        heights[0] = line_at(lines, df, min(first, variances - 1), slope)
        for p in range(count):
            k = first + (last - first) * p // count
            heights[p + 1] = line_at(lines, df, min(k, variances - 1), slope)
        best, tilt = math.inf, 0.0
        for p in range(count + 1):
            if ends[p] > var:
                break
            for q in range(p, count + 1):
                if ends[q] < var:
                    continue
                wide = ends[q] - ends[p]
                rise = (heights[q] - heights[p]) / wide if wide > 0.0 else 0.0
                at = heights[p] + rise * (var - ends[p])
                if at < best:
                    best, tilt = at, max(rise, 0.0)
        held = math.inf
        for p in range(count + 1):
            held = min(held, heights[p] - tilt * ends[p])
        at = held + slope * square + tilt * var
        if at > value:
            c, along, up, value = held, slope, tilt, at
        slope *= _FLATTER
    return c, along, up


@bare
def planes(job: Job, found: Array, u: Array, scratch: Scratch) -> tuple[float, float]:
    """Write slopes of planes at a point to u (row,); return the penalty there and the sum of c.

    found: (row,) squares there. scratch.row[LEAST], most, fixed: as from the box.
    """
    own = job.law
    count = own.df.size
    height, share = scratch.row[HEIGHT], scratch.row[SHARE]
    total = 0.0
    for r in range(count):
        var = min(
            max(scratch.row[FIXED][r] + found[count + r], scratch.row[LEAST][r]),
            scratch.row[MOST][r],
        )
        height[r] = penalty(own.tables, own.df[r], found[r], var)
        share[r] = 1.0
        if own.group[r] < 0:
            total += height[r]
    r = 0
    while r < count:
        if own.group[r] < 0:
            r += 1
            continue
        end = r
        worst = 0.0
        while end < count and own.group[end] == own.group[r]:
            worst = max(worst, height[end])
            end += 1
        total += worst
        shares = 0.0
        for p in range(r, end):
            share[p] = (height[p] / max(worst, 1e-30)) ** _SHARP
            shares += share[p]
        for p in range(r, end):
            share[p] = share[p] / shares if shares > 0.0 else 0.0
        r = end
    c = 0.0
    for r in range(count):
        u[r] = 0.0
        u[count + r] = 0.0
        if share[r] < 1e-6 or height[r] < 1e-12:
            continue
        var = min(
            max(scratch.row[FIXED][r] + found[count + r], scratch.row[LEAST][r]),
            scratch.row[MOST][r],
        )
        at, along, up = _plane(
            job, r, found[r], var, scratch.row[LEAST][r], scratch.row[MOST][r], scratch.corners
        )
        u[r] = share[r] * along
        u[count + r] = share[r] * up
        c += share[r] * (at + up * scratch.row[FIXED][r])
    return total, c


@bare
def _newton(
    job: Job,
    u: Array,
    support: Array,
    moves: int,
    x: Array,
    found: Array,
    g: Array,
    b: Array,
    scratch: Scratch,
) -> None:
    """Write G, b of the second-order model x'Gx + 2 b'x of the penalty at x.

    found: (row,) squares at x. u: (row,) weights of sums; the rest is scratch. How penalties bend,
    and what they owe to the variance, is taken as for a normal tail: no bound rests on it.
    """
    own = job.law
    count = own.df.size
    rise = scratch.move[SLOPE]
    bends = scratch.row[BENDS]
    for r in range(count):
        u[r] = 0.0
        u[count + r] = 0.0
        bends[r] = 0.0
        if scratch.row[SHARE][r] < 1e-6 or scratch.row[HEIGHT][r] < 1e-12:
            continue
        var = min(
            max(scratch.row[FIXED][r] + found[count + r], scratch.row[LEAST][r]),
            scratch.row[MOST][r],
        )
        df = own.df[r]
        sd = component_sd(df, var)
        _, slope = law(own.tables, df, found[r], var)
        a = math.sqrt(max(found[r], 0.0))
        t, tail = (1.0 - a) / sd, 2.0 * a * sd * slope
        by_var = max(0.5 * tail * t / (sd * sd * df), slope if df == 2.0 and a < sd else 0.0)
        a = max(a, 0.1 * sd)
        u[r] = scratch.row[SHARE][r] * slope
        u[count + r] = scratch.row[SHARE][r] * by_var
        bends[r] = 0.5 * u[r] * max(t + tail - sd / a, 0.0) / (2.0 * a * sd)
    weighted(job, u, support, moves, g, b)
    for r in range(count):
        if bends[r] <= 0.0:
            continue
        for i in range(moves):
            half = job.linear[support[i], r]
            for j in range(moves):
                half += job.quadratic[support[i], support[j], r] * x[j]
            rise[i] = 2.0 * half
        along = 0.0
        for j in range(moves):
            along += rise[j] * x[j]
        for i in range(moves):
            b[i] -= bends[r] * rise[i] * along
            for j in range(moves):
                g[i, j] += bends[r] * rise[i] * rise[j]


@bare
def bound_chances(
    job: Job,
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
    """Bound the penalty over a box of a support from below; as `weights.bound_box` does.

    w: (row,) slopes to start from, left as those of the best bound. all_moved: no step is 0.
    """
    own = job.law
    count, rows = own.df.size, job.offset.size
    u, found, kept, trial = (
        scratch.row[SCALED],
        scratch.row[FOUND],
        scratch.row[KEPT],
        scratch.move[TRIAL],
    )
    g, b, last = scratch.pair[NEW_G], scratch.move[NEW_B], scratch.move[LAST]
    _variances(job, support, moves, low, high, all_moved, scratch)
    for r in range(count):
        scratch.row[MOST][r] = min(scratch.row[MOST][r], own.highest[r])
        if scratch.row[LEAST][r] > scratch.row[MOST][r] * (1.0 + 1e-9):
            return BEYOND
        kept[r] = w[r]
    for r in range(rows):
        u[r] = w[r]
    weighted(job, u, support, moves, g, b)
    box_minimum(g, b, 0.0, low, high, moves, trial, scratch)
    best, least = -1.0, np.inf
    for turn in range(rounds):
        squares(job, support, moves, trial, found)
        total, c = planes(job, found, u, scratch)
        for r in range(2 * count, rows):
            # What a sum breaks comes in by a multiplier, at first of the size of the penalty.
            if found[r] > 1.0:
                u[r] = max(2.0 * u[r], 0.1 * total / found[r])
            else:
                u[r] *= 0.5
            c -= u[r] * (1.0 + 1e-9)
        c += weighted(job, u, support, moves, g, b)
        bound = box_minimum(g, b, c, low, high, moves, scratch.move[LOWEST], scratch)
        if bound > best or turn == 0:
            best = max(bound, 0.0)
            for r in range(rows):
                kept[r] = u[r]
            for i in range(moves):
                scratch.move[BOUND_B][i] = b[i]
                scratch.move[BOUND_AT][i] = scratch.move[LOWEST][i]
                for j in range(moves):
                    scratch.pair[BOUND_G][i, j] = g[i, j]
            scratch.move[BOUND_C][0] = c
        if total < least:
            least = total
            for i in range(moves):
                x[i] = trial[i]
                last[i] = trial[i]
            if bound > limit or (least <= limit < np.inf and turn > 0):
                break
            _newton(job, u, support, moves, trial, found, g, b, scratch)
            box_minimum(g, b, 0.0, low, high, moves, trial, scratch)
        else:
            if bound > limit:
                break
            for i in range(moves):
                trial[i] = 0.5 * (trial[i] + last[i])
    for r in range(rows):
        w[r] = kept[r]
    return best
