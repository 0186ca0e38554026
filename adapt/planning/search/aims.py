"""The aims: in which order supports are searched, and which of equal plans is chosen.

`fewest` and `quickest` climb a ladder of costs (moves or minutes) until a rung holds a plan that
reaches the target; `smoothest` and `likeliest` make a value small with at most so many moves.
"""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.problem.values import Problem
from adapt.planning.search.found import Found
from adapt.planning.search.objectives import Objective

__all__ = [
    "Answer",
    "Rung",
    "cheapest",
    "choose",
    "climb",
    "descend",
    "ladder_of_minutes",
    "ladder_of_moves",
    "share_minutes",
]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Answer:
    """What an aim found. steps: (variable,), None when no plan reaches the target.

    cost: moves or minutes of the plan (of the ladder's last rung looked at when there is none);
    cost_bound: no plan that reaches the target costs less. value, value_bound: of the objective
    among plans of that cost. proven: both bounds meet.
    """

    steps: Int | None
    cost: float
    cost_bound: float
    value: float
    value_bound: float
    proven: bool


@dataclass(frozen=True)
class Rung:
    """Plans of one cost. shares: how many moves each adjuster gets, (adjuster,) each.

    any_share: whether these are all shares of that many moves.
    """

    cost: float
    shares: tuple[tuple[int, ...], ...]
    any_share: bool = False

    def quotas(self) -> Iterator[tuple[int, list[Int]]]:
        """Yield numbers of moves, each with the most moves of each adjuster, (adjuster,) each."""
        for moves in sorted({sum(share) for share in self.shares}):
            quotas = [np.array(share) for share in self.shares if sum(share) == moves]
            yield moves, [np.full(len(quotas[0]), moves)] if self.any_share else quotas


def ladder_of_moves(
    hardware: Hardware, most_moves: int | None, most_minutes: float | None = None
) -> Iterator[Rung]:
    """Yield the rungs of 1, 2, ... moves, of those shares that take no more than most_minutes."""
    counts = np.bincount(hardware.adjuster, minlength=len(hardware.access))
    for moves in range(1, _top(hardware, most_moves) + 1):
        every = product(*(range(min(moves, int(n)) + 1) for n in counts))
        shares = tuple(share for share in every if sum(share) == moves)
        if most_minutes is None:
            yield Rung(float(moves), shares, any_share=True)
            continue
        short = tuple(s for s in shares if share_minutes(hardware, s) <= most_minutes + 1e-9)
        if not short:
            return
        yield Rung(float(moves), short, any_share=len(short) == len(shares))


def share_minutes(hardware: Hardware, share: tuple[int, ...]) -> float:
    """Return the labour [min] of so many moves of each adjuster, (adjuster,)."""
    minutes = np.zeros(len(hardware.access))
    minutes[hardware.adjuster] = hardware.minutes
    k = np.array(share)
    return float(k @ minutes + hardware.access[k > 0].sum())


def ladder_of_minutes(
    hardware: Hardware, most_moves: int | None, most_minutes: float | None = None
) -> Iterator[Rung]:
    """Yield the rungs of rising labour: each move's minutes, and access once for each adjuster."""
    top = _top(hardware, most_moves)
    counts = np.bincount(hardware.adjuster, minlength=len(hardware.access))
    most = np.inf if most_minutes is None else most_minutes + 1e-9
    heap = [(0.0, (0,) * len(counts))]
    seen = {heap[0][1]}
    waiting: list[tuple[int, ...]] = []
    at = 0.0
    while heap:
        here, share = heapq.heappop(heap)
        if here > at + 1e-9:
            if waiting:
                yield Rung(at, tuple(waiting))
            waiting, at = [], here
        if any(share):
            waiting.append(share)
        if sum(share) == top:
            continue
        for a in np.flatnonzero(np.array(share) < counts):
            more = (*share[:a], share[a] + 1, *share[a + 1 :])
            cost = share_minutes(hardware, more)
            if more not in seen and cost <= most:
                seen.add(more)
                heapq.heappush(heap, (cost, more))
    if waiting:
        yield Rung(at, tuple(waiting))


