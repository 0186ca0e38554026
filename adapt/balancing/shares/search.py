"""The ladder of searches: fewest pieces, fewest handled, fewest opened, smallest residual.

Each rung is a walk under caps that ends with an answer or with the proof that there is none.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.arrays import Best, State, new_best
from adapt.balancing.shares.building import Built, built
from adapt.balancing.shares.contents import TooMany
from adapt.balancing.shares.kernel import DONE, FOUND, PAUSED, walk
from adapt.balancing.shares.start import MOST, Start, start_of
from adapt.balancing.shares.values import Hole, Holes, Piece

__all__ = ["Found", "fewest", "nearest", "ready"]

Int = npt.NDArray[np.int64]

_WORK = 50_000  # steps between two looks at the clock
_SLICE = 0.1  # of the time left, for one number of pieces before the next is tried
_SINGLY, _FASTER = 6, 1.3  # numbers of pieces tried one by one, and how they grow after
_TURNS = 4  # how often directions are added
_GRACE = 0.25  # [s], to build a search in when the time is up: small ones take less
_BUILDING = 0.25  # of the time left, to build one of several


@dataclass(frozen=True, eq=False)
class Found:
    """What a ladder found. fitted: (hole, piece), None when nothing.

    least: no answer has a smaller first count. proven: every rung is. ended: whether it is known
    that there is no answer, where nothing was found. residual_bound: no answer leaves less [g mm].
    """

    fitted: Int | None
    least: int
    proven: bool
    ended: bool = True
    residual_bound: float = 0.0


@cache
def ready() -> None:
    """Compile the loops, or load what was compiled, before a clock is started."""
    hole = Hole("", 0.0, 1.0, most_pieces=1)
    start = start_of(Holes((hole,), (Piece("", 1.0),)), 1.0 + 0.0j, False)
    _Walk(built(start, 1), 0.0, (math.inf, math.inf), stop=True).go(0.0)


class _Walk:
    """One walk that can be taken up again: at most so many of each count, within a tolerance."""

    def __init__(self, of: Built, tolerance: float, caps: Sequence[float], stop: bool):
        self.built, self.tolerance, self.stop = of, tolerance, stop
        first = of.most
        handled, opened = (min(c, 1e9) for c in caps)
        depth = of.depth if of.start.from_empty else int(min(of.depth, opened))
        self.caps = np.array([first, int(handled), int(opened), depth], dtype=np.int64)
        self.state: State = of.start.state(of.depth, len(of.job.room))
        self.best: Best = new_best(of.depth, len(of.order))

    def bound(self, residual: float) -> None:
        """Look only for what leaves less than this residual [g mm]."""
        self.best.of[0] = residual

    def go(self, until: float) -> int:
        """Walk until the time; return DONE, PAUSED or FOUND."""
        while True:
            ended = walk(
                self.built.job,
                self.state,
                self.best,
                self.caps,
                self.tolerance,
                self.built.start.tie,
                self.stop,
                _WORK,
            )
            if ended != PAUSED or time.monotonic() >= until:
                return int(ended)

    @property
    def fitted(self) -> Int | None:
        """What the best answer has fitted, None when there is none."""
        return None if math.isinf(self.best.of[1]) else self.built.fitted(self.best)


def fewest(start: Start, tolerance: float, most: int | None, until: float) -> Found:
    """Return the answer with the smallest first count whose residual keeps the tolerance [g mm].

    Then fewest pieces handled, fewest holes opened, smallest residual, fewest pieces fitted, least
    mass, first in the file. most: a cap on the first count. until: on the monotonic clock [s].
    """
    within = tolerance + start.tie
    top = min(start.most, MOST) if most is None else min(most, start.most, MOST)
    whole = top >= start.most if most is None else top >= min(most, start.most)
    least = start.least_count(within)
    if least is None or least > top:
        known = least is None or whole
        return Found(None, top + 1 if least is None else least, known, ended=known)
    paused: dict[int, _Walk] = {}
    found: _Walk | None = None
    count = first = least
    while count <= top and found is None:
        now = time.monotonic()
        one = _walk(start, count, within, until)
        if one is None:
            break
        status = one.go(min(until, now + _SLICE * max(until - now, 0.0)))
        if status == FOUND:
            found = one
        elif status == DONE:
            least = count + 1
        else:
            paused[count] = one
        if now >= until or count == top:
            break
        count = min(top, count + 1 if count < first + _SINGLY else int(_FASTER * count))
    while found is not None and found.built.most > least:
        below = found.built.most - 1
        other = paused.get(below) or _walk(start, below, within, until)
        status = PAUSED if other is None else other.go(until)
        if other is not None and status == FOUND:
            found = other
        elif status == DONE:
            least = below + 1
        else:
            break
    if found is None:
        ended = whole and least > top
        return Found(None, least, ended, ended=ended)
    return _polished(found, least, within, until)


def _walk(start: Start, count: int, within: float, until: float) -> _Walk | None:
    """Return the walk for any answer within a first count, None where it is too large."""
    try:
        of = built(start, count, until=max(until, time.monotonic() + _GRACE))
        return _Walk(of, within, (math.inf, math.inf), stop=True)
    except TooMany:
        return None


def _polished(found: _Walk, least: int, within: float, until: float) -> Found:
    """Return the best of the answers with the first count that was found."""
    of, fitted = found.built, found.fitted
    assert fitted is not None
    proven = of.most == least
    now = of.start.holes.fitted
    handled, opened = math.inf, math.inf
    if of.start.from_empty:
        handled = float(np.abs(fitted - now).sum())
        while handled > 0:
            one = _Walk(of, within, (handled - 1, math.inf), stop=True)
            if (status := one.go(until)) != FOUND:
                proven = proven and status == DONE
                break
            fitted = _had(one)
            handled = float(np.abs(fitted - now).sum())
    opened = float((fitted != now).any(axis=1).sum())
    for cap in range(int(opened)):
        one = _Walk(of, within, (handled, cap), stop=True)
        status = one.go(until)
        if status == FOUND:
            fitted, opened = _had(one), float(cap)
            break
        if status == PAUSED:
            proven = False
            break
    one = _Walk(of, within, (handled, opened), stop=False)
    one.bound(abs(_left(of.start, fitted)))
    proven = one.go(until) == DONE and proven
    last = one.fitted
    return Found(fitted if last is None else last, least, proven)


def nearest(start: Start, most: int | None, until: float) -> Found:
    """Return the answer with the smallest residual within a first count, then as `fewest`.

    residual_bound is its residual [g mm] where that is proven, else 0.
    """
    top = min(start.most, MOST if most is None else min(most, MOST))
    whole = top >= (start.most if most is None else min(most, start.most))
    so_far = _SoFar(start)
    # Counts that cannot do half of it teach nothing; what the most can do is worth a look first.
    useful = start.least_count(0.5 * abs(start.rest))
    counts = _counts(top if useful is None else min(useful, top), top)
    status = so_far.nearer(top, until, 0.01)
    for count in counts[:-1]:
        if status == DONE or time.monotonic() >= until:
            break
        so_far.nearer(count, until, 0.2)
    for turn in range(_TURNS):
        if status == DONE or (turn and time.monotonic() >= until):
            break
        status = so_far.nearer(top, until, 0.2 if turn < _TURNS - 1 else 1.0)
    # Where all of them were too many to build in the time, fewer pieces are better than nothing.
    fewer = top
    while so_far.fitted is None and status == PAUSED and fewer > 1:
        fewer //= 2
        so_far.nearer(fewer, until, 0.5)
    proven = whole and status == DONE
    if so_far.fitted is None:
        return Found(None, 0, False, ended=False)
    rest = fewest(start, so_far.residual, most, max(until, time.monotonic() + 0.1))
    if rest.fitted is None:
        return Found(so_far.fitted, 0, False)
    bound = so_far.residual if proven else 0.0
    return replace(rest, proven=rest.proven and proven, residual_bound=bound)


class _SoFar:
    """The smallest residual so far, and the directions in which residuals were left [g mm]."""

    def __init__(self, start: Start):
        self.start, self.residual = start, math.inf
        self.fitted: Int | None = None
        self.along: tuple[complex, ...] = ()

    def nearer(self, count: int, until: float, share: float) -> int:
        """Look within a first count for a share of the time left; return DONE or PAUSED."""
        now = time.monotonic()
        until_built = max(now + _BUILDING * (until - now), now + _GRACE)
        try:
            of = built(self.start, count, self.along, until_built)
        except TooMany:
            return PAUSED
        one = _Walk(of, math.inf, (math.inf, math.inf), stop=False)
        one.bound(self.residual)
        now = time.monotonic()
        status = one.go(now + share * max(until - now, 0.0))
        if one.fitted is not None:
            self.fitted = one.fitted
            left = _left(self.start, one.fitted)
            self.residual = abs(left)
            self.along = (*self.along[1 - _TURNS :], left)
        return status


def _counts(first: int, top: int) -> list[int]:
    """Return the counts to try, the first ones one by one."""
    counts = [first]
    while counts[-1] < top:
        count = counts[-1]
        counts.append(min(top, count + 1 if len(counts) < _SINGLY else int(_FASTER * count) + 1))
    return counts


def _left(start: Start, fitted: Int) -> complex:
    """Return what is left to correct [g mm]."""
    holes = start.holes
    base = 0.0 if start.from_empty else holes.unbalance(holes.fitted)
    return start.rest + base - holes.unbalance(fitted)


def _had(one: _Walk) -> Int:
    fitted = one.fitted
    assert fitted is not None
    return fitted
