"""The search over one problem's arrays: which supports, in which order, and when to stop."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.kernel.arrays import (
    BEST,
    LOST,
    LOW,
    PLANS,
    WAITING,
    Best,
    Cuts,
    Job,
    Scratch,
    new_best,
    new_cuts,
    new_scratch,
)
from adapt.planning.kernel.chances import BEYOND
from adapt.planning.kernel.plans import cutoff, tie_gap
from adapt.planning.kernel.supports import NODES, screen, search_supports
from adapt.planning.kernel.tree import tighten
from adapt.planning.kernel.walks import explore, round_each
from adapt.planning.kernel.weights import ALL_MOVED, bound_any, factors, keep_cut
from adapt.planning.search.chance_table import no_law, penalty_lines

__all__ = ["JobSearch", "ready"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[Any]

_CHUNK = 1 << 16  # supports at once
_FIRST = 100  # of these, the most promising come first
_WORK = 20_000  # solves and nodes between two looks at the clock
_DEARER = 10  # times what a node of the worst ratio takes, one of chances takes
_TRIES = 8
_WALKS = 4
_AT_ONCE = 256
_VALUED = 32  # plans at once
_ROUNDS = 12
_ROOT_ROUNDS = 40
_WAITING, _MOST_WAITING = 2048, 1 << 17
CHANCE_TIE = 1.5e-6  # above what counts as equal in the end and the tables' errors


class JobSearch:
    """The searches of one job, which learn from each other.

    Cuts and weights found for one number of moves are where the next begins; ceilings may only
    fall. exact: values of plans (plan, variable) whose value in the compiled loops is a bound, inf
    above a cutoff.
    before: a search of the same problem for higher ceilings.
    """

    def __init__(
        self,
        job: Job,
        exact: Callable[[Real, float], Real] | None = None,
        before: JobSearch | None = None,
    ) -> None:
        self._job, self._exact = job, exact
        ratio = np.sqrt(np.maximum(job.offset, 0.0))
        weights = np.where(job.counted, ratio + 0.05 * ratio.max(initial=1e-9), 1e-3)
        chances = len(job.law.df)
        if chances:
            weights[chances:] = 0.0
        self._weights = weights / weights.sum()
        self._base = np.zeros(0, dtype=np.int64)
        self._cuts: Cuts | None = None
        self._known: dict[bytes, float] = {}
        if before is not None:
            self._weights, self._base = before._weights, before._base
            self._known = {plan: value for plan, value in before._known.items() if value < np.inf}

    def rung(
        self, moves: int, quotas: Sequence[Int], deadline: float, ceiling: float
    ) -> tuple[Best, bool, float]:
        """Return the best plans of exactly so many moves, whether none is better, and a bound.

        quotas: (kind,) each: moves of each kind at most; plans may keep any of them. deadline: by
        time.monotonic(). ceiling: only values at or under it count.
        """
        variables, rows = len(self._job.low), len(self._job.offset)
        best = self._record(ceiling)
        room = min(moves, variables)
        if self._cuts is None or self._cuts.root.shape[1] < room:
            self._cuts = new_cuts(variables, rows, max(room, 6))
        complete, bound = True, np.inf
        for quota in quotas:
            best, done, least = self._search(best, self._cuts, moves, quota, deadline)
            complete, bound = complete and done, min(bound, least)
        if best.number[PLANS]:
            self._base = np.flatnonzero(best.plans[0])
        return best, complete, bound

    def good(self, moves: int, quotas: Sequence[Int], ceiling: float, deadline: float) -> Best:
        """Return good plans of exactly so many moves, found by walks alone."""
        best = self._record(ceiling)
        for quota in quotas:
            self._walk_around(best, moves, quota, deadline)
        return best

    def bound(self, support: Int, low: Real, high: Real, ceiling: float) -> tuple[float, Real]:
        """Return a bound of the value of every plan in a box, and a good point (move,) of it.

        support: (move,) variables, low, high: (move,) their steps. Plans above the ceiling need
        not keep the bound; it is inf where no other is left.
        """
        job = self._job
        moves = len(support)
        scratch = new_scratch(moves, len(job.offset))
        x = np.zeros(moves)
        all_moved = bool(((low > 0) | (high < 0)).all())
        weights = self._weights.copy()
        chances = bool(len(job.law.df))
        limit = ceiling if chances else ceiling**2
        factor = np.empty(len(job.offset))
        factors(job.counted, limit, factor)
        found = bound_any(
            job, factor, support, moves, low, high, weights, _ROOT_ROUNDS, limit, x, scratch,
            all_moved,
        )  # fmt: skip
        if chances:
            return (np.inf if found >= BEYOND else found), x
        # What only must be inside may be as high as it is allowed to: that part says nothing.
        inside = float(weights[~job.counted].sum())
        room = found - inside * ceiling**2 * (1.0 + 3e-9)
        if 1.0 - inside < 1e-9:
            return (np.inf if room > 0.0 else 0.0), x
        return math.sqrt(max(room, 0.0) / (1.0 - inside)), x

    def others(self, moves: int, ceiling: float, deadline: float) -> Real:
        """Return good plans (plan, variable) of exactly so many moves, one for each support.

        Rounded from where their bound is met and walked from there; bounds above the ceiling are
        left out.
        """
        job = self._job
        moves = min(moves, len(job.low))
        if self._cuts is None or self._cuts.root.shape[1] < moves:
            self._cuts = new_cuts(len(job.low), len(job.offset), max(moves, 6))
        best = self._record(ceiling)
        scratch = new_scratch(moves, len(job.offset))
        limit = _limit(job, best)
        factor = np.empty(len(job.offset))
        factors(job.counted, limit, factor)
        n = self._first_cut(best, self._cuts, moves, scratch)
        quota = np.full(int(job.kind.max(initial=0)) + 1, moves)
        walk = np.zeros(moves + 2, dtype=np.int64)
        candidates, bounds = np.empty((_CHUNK, moves), dtype=np.int64), np.empty(_CHUNK)
        found = []
        while walk[0] >= 0 and time.monotonic() <= deadline:
            count = screen(
                job.cost,
                job.partner,
                job.kind,
                self._cuts,
                n,
                moves,
                quota,
                limit,
                walk,
                candidates,
                bounds,
            )
            for first in range(0, count, _AT_ONCE):
                if time.monotonic() > deadline:
                    break
                some = candidates[first : min(first + _AT_ONCE, count)]
                plans = np.zeros((len(some), len(job.low)))
                good = np.zeros(len(some), dtype=bool)
                round_each(job, best, factor, some, limit, self._weights, scratch, plans, good)
                found.append(plans[good])
        return np.concatenate(found) if found else np.zeros((0, len(job.low)))

    @property
    def job(self) -> Job:
        """The arrays that are searched."""
        return self._job

    def _record(self, ceiling: float) -> Best:
        law = self._job.law
        variables = len(self._job.low)
        if not len(law.df):
            return new_best(variables, ceiling)
        return new_best(variables, ceiling, CHANCE_TIE, _WAITING if law.deferred else 1)

    def _search(
        self, best: Best, cuts: Cuts, moves: int, quota: Int, deadline: float
    ) -> tuple[Best, bool, float]:
        """Search all supports of one quota; return whether all were, and a bound of those left."""
        job = self._job
        self._walk_around(best, moves, quota, deadline)
        scratch = new_scratch(moves, len(job.offset))
        n = self._first_cut(best, cuts, moves, scratch)
        walk = np.zeros(moves + 2, dtype=np.int64)
        candidates = np.empty((_CHUNK, moves), dtype=np.int64)
        bounds = np.empty(_CHUNK)
        seen = np.zeros(4, dtype=np.int64)
        complete, left, begun = True, np.inf, time.monotonic()
        work = _WORK // (_DEARER if len(job.law.df) else 1)
        while walk[0] >= 0:
            if time.monotonic() > deadline:
                return best, False, 0.0
            limit = _limit(job, best)
            count = screen(
                job.cost,
                job.partner,
                job.kind,
                cuts,
                n,
                moves,
                quota,
                limit,
                walk,
                candidates,
                bounds,
            )
            first = np.argsort(bounds[:count], kind="stable")[:_FIRST]
            order = np.concatenate([first, np.arange(count)])
            late: list[int] = []
            at, most = 0, work
            while at < len(order):
                at = search_supports(
                    job,
                    best,
                    cuts,
                    candidates,
                    bounds[:count],
                    order,
                    at,
                    work,
                    most,
                    seen,
                    scratch,
                )
                lost = bool(best.number[LOST])
                better, settled = self._settle(best, deadline)
                if not settled:
                    return best, False, 0.0
                if at < 0 and lost and (better or len(best.waiting) < _MOST_WAITING):
                    at = -1 - at
                    bounds[order[at]] = 0.0  # once more
                    if not better:
                        waiting = np.zeros((4 * len(best.waiting), len(job.low) + 1))
                        best = best._replace(waiting=waiting)
                elif at < 0 and lost:
                    complete, left, at = False, 0.0, -at
                elif at < 0:
                    late.append(int(order[-1 - at]))
                    at = -at
                if at == len(order) and late:
                    # Those that took too long once more, for as long as there is time.
                    spent = max(time.monotonic() - begun, 1e-3)
                    left_over = (deadline - time.monotonic()) * seen[NODES] / spent
                    if left_over <= 2.0 * most:
                        return best, False, 0.0
                    most = int(min(8.0 * most, left_over))
                    order, late, at = np.array(late), [], 0
                    bounds[order] = 0.0
                if at < len(order) and time.monotonic() > deadline:
                    return best, False, 0.0
        return best, complete, left

    def _first_cut(self, best: Best, cuts: Cuts, moves: int, scratch: Scratch) -> int:
        """Return the cut that all supports are held against first."""
        job = self._job
        limit = _limit(job, best)
        factor = np.empty(len(job.offset))
        factors(job.counted, limit, factor)
        support = np.zeros(0, dtype=np.int64)
        weights = self._weights
        if len(job.law.df):
            # Planes hold where they were made: around the best support that is known.
            support = np.flatnonzero(best.plans[0]) if best.number[PLANS] else self._base
            support = support[: len(scratch.move[LOW])]
            weights = weights.copy()
        low, high = job.low[support], job.high[support]
        some = bool(len(support)) and bool(
            tighten(job.sums, job.sum_low, job.sum_high, support, len(support), low, high)
        )
        if some:
            x = np.zeros(len(support))
            bound_any(
                job,
                factor,
                support,
                len(support),
                low,
                high,
                weights,
                _ROUNDS,
                np.inf,
                x,
                scratch,
                ALL_MOVED,
            )
        else:
            support, low, high = support[:0], low[:0], high[:0]
        return int(
            keep_cut(job, cuts, weights, factor, limit, support, len(support), low, high, scratch)
        )

    def _walk_around(self, best: Best, moves: int, quota: Int, deadline: float) -> None:
        """Offer good plans, from the support known so far on while they get better."""
        job = self._job
        factor = np.empty(len(job.offset))
        base, last = self._base, np.inf
        scratch = new_scratch(moves, len(job.offset))
        kept = self._weights.copy()
        for _ in range(_WALKS):
            factors(job.counted, _limit(job, best), factor)
            explore(job, best, factor, base, quota, moves, self._weights, _TRIES, kept, scratch)
            self._settle(best, deadline)
            if not best.number[PLANS] or best.value[BEST] >= last:
                break
            last = float(best.value[BEST])
            base = np.flatnonzero(best.plans[0])
            self._weights = kept.copy()

    def _settle(self, best: Best, deadline: float) -> tuple[bool, bool]:
        """Value the plans that wait; return whether the cutoff fell, and whether all were valued.

        Those with the lowest bounds come first, so that others need not be valued any more.
        """
        count = int(best.number[WAITING])
        best.number[[WAITING, LOST]] = 0
        if self._exact is None or not count:
            return False, True
        before = cutoff(best)
        rows = np.unique(best.waiting[:count], axis=0)
        rows = rows[np.argsort(rows[:, -1], kind="stable")]
        for some in np.array_split(rows, -(-len(rows) // _VALUED)):
            if some[0, -1] > cutoff(best):
                break
            if time.monotonic() > deadline:
                return bool(cutoff(best) < before), False
            plans = some[some[:, -1] <= cutoff(best), :-1]
            new = np.array([plan.tobytes() not in self._known for plan in plans], dtype=bool)
            if new.any():
                found = self._exact(plans[new], cutoff(best))
                for plan, value in zip(plans[new], found, strict=True):
                    self._known[plan.tobytes()] = float(value)
            for plan in plans:
                value = self._known[plan.tobytes()]
                if value <= cutoff(best):
                    take(best, plan, value)
        return bool(cutoff(best) < before), True


def _limit(job: Job, best: Best) -> float:
    """Return what bounds are held against, as `kernel.plans.limit_of`."""
    value = float(cutoff(best))
    return value if len(job.law.df) else value * value


def take(best: Best, plan: Real, value: float) -> None:
    """Make a plan the best, or one that ties with it."""
    if not best.number[PLANS] or value < best.value[BEST] - tie_gap(best):
        best.number[PLANS] = 0
        best.value[BEST] = value
    best.value[BEST] = min(value, best.value[BEST])
    count = int(best.number[PLANS])
    if count < len(best.plans) and not (best.plans[:count] == plan).all(axis=1).any():
        best.plans[count] = plan
        best.number[PLANS] = count + 1


@cache
def ready() -> None:
    """Have the inner loops compiled, or read from where they are kept, before a clock runs."""
    moves = np.eye(2)
    job = Job(
        quadratic=np.ascontiguousarray(moves[:, :, None] * np.ones(2)),
        linear=-np.ones((2, 2)),
        offset=np.ones(2),
        counted=np.ones(2, dtype=bool),
        channel=np.arange(2),
        channels=2,
        low=-np.ones(2),
        high=np.ones(2),
        cost=np.ones(2, dtype=np.int64),
        partner=np.full(2, -1),
        kind=np.arange(2),
        sums=np.zeros((0, 2)),
        sum_low=np.zeros(0),
        sum_high=np.zeros(0),
        mean_quadratic=moves,
        mean_linear=-np.ones(2),
        mean_offset=np.ones(1),
        law=no_law(2),
    )
    search = JobSearch(job)
    search.rung(2, [np.full(2, 2)], np.inf, 10.0)
    search.others(2, 10.0, np.inf)
    search.bound(np.arange(2), job.low, job.high, 10.0)
    penalty_lines(math.log(2.0))