def climb(objective: Objective, ladder: Iterator[Rung], target: float, deadline: float) -> Answer:
    """Return the plan of least cost whose value is at most the target, best value among those.

    Plans without a move come first and cost nothing.
    """
    problem = objective.problem
    rest = np.zeros(len(problem.hardware.step), dtype=np.int64)
    value = float(objective.value(rest[None], np.inf)[0])
    if value <= target:
        return Answer(rest, 0.0, 0.0, value, value, True)
    root = _root_bound(objective, target)
    if root > target:
        return Answer(None, np.inf, np.inf, np.inf, root, True)
    unfinished: float | None = None
    for rung in ladder:
        found = _search_rung(objective, rung, target, deadline)
        if not found.complete and unfinished is None:
            unfinished = rung.cost
        if len(found.plans):
            steps = choose(problem, found.plans)
            proven = found.complete and unfinished is None
            bound = rung.cost if unfinished is None else unfinished
            return Answer(steps, rung.cost, bound, found.value, found.bound, proven)
        if time.monotonic() > deadline:
            break
    bound = np.inf if unfinished is None else unfinished
    return Answer(None, np.inf, bound, np.inf, root, unfinished is None)


def cheapest(
    objective: Objective, ladder: Iterator[Rung], run_minutes: float, deadline: float
) -> Answer:
    """Return the plan of least expected labour: its own, and another run where it does not do.

    The objective's values are -log chance; what is made small is cost + (1 - chance) run_minutes,
    which `cost` of the answer holds; no plan costs less than cost_bound. One more run is counted,
    whatever comes after it.
    """
    problem = objective.problem
    rest = np.zeros(len(problem.hardware.step), dtype=np.int64)
    value = float(objective.value(rest[None], np.inf)[0])
    best = Answer(rest, _expected(0.0, value, run_minutes), 0.0, value, value, True)
    root = _root_bound(objective, np.inf)
    least = np.inf  # of what may have been missed
    for rung in ladder:
        if _expected(rung.cost, root, run_minutes) >= best.cost * (1.0 - 1e-9):
            break
        room = (best.cost - rung.cost) / run_minutes  # of 1 - chance
        cutoff = -np.log1p(-room) - 1e-9 if room < 1.0 else np.inf
        found = _search_rung(objective, rung, cutoff, deadline)
        if not found.complete:
            least = min(least, _expected(rung.cost, max(found.bound, root), run_minutes))
        if len(found.plans):
            cost = _expected(rung.cost, found.value, run_minutes)
            if cost < best.cost:
                steps = choose(problem, found.plans)
                best = Answer(steps, cost, 0.0, found.value, found.bound, True)
        if time.monotonic() > deadline:
            least = min(least, _expected(rung.cost, root, run_minutes))
            break
    bound = min(best.cost, least)
    return replace(best, cost_bound=bound, proven=best.cost - bound <= 1e-6 * best.cost)


def _expected(cost: float, penalty: float, run_minutes: float) -> float:
    """Return the expected labour [min] of a plan with a penalty of -log chance."""
    return cost - math.expm1(-max(penalty, 0.0)) * run_minutes


