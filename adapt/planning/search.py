"""Branch and bound over supports and whole steps, many boxes at a time.

A search is given the supports to consider and a cutoff; it returns every plan that ties for the
best value at or under the cutoff, and a bound below which no plan of those supports can be.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.bounds import Boxes
from adapt.planning.found import Found
from adapt.planning.hardware import Hardware
from adapt.planning.objectives import Objective

__all__ = ["pieces", "search", "walk"]

Real = npt.NDArray[Any]
Int = npt.NDArray[np.int64]

_PIECE = 2048
_BATCH = 768
_SMALL = 16
_WALKS = 24
_WALK_LENGTH = 12


class _Incumbents:
    """The best plans so far, with their ties."""

    def __init__(self, objective: Objective, cutoff: float) -> None:
        self._objective = objective
        self._cutoff = cutoff
        self.value = np.inf
        self._values: list[Real] = []
        self._plans: list[Int] = []

    @property
    def limit(self) -> float:
        """Return the largest value that is still of interest."""
        return min(self._cutoff, self.value + self._objective.gap(self.value))

    def offer(self, plans: Int) -> None:
        if not len(plans):
            return
        values = self._objective.value(plans, self.limit)
        good = values <= self.limit
        if not good.any():
            return
        self._values.append(values[good])
        self._plans.append(plans[good])
        self.value = min(self.value, float(values[good].min()))

    def ties(self, variables: int) -> Int:
        if not self._plans:
            return np.zeros((0, variables), dtype=np.int64)
        plans = np.concatenate(self._plans)[np.concatenate(self._values) <= self.limit]
        return np.unique(plans, axis=0)


def pieces(choices: Iterable[tuple[int, ...]], moves: int) -> Iterator[Int]:
    """Yield the choices in pieces of bounded size, shape (support, move)."""
    rest = iter(choices)
    while piece := list(islice(rest, _PIECE)):
        yield np.array(piece, dtype=np.int64).reshape(len(piece), moves)


def search(
    objective: Objective,
    supports: Iterable[Int],
    cutoff: float,
    deadline: float = np.inf,
    first: Int | None = None,
) -> Found:
    """Return the best plans that move the variables of one of the supports.

    supports: pieces of shape (support, move), as from `pieces`. cutoff: only values at or under it
    count. deadline: by time.monotonic(). first: plans (plan, variable) to
    try first. Plans that leave a variable of their support unmoved belong to smaller supports.
    """
    hardware = objective.problem.hardware
    variables = len(hardware.step)
    incumbents = _Incumbents(objective, cutoff)
    if first is not None:
        incumbents.offer(first)
    opened = _open(objective, hardware, supports, incumbents, deadline)
    boxes, bounds, points, states, skipped = opened
    _polish(objective, boxes, bounds, points, incumbents)
    while len(boxes) and time.monotonic() < deadline:
        order = np.argsort(bounds, kind="stable")
        order = order[bounds[order] <= incumbents.limit]
        take, rest = order[:_BATCH], order[_BATCH:]
        if not len(take):
            boxes = boxes.take(take)
            bounds = bounds[take]
            break
        children, child_states = _split(boxes.take(take), points[take], states[take])
        kept, alive = _tighten(hardware, children)
        child_states = child_states[alive]
        kept, child_states = _enumerate_small(kept, child_states, incumbents, hardware, variables)
        child_bounds, child_points, child_states = _bound(
            objective, kept, child_states, incumbents, rounds=3
        )
        _offer_rounded(kept, child_points, child_bounds, incumbents, variables)
        good = child_bounds <= incumbents.limit
        boxes = Boxes(
            np.concatenate([boxes.support[rest], kept.support[good]]),
            np.concatenate([boxes.low[rest], kept.low[good]]),
            np.concatenate([boxes.high[rest], kept.high[good]]),
        )
        bounds = np.concatenate([bounds[rest], child_bounds[good]])
        points = np.concatenate([points[rest], child_points[good]])
        states = np.concatenate([states[rest], child_states[good]])
    still_open = bounds[bounds <= incumbents.limit] if len(boxes) else bounds[:0]
    complete = not len(still_open) and not skipped
    ceiling = min(incumbents.value, cutoff)
    bound = ceiling if complete else 0.0 if skipped else min(ceiling, float(still_open.min()))
    return Found(incumbents.value, incumbents.ties(variables), bound, complete)


def walk(objective: Objective, supports: Iterable[Int], deadline: float) -> Int:
    """Return a good plan of the supports, (plan, variable), by local walks alone; none if none."""
    hardware = objective.problem.hardware
    incumbents = _Incumbents(objective, np.inf)
    for support in supports:
        if time.monotonic() > deadline:
            break
        boxes, _ = _tighten(hardware, Boxes(support, hardware.low[support], hardware.high[support]))
        if len(boxes):
            bounds, points, _ = objective.bound(boxes, objective.start(boxes), 0.0, 5)
            _polish(objective, boxes, bounds, points, incumbents)
    return incumbents.ties(len(hardware.step))


def _open(
    objective: Objective,
    hardware: Hardware,
    supports: Iterable[Int],
    incumbents: _Incumbents,
    deadline: float,
) -> tuple[Boxes, Real, Real, Real, bool]:
    """Bound every support, more carefully while it survives; tell whether time ended first."""
    variables = len(hardware.step)
    kept: list[tuple[Boxes, Real, Real, Real]] = []
    skipped = False
    moves = 0
    for support in supports:
        moves = support.shape[1]
        if time.monotonic() > deadline:
            skipped = True
            break
        boxes, _ = _tighten(hardware, Boxes(support, hardware.low[support], hardware.high[support]))
        state = objective.start(boxes)
        for rounds in (2, 4, 6):
            bounds, points, state = _bound(objective, boxes, state, incumbents, rounds)
            good = bounds <= incumbents.limit
            boxes, bounds, points, state = (
                boxes.take(good),
                bounds[good],
                points[good],
                state[good],
            )
            if not len(boxes):
                break
        _offer_rounded(boxes, points, bounds, incumbents, variables)
        kept.append((boxes, bounds, points, state))
    if not kept:
        empty = Boxes(*(np.zeros((0, moves), dtype=np.int64),) * 3)
        return empty, np.zeros(0), np.zeros((0, 0)), np.zeros((0, 0)), skipped
    groups = [group for group in kept if len(group[0])] or kept[:1]
    return (
        Boxes(
            np.concatenate([g[0].support for g in groups]),
            np.concatenate([g[0].low for g in groups]),
            np.concatenate([g[0].high for g in groups]),
        ),
        np.concatenate([g[1] for g in groups]),
        np.concatenate([g[2] for g in groups]),
        np.concatenate([g[3] for g in groups]),
        skipped,
    )


def _bound(
    objective: Objective, boxes: Boxes, states: Real, incumbents: _Incumbents, rounds: int
) -> tuple[Real, Real, Real]:
    if not len(boxes):
        return np.zeros(0), np.zeros(boxes.support.shape), states
    return objective.bound(boxes, states, incumbents.limit, rounds)


def _split(boxes: Boxes, points: Real, states: Real) -> tuple[Boxes, Real]:
    """Split each box in two at its most undecided move."""
    width = boxes.high - boxes.low
    fraction = np.abs(points - np.round(points))
    score = np.where(width > 0, fraction + 1e-3 * width / (1.0 + width), -1.0)
    pick = score.argmax(axis=1)
    rows = np.arange(len(boxes))
    at = points[rows, pick]
    low, high = boxes.low[rows, pick], boxes.high[rows, pick]
    cut = np.clip(np.floor(at + 1e-9).astype(np.int64), low, high - 1)
    below, above = boxes.high.copy(), boxes.low.copy()
    below[rows, pick] = cut
    above[rows, pick] = cut + 1
    return (
        Boxes(
            np.concatenate([boxes.support] * 2),
            np.concatenate([boxes.low, above]),
            np.concatenate([below, boxes.high]),
        ),
        np.concatenate([states, states]),
    )


def _tighten(hardware: Hardware, boxes: Boxes) -> tuple[Boxes, npt.NDArray[np.bool_]]:
    """Drop steps that the sums rule out, and boxes left empty; return which boxes stay."""
    low, high = boxes.low.copy(), boxes.high.copy()
    alive = np.ones(len(boxes), dtype=bool)
    for _ in range(2):
        low = np.where(low == 0, 1, low)
        high = np.where(high == 0, -1, high)
        alive &= (low <= high).all(axis=1)
        for row, least, most in zip(
            hardware.rows, hardware.row_low, hardware.row_high, strict=True
        ):
            a = row[boxes.support]
            room = most - (a * low).sum(axis=1)
            need = (a * high).sum(axis=1) - least
            alive &= (room >= -1e-12) & (need >= -1e-12)
            unit = np.where(a > 0, a, np.inf)
            held = a > 0
            up = low + np.floor(np.maximum(room, 0.0)[:, None] / unit + 1e-9)
            down = high - np.floor(np.maximum(need, 0.0)[:, None] / unit + 1e-9)
            high = np.where(held, np.minimum(high, up), high).astype(np.int64)
            low = np.where(held, np.maximum(low, down), low).astype(np.int64)
    low = np.where(low == 0, 1, low)
    high = np.where(high == 0, -1, high)
    alive &= (low <= high).all(axis=1)
    return Boxes(boxes.support[alive], low[alive], high[alive]), alive


def _enumerate_small(
    boxes: Boxes,
    states: Real,
    incumbents: _Incumbents,
    hardware: Hardware,
    variables: int,
) -> tuple[Boxes, Real]:
    """Try every plan of boxes that hold only a few, and return the other boxes."""
    width = boxes.high - boxes.low + 1
    count = width.prod(axis=1)
    small = (count <= _SMALL) & (width <= _SMALL).all(axis=1)
    if small.any():
        some = boxes.take(small)
        sides = width[small]
        radix = np.concatenate(
            [np.ones((len(sides), 1), dtype=np.int64), np.cumprod(sides, axis=1)[:, :-1]], axis=1
        )
        index = np.arange(_SMALL)
        steps = (
            some.low[:, None, :] + (index[None, :, None] // radix[:, None, :]) % sides[:, None, :]
        )
        valid = index[None, :] < count[small][:, None]
        valid &= (steps != 0).all(axis=2)
        which, place = np.nonzero(valid)
        points = Boxes(some.support[which], steps[which, place], steps[which, place])
        incumbents.offer(points.plans(points.low, variables))
    return boxes.take(~small), states[~small]


def _polish(
    objective: Objective,
    boxes: Boxes,
    bounds: Real,
    points: Real,
    incumbents: _Incumbents,
) -> None:
    """Walk from the rounded points of the most promising boxes to the best plan around each.

    A walk goes to the best plan one step off in one move or in two, until none is better: a good
    plan early is what lets bounds rule out the rest.
    """
    if not len(boxes):
        return
    variables = len(objective.problem.hardware.step)
    best = np.argsort(bounds, kind="stable")[:_WALKS]
    some = boxes.take(best)
    moves = some.support.shape[1]
    eye = np.eye(moves, dtype=np.int64)
    ways = np.concatenate([eye, -eye])
    pairs = (ways[:, None, :] + ways[None, :, :]).reshape(-1, moves)
    ways = np.unique(np.concatenate([ways, pairs, np.zeros((1, moves), dtype=np.int64)]), axis=0)
    steps = np.clip(np.round(points[best]).astype(np.int64), some.low, some.high)
    value = np.full(len(some), np.inf)
    going = np.arange(len(some))
    for _ in range(_WALK_LENGTH):
        near = steps[going, None, :] + ways
        inside = ((near >= some.low[going, None]) & (near <= some.high[going, None])).all(axis=2)
        inside &= (near != 0).all(axis=2)
        which, way = np.nonzero(inside)
        tried = near[which, way]
        plans = Boxes(some.support[going[which]], tried, tried).plans(tried, variables)
        found = np.full(inside.shape, np.inf)
        found[which, way] = objective.rough(plans)
        pick = found.argmin(axis=1)
        rows = np.arange(len(going))
        better = found[rows, pick] < value[going] - objective.gap(0.0)
        steps[going[better]] = near[rows, pick][better]
        value[going[better]] = found[rows, pick][better]
        going = going[better]
        if not len(going):
            break
    done = value < np.inf
    ended = Boxes(some.support[done], steps[done], steps[done])
    incumbents.offer(ended.plans(ended.low, variables))


def _offer_rounded(
    boxes: Boxes,
    points: Real,
    bounds: Real,
    incumbents: _Incumbents,
    variables: int,
) -> None:
    """Try the nearest whole steps to the most promising boxes' near-minimisers."""
    if not len(boxes):
        return
    best = np.argsort(bounds, kind="stable")[:64]
    some = boxes.take(best)
    steps = np.clip(np.round(points[best]).astype(np.int64), some.low, some.high)
    sign = np.where(points[best] < 0, -1, 1)
    nudged = np.where((some.low <= sign) & (sign <= some.high), sign, -sign)
    steps = np.where(steps == 0, nudged, steps)
    incumbents.offer(some.plans(steps, variables))
