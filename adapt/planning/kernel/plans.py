"""Whole plans: taking the best, and walking to better ones nearby."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import bare
from adapt.planning.kernel.arrays import (
    BEST,
    CEILING,
    LOST,
    MEAN_SQUARE,
    PLANS,
    TIE,
    WAITING,
    Best,
    Job,
)  # fmt: skip
from adapt.planning.kernel.chances import total_penalty
from adapt.planning.kernel.forms import squares

__all__ = ["cutoff", "limit_of", "nearest", "offer", "polish", "tie_gap"]

Array = npt.NDArray[Any]

_INSIDE = (1.0 + 1e-9) ** 2
_TIE = 2e-7  # a fifth of what counts as equal in the end
_SAME_MEAN = 1e-9
_WALK = 20
_JUST_NOW = 64


@bare
def tie_gap(best: Best) -> float:
    """Return the difference in value below which a plan ties with the best."""
    value = best.value[BEST]
    return max(_TIE * value, best.value[TIE]) if value < np.inf else 0.0


@bare
def cutoff(best: Best) -> float:
    """Return the largest worst ratio, or penalty, that is still of interest."""
    return min(best.value[BEST] + tie_gap(best), best.value[CEILING])


@bare
def limit_of(job: Job, best: Best) -> float:
    """Return what bounds are held against: the cutoff's square, or a penalty as it is."""
    value = cutoff(best)
    return value if job.law.df.size else value * value


@bare
def offer(job: Job, best: Best, support: Array, moves: int, x: Array, found: Array) -> None:
    """Take a plan, whole steps x (move,) with its squares found (row,), if it is best or ties."""
    for m in range(job.sum_low.size):
        total = 0.0
        for i in range(moves):
            total += job.sums[m, support[i]] * x[i]
        if total < job.sum_low[m] or total > job.sum_high[m]:
            return
    if job.law.df.size:
        value = total_penalty(job, support, moves, found)
        if value > cutoff(best):
            return
        if job.law.deferred:
            _wait(best, support, moves, x, value)
        else:
            _take(best, support, moves, x, value, 0.0)
        return
    worst = 0.0
    for r in range(found.size):
        if job.counted[r]:
            worst = max(worst, found[r])
        elif found[r] > _INSIDE:
            return
    value = np.sqrt(worst)
    if value > cutoff(best):
        return
    mean = 0.0
    largest = 0.0
    for r in range(found.size):
        if job.channel[r] < 0:
            break
        largest = max(largest, found[r])
        if r + 1 == found.size or job.channel[r + 1] != job.channel[r]:
            mean += largest
            largest = 0.0
    _take(best, support, moves, x, value, mean / job.channels)


@bare
def _take(best: Best, support: Array, moves: int, x: Array, value: float, mean: float) -> None:
    """Make a plan the best, or one that ties; of those that tie the lowest mean stays."""
    known = best.value[BEST]
    if value < known - tie_gap(best) or best.number[PLANS] == 0:
        best.value[BEST] = value
        best.value[MEAN_SQUARE] = mean
        best.number[PLANS] = 0
    else:
        best.value[BEST] = min(value, known)
        same = _SAME_MEAN * max(best.value[MEAN_SQUARE], 1.0)
        if mean > best.value[MEAN_SQUARE] + same:
            return
        if mean < best.value[MEAN_SQUARE] - same:
            best.value[MEAN_SQUARE] = mean
            best.number[PLANS] = 0
        for t in range(best.number[PLANS]):
            if _is(best.plans[t], support, moves, x):
                return
    t = best.number[PLANS]
    if t < best.plans.shape[0]:
        _write(best.plans[t], support, moves, x)
        best.number[PLANS] = t + 1


