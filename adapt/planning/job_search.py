"""The search over one problem's arrays: which supports, in which order, and when to stop."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from adapt.planning.kernel.arrays import Best, Cuts, Job, new_best, new_cuts, new_scratch
from adapt.planning.kernel.plans import cutoff
from adapt.planning.kernel.supports import screen, search_supports
from adapt.planning.kernel.walks import explore
from adapt.planning.kernel.weights import factors, keep_cut

__all__ = ["JobSearch", "ready"]

Int = npt.NDArray[np.int64]

_CHUNK = 1 << 16  # supports at once
_FIRST = 100  # of these, the most promising come first
_WORK = 20_000  # solves and nodes between two looks at the clock
_NODES = 400_000  # of one support, after which it is left unfinished
_TRIES = 8
_WALKS = 4


class JobSearch:
    """The searches of one job, which learn from each other.

    Cuts and weights found for one number of moves are where the next begins.
    """

    def __init__(self, job: Job) -> None:
        self._job = job
        ratio = np.sqrt(np.maximum(job.offset, 0.0))
        weights = np.where(job.counted, ratio + 0.05 * ratio.max(initial=1e-9), 1e-3)
        self._weights = weights / weights.sum()
        self._base = np.zeros(0, dtype=np.int64)
        self._cuts: Cuts | None = None

    def rung(
        self, moves: int, quotas: Sequence[Int], deadline: float, ceiling: float
    ) -> tuple[Best, bool, float]:
        """Return the best plans of exactly so many moves, whether none is better, and a bound.

        quotas: (kind,) each: moves of each kind at most; plans may keep any of them. deadline: by
        time.monotonic(). ceiling: only worst ratios at or under it count.
        """
        variables, rows = len(self._job.low), len(self._job.offset)
        best = new_best(variables, ceiling)
        room = min(moves, variables)
        if self._cuts is None or self._cuts.root.shape[1] < room:
            self._cuts = new_cuts(variables, rows, max(room, 6))
        complete, bound = True, np.inf
        for quota in quotas:
            done, least = self._search(best, self._cuts, moves, quota, deadline)
            complete, bound = complete and done, min(bound, least)
        if best.number[0]:
            self._base = np.flatnonzero(best.plans[0])
        return best, complete, bound

    def _search(
        self, best: Best, cuts: Cuts, moves: int, quota: Int, deadline: float
    ) -> tuple[bool, float]:
        """Search all supports of one quota; return whether all were, and a bound of those left."""
        job = self._job
        self._walk_around(best, moves, quota)
        square = float(cutoff(best)) ** 2
        factor = np.empty(len(job.offset))
        factors(job.counted, square, factor)
        none, line = np.zeros(0, np.int64), np.zeros(0)
        scratch = new_scratch(moves, len(job.offset))
        n = keep_cut(job, cuts, self._weights, factor, square, none, 0, line, line, scratch)
        walk = np.zeros(moves + 2, dtype=np.int64)
        candidates = np.empty((_CHUNK, moves), dtype=np.int64)
        bounds = np.empty(_CHUNK)
        seen = np.zeros(4, dtype=np.int64)
        complete, left = True, np.inf
        while walk[0] >= 0:
            if time.monotonic() > deadline:
                return False, 0.0
            square = float(cutoff(best)) ** 2
            count = screen(job, cuts, n, moves, quota, square, walk, candidates, bounds)
            first = np.argsort(bounds[:count], kind="stable")[:_FIRST]
            order = np.concatenate([first, np.arange(count)])
            at = 0
            while at < len(order):
                at = search_supports(
                    job, best, cuts, candidates, bounds[:count], order, at, _WORK, _NODES, seen,
                    scratch,
                )  # fmt: skip
                if at < 0:
                    complete, left, at = False, 0.0, -at
                elif at < len(order) and time.monotonic() > deadline:
                    return False, 0.0
        return complete, left

    def _walk_around(self, best: Best, moves: int, quota: Int) -> None:
        """Offer good plans, from the support known so far on while they get better."""
        job = self._job
        factor = np.empty(len(job.offset))
        base, last = self._base, np.inf
        scratch = new_scratch(moves, len(job.offset))
        kept = self._weights.copy()
        for _ in range(_WALKS):
            factors(job.counted, float(cutoff(best)) ** 2, factor)
            explore(job, best, factor, base, quota, moves, self._weights, _TRIES, kept, scratch)
            if not best.number[0] or best.value[0] >= last:
                break
            last = float(best.value[0])
            base = np.flatnonzero(best.plans[0])
            self._weights = kept.copy()


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
    )
    JobSearch(job).rung(2, [np.full(2, 2)], np.inf, 10.0)
