"""When no plan reaches the limits: which bounds stand in the way, and how far each must give.

Every bound is looked at by itself. It is lifted whole first; where that opens a way, the least that
still does is sought by halving, in the steps that people set such bounds in.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from adapt.planning.asked import INSIDE, Asked
from adapt.planning.case import Case
from adapt.planning.plan import Relaxation
from adapt.planning.problem.values import Problem
from adapt.planning.search.aims import Answer, climb, ladder_of_moves
from adapt.planning.search.objectives import ChancePenalty, WorstRatio
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Rotor

__all__ = ["relaxations"]

Int = npt.NDArray[np.int64]

_WIDEST = 4.0  # times the fitted range, to either side
_MORE_MOVES = 4  # than are allowed, at most
_HALVINGS = 6


@dataclass(frozen=True)
class _Try:
    """A bound to lift. at: the rotor's bounds and the caps with so much of it."""

    what: str
    name: str
    unit: str
    now: float | None
    most: float
    step: float
    at: Callable[[float], tuple[Rotor, Asked]]


def relaxations(case: Case, asked: Asked, plans: list[Int], deadline: float) -> list[Relaxation]:
    """Return what would open a way to the limits, one bound at a time, least first in its kind.

    plans: the best that are known as things stand, (variable,) each. deadline: by time.monotonic().
    """
    found = [_limits(case, asked, plans)]
    tries = list(_tries(case, asked))
    for number, one in enumerate(tries):
        now = time.monotonic()
        if now >= deadline:
            break
        share = (deadline - now) / (len(tries) - number)
        found.append(_lifted(case, one, now + share))
    return [relaxation for relaxation in found if relaxation is not None]


def _limits(case: Case, asked: Asked, plans: list[Int]) -> Relaxation | None:
    """Return how much wider all limits would have to be for one of the known plans."""
    if not plans:
        return None
    best = min(_scale(case.problem, plan, asked) for plan in plans)
    if not best < math.inf:
        return None
    return Relaxation("limits", "", 1.0, _rounded_up(best, 0.01), "", exact=False)


def _scale(problem: Problem, plan: Int, asked: Asked) -> float:
    """Return by how much all limits must grow for a plan to reach the target."""
    if not asked.by_chance or not asked.staged:
        return max(float(problem.worst_ratio(plan)), float(problem.outside(plan)))
    low, high = 1.0, 1.0
    while float(problem.scaled(high).chances(plan)) < asked.chance:
        low, high = high, 2.0 * high
        if high > 1e3:
            return math.inf
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        if float(problem.scaled(middle).chances(plan)) < asked.chance:
            low = middle
        else:
            high = middle
    return high


def _tries(case: Case, asked: Asked) -> Iterator[_Try]:
    """Yield the bounds that hold tonight, the cheapest to give up first."""
    bounds = case.bounds
    most = asked.most_moves
    if most is not None and most < len(case.hardware.step):
        yield _Try(
            "most moves", "", "", float(most), float(most + _MORE_MOVES), 1.0,
            lambda value: (bounds, replace(asked, most_moves=round(value))),
        )  # fmt: skip
    if asked.most_minutes is not None:
        minutes = asked.most_minutes
        yield _Try(
            "most minutes", "", "min", minutes, 4.0 * max(minutes, 15.0), 5.0,
            lambda value: (bounds, replace(asked, most_minutes=value)),
        )  # fmt: skip
    for name, adjusters, blades in _locked(case):
        unlocked = _unlocked(case, adjusters, blades)
        yield _Try("locked", name, "", None, 1.0, 1.0, partial(_with, unlocked, asked))
    for number, adjuster in enumerate(bounds.adjusters):
        yield from _of_adjuster(case, asked, number, adjuster)
    for number, shared in enumerate(bounds.shared_ranges):
        low, high = shared.fitted_range
        name, reach = " and ".join(shared.adjusters), _WIDEST * (high - low)
        step = min(case.rotor.adjuster(name).step for name in shared.adjusters)
        end = partial(_shared, case, asked, number)
        yield _Try("fitted range", name, "", high, high + reach, step, partial(end, 1))
        if low < 0:
            yield _Try("fitted range", name, "", low, low - reach, -step, partial(end, 0))


def _shared(case: Case, asked: Asked, number: int, end: int, value: float) -> tuple[Rotor, Asked]:
    """Return bounds with another lower (end 0) or upper (1) end of a shared range."""
    ranges = list(case.bounds.shared_ranges)
    ends = list(ranges[number].fitted_range)
    ends[end] = value
    ranges[number] = replace(ranges[number], fitted_range=(ends[0], ends[1]))
    return replace(case.bounds, shared_ranges=tuple(ranges)), asked