@bare
def _wait(best: Best, support: Array, moves: int, x: Array, value: float) -> None:
    """Put a plan aside to be looked at, with the bound of its value, if it was not just now."""
    count = best.number[WAITING]
    for t in range(count - 1, max(count - _JUST_NOW, 0) - 1, -1):
        if _is(best.waiting[t], support, moves, x):
            return
    if count == best.waiting.shape[0]:
        best.number[LOST] = 1
        return
    _write(best.waiting[count], support, moves, x)
    best.waiting[count, best.waiting.shape[1] - 1] = value
    best.number[WAITING] = count + 1


@bare
def _is(plan: Array, support: Array, moves: int, x: Array) -> bool:
    """Tell whether a plan of as many moves has these steps."""
    for i in range(moves):  # noqa: SIM110 - all() of a generator cannot be compiled
        if plan[support[i]] != x[i]:
            return False
    return True


@bare
def _write(plan: Array, support: Array, moves: int, x: Array) -> None:
    for v in range(plan.size):
        plan[v] = 0.0
    for i in range(moves):
        plan[support[i]] = x[i]


@bare
def nearest(x: Array, low: Array, high: Array, moves: int, out: Array) -> None:
    """Write the nearest whole steps to x in the box, none of them 0 unless the box is."""
    for i in range(moves):
        step = min(max(np.round(x[i]), low[i]), high[i])
        if step == 0.0:
            up = high[i] >= 1.0 and (x[i] >= 0.0 or low[i] > -1.0)
            step = 1.0 if up else -1.0
        out[i] = step


@bare
def _height(job: Job, found: Array, support: Array, moves: int, x: Array) -> float:
    """Return the largest square that counts, or the penalty, what is broken above all else."""
    worst = 0.0
    if job.law.df.size:
        worst = total_penalty(job, support, moves, found)
    else:
        for r in range(found.size):
            if job.counted[r]:
                worst = max(worst, found[r])
            elif found[r] > _INSIDE:
                worst = max(worst, 1e6 + found[r])
    for m in range(job.sum_low.size):
        total = 0.0
        for i in range(moves):
            total += job.sums[m, support[i]] * x[i]
        worst += 1e9 * (max(job.sum_low[m] - total, 0.0) + max(total - job.sum_high[m], 0.0))
    return worst


@bare
def polish(
    job: Job,
    best: Best,
    support: Array,
    moves: int,
    low: Array,
    high: Array,
    x: Array,
    in_pairs: bool | np.bool_,
    found: Array,
) -> float:
    """Walk from whole steps x (move,) to the best plan one step off, until none is better.

    in_pairs: one step off in two moves at a time too. found: (row,) scratch. Every plan on the way
    is offered; the last one's largest square, or penalty, is returned.
    """
    squares(job, support, moves, x, found)
    height = _height(job, found, support, moves, x)
    offer(job, best, support, moves, x, found)
    for _ in range(_WALK):
        first, second = -1, -1
        to_first, to_second = 0.0, 0.0
        lowest = height * (1.0 - 1e-9)
        for one in range(2 * moves):
            i = one // 2
            was = x[i]
            step = 1.0 if one % 2 else -1.0
            x[i] = was + step if was + step != 0.0 else was + 2.0 * step
            if low[i] <= x[i] <= high[i]:
                # The last turn of the inner loop leaves the other moves as they are.
                for two in range(2 * i if in_pairs else 0, -1, -1):
                    j = (two - 1) // 2
                    other = x[j]
                    if two > 0:
                        step = 1.0 if two % 2 else -1.0
                        x[j] = other + step if other + step != 0.0 else other + 2.0 * step
                        if x[j] < low[j] or x[j] > high[j]:
                            x[j] = other
                            continue
                    squares(job, support, moves, x, found)
                    now = _height(job, found, support, moves, x)
                    if now < lowest:
                        lowest = now
                        first, to_first = i, x[i]
                        second, to_second = (j, x[j]) if two > 0 else (-1, 0.0)
                    if two > 0:
                        x[j] = other
            x[i] = was
        if first < 0:
            break
        x[first] = to_first
        if second >= 0:
            x[second] = to_second
        height = lowest
        squares(job, support, moves, x, found)
        offer(job, best, support, moves, x, found)
    return height