def descend(
    objective: Objective,
    most_moves: int,
    deadline: float,
    every: bool = True,
    start: Int | None = None,
    most_minutes: float | None = None,
    ceiling: float = np.inf,
) -> list[Answer]:
    """Return the plans of the smallest value with at most 0, 1, ..., most_moves moves.

    every: whether each of them is wanted. When only the last is, plans of few moves are searched no
    further than it takes to know that they do not match it. start: plans (plan, variable) known
    from elsewhere; the best of them is what must be matched then. most_minutes: of labour.
    ceiling: plans above it do not count; answers without a plan have the value inf.
    """
    problem = objective.problem
    value = float(objective.value(np.zeros((1, len(problem.hardware.step)), np.int64), np.inf)[0])
    value = value if value <= ceiling else np.inf
    steps: Int | None = np.zeros(len(problem.hardware.step), np.int64) if value < np.inf else None
    answers = [Answer(steps, 0.0, 0.0, value, value, True)]
    root = _root_bound(objective, min(value, ceiling))
    rungs = list(ladder_of_moves(problem.hardware, most_moves, most_minutes))
    known = None
    if rungs and not every:
        known = _good_plan(objective, rungs[-1], start, deadline)
    open_bound = np.inf
    cost = 0.0
    for rung in rungs:
        cutoff = value - objective.gap(value) if value < np.inf else ceiling
        if root <= cutoff:
            aim = cutoff if known is None else min(cutoff, _with_ties(objective, known))
            found = _search_rung(objective, rung, aim, deadline)
            if not found.complete:
                open_bound = min(open_bound, found.bound)
            if len(found.plans):
                steps, cost, value = choose(problem, found.plans), rung.cost, found.value
        bound = max(min(value, open_bound), min(root, value))
        proven = value - bound <= objective.gap(value) if value < np.inf else open_bound == np.inf
        answers.append(Answer(steps, cost, 0.0, value, bound, proven))
    return answers


def _with_ties(objective: Objective, plan: Int) -> float:
    """Return the largest value that still ties with a plan (1, variable)."""
    value = float(objective.value(plan, np.inf)[0])
    return value + objective.gap(value)


def choose(problem: Problem, plans: Int) -> Int:
    """Return which of equally good plans, shape (plan, variable), a person would rather make.

    Fewer moves, then the lower mean square ratio over all that has a limit, then less fitted in
    all (each adjuster as a share of its range), then adjusters in file order, blades in passing
    order.
    """
    if len(plans) == 1:
        return np.asarray(plans[0])
    hardware = problem.hardware
    left = plans
    for measure in (
        lambda p: (p != 0).sum(axis=1).astype(float),
        problem.mean_square_ratio,
        lambda p: p @ hardware.share_of_range,
    ):
        score = np.asarray(measure(left), dtype=float)
        left = left[score <= score.min() + 1e-9 * max(abs(float(score.min())), 1.0)]
    order = sorted(
        range(len(left)), key=lambda i: (tuple(np.flatnonzero(left[i])), tuple(-left[i]))
    )
    return np.asarray(left[order[0]])


def _top(hardware: Hardware, most_moves: int | None) -> int:
    variables = len(hardware.step)
    return variables if most_moves is None else min(most_moves, variables)


def _root_bound(objective: Objective, cutoff: float) -> float:
    """Bound the value of every plan at or under a cutoff, however many moves it makes."""
    return objective.search.bound(cutoff) if len(objective.problem.hardware.step) else np.inf


def _good_plan(objective: Objective, rung: Rung, start: Int | None, deadline: float) -> Int | None:
    """Return a good plan, (1, variable), by walks on a rung or from `start`; None if none."""
    plans = [objective.search.good(moves, quotas, deadline) for moves, quotas in rung.quotas()]
    if start is not None:
        plans.append(start)
    found = np.concatenate(plans)
    if not len(found):
        return None
    values = objective.value(found, np.inf)
    best = int(values.argmin())
    return found[best][None] if values[best] < np.inf else None


def _search_rung(objective: Objective, rung: Rung, cutoff: float, deadline: float) -> Found:
    """Search all plans of a rung; those of different numbers of moves compete."""
    best = Found(
        np.inf, np.zeros((0, len(objective.problem.hardware.step)), np.int64), cutoff, True
    )
    limit = cutoff
    for moves, quotas in rung.quotas():
        found = objective.search.rung(moves, quotas, deadline, limit)
        better = found.value < best.value - objective.gap(best.value)
        same = not better and found.value < np.inf
        best = Found(
            value=min(best.value, found.value),
            plans=found.plans
            if better
            else np.concatenate([best.plans, found.plans])
            if same
            else best.plans,
            bound=min(best.bound, found.bound),
            complete=best.complete and found.complete,
        )
        if best.value < np.inf:
            limit = min(limit, best.value + objective.gap(best.value))
    return best