def _of_adjuster(case: Case, asked: Asked, number: int, adjuster: Adjuster) -> Iterator[_Try]:
    """Yield the bounds of one adjuster; ranges give way to the side on which they are asked."""
    unit, step = adjuster.unit, adjuster.step
    low, high = adjuster.fitted_range
    reach = _WIDEST * max(high - low, step)

    def with_(changed: Adjuster) -> tuple[Rotor, Asked]:
        adjusters = list(case.bounds.adjusters)
        adjusters[number] = changed
        return replace(case.bounds, adjusters=tuple(adjusters)), asked

    largest = adjuster.largest_move
    if largest is not None:
        yield _Try(
            "largest move", adjuster.name, unit, largest, max(high - low, largest), step,
            lambda value: with_(replace(adjuster, largest_move=value)),
        )  # fmt: skip
    yield _Try(
        "fitted range", adjuster.name, unit, high, high + reach, step,
        lambda value: with_(replace(adjuster, fitted_range=(low, value))),
    )  # fmt: skip
    if low != 0:  # nothing is fitted below nothing
        yield _Try(
            "fitted range", adjuster.name, unit, low, low - reach if low < 0 else 0.0, -step,
            lambda value: with_(replace(adjuster, fitted_range=(value, high))),
        )  # fmt: skip
    if adjuster.sum_range is not None:
        down, up = adjuster.sum_range
        yield _Try(
            "sum", adjuster.name, unit, up, up + reach, step,
            lambda value: with_(replace(adjuster, sum_range=(down, value))),
        )  # fmt: skip
        yield _Try(
            "sum", adjuster.name, unit, down, down - reach, -step,
            lambda value: with_(replace(adjuster, sum_range=(value, up))),
        )  # fmt: skip


def _locked(case: Case) -> Iterator[tuple[str, set[str], set[str]]]:
    """Yield what is locked by name, with the adjusters and the blades that it is about."""
    every = set(case.rotor.blades)
    held_on = {}
    for own, held in zip(case.rotor.adjusters, case.bounds.adjusters, strict=True):
        allowed = every if own.blades is None else set(own.blades)
        held_on[own.name] = allowed - (every if held.blades is None else set(held.blades))
        if held_on[own.name] == allowed:
            yield own.name, {own.name}, every
    for blade in case.rotor.blades:
        names = {name for name, blades in held_on.items() if blade in blades}
        if names:
            yield blade, names, {blade}


def _with(bounds: Rotor, asked: Asked, _: float) -> tuple[Rotor, Asked]:
    return bounds, asked


def _unlocked(case: Case, names: set[str], blades: set[str]) -> Rotor:
    """Return tonight's bounds without what locks adjusters on blades that the rotor file allows."""
    adjusters = []
    for own, held in zip(case.rotor.adjusters, case.bounds.adjusters, strict=True):
        if own.name in names:
            allowed = case.rotor.blades if own.blades is None else own.blades
            free = case.rotor.blades if held.blades is None else held.blades
            held = replace(held, blades=tuple(b for b in allowed if b in free or b in blades))
        adjusters.append(held)
    return replace(case.bounds, adjusters=tuple(adjusters))


def _lifted(case: Case, one: _Try, deadline: float) -> Relaxation | None:
    """Return how far one bound must give, None where no way is found or was open before."""
    begun = time.monotonic()

    def opens(value: float, until: float) -> tuple[bool, bool]:
        bounds, asked = one.at(value)
        try:
            wider = case.within(bounds)
        except BadInput:  # unlocked, it would be planned with, and its effects are not known
            return False, True
        answer = _reached(wider, asked, until)
        return answer.steps is not None, answer.proven

    first, _ = opens(one.most, begun + 0.4 * (deadline - begun))
    if not first:
        return None
    if one.now is None:
        return Relaxation(one.what, one.name, None, None, one.unit, exact=True)
    # Whole steps from the bound as it is: `low` does not open, `high` does.
    low, high = 0, max(1, math.ceil((one.most - one.now) / one.step - 1e-9))
    exact = True
    for _ in range(_HALVINGS + high.bit_length()):
        if high - low <= 1:
            break
        middle = (low + high) // 2 if high - low < 8 else low + (high - low) // 3
        until = time.monotonic() + max(deadline - time.monotonic(), 0.0) / 3.0
        opened, sure = opens(one.now + middle * one.step, until)
        if opened:
            high = middle
        else:
            low, exact = middle, exact and sure
    exact = exact and high - low <= 1
    needed = float(f"{one.now + high * one.step:.12g}")
    return Relaxation(one.what, one.name, one.now, needed, one.unit, exact)


def _reached(case: Case, asked: Asked, deadline: float) -> Answer:
    """Return the fewest moves that reach the target, any plan with so many."""
    by_chance = asked.staged and asked.by_chance
    objective = ChancePenalty(case.problem) if by_chance else WorstRatio(case.problem)
    target = asked.target if by_chance else INSIDE
    ladder = ladder_of_moves(case.hardware, asked.cap, asked.most_minutes)
    return climb(objective, ladder, target, deadline)


def _rounded_up(value: float, step: float) -> float:
    return float(f"{math.ceil(value / step - 1e-9) * step:.12g}")
