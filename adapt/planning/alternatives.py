"""Other plans of nearly the same worth that move different hardware."""

from __future__ import annotations

import time
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from adapt.planning.bounds import Boxes
from adapt.planning.objectives import Objective
from adapt.planning.search import pieces

__all__ = ["alternatives"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]

_MOST = 4
_TRIED = 48


def alternatives(objective: Objective, best: Int, ceiling: float, deadline: float) -> list[Int]:
    """Return up to four plans (variable,) at or under the ceiling that move other hardware.

    They make as many moves as the best plan or fewer, each differs from it and from the others in
    what is moved, and those that differ most come first. Found by rounding and trying every
    neighbour one step off, so a list, not a proof.
    """
    hardware = objective.problem.hardware
    variables = len(hardware.step)
    moves = int((best != 0).sum())
    seen: list[tuple[float, Int]] = []
    for support in pieces(combinations(range(variables), moves), moves):
        if time.monotonic() > deadline:
            break
        boxes = Boxes(support, hardware.low[support], hardware.high[support])
        bound, points, _ = objective.bound(boxes, objective.start(boxes), ceiling, 6)
        order = np.argsort(bound, kind="stable")[:_TRIED]
        order = order[bound[order] <= ceiling]
        for at in order:
            found = _best_neighbour(objective, boxes.take(np.array([at])), points[at], ceiling)
            if found is not None:
                seen.append(found)
    return _spread_out([plan for _, plan in sorted(seen, key=lambda pair: pair[0])], best)


def _best_neighbour(
    objective: Objective, box: Boxes, point: Real, ceiling: float
) -> tuple[float, Int] | None:
    """Return the best plan within one step of a point's rounding, when it is under the ceiling."""
    near = np.array(list(product((-1, 0, 1), repeat=len(point))), dtype=np.int64)
    steps = np.clip(np.round(point).astype(np.int64) + near, box.low[0], box.high[0])
    steps = np.unique(steps, axis=0)
    many = Boxes(np.repeat(box.support, len(steps), axis=0), steps, steps)
    plans = many.plans(steps, len(objective.problem.hardware.step))
    values = objective.value(plans, ceiling)
    at = int(values.argmin())
    return (float(values[at]), plans[at]) if values[at] <= ceiling else None


def _spread_out(plans: list[Int], best: Int) -> list[Int]:
    """Pick plans whose moved hardware differs most from what was picked before."""
    picked = [best]
    rest = plans
    while rest and len(picked) <= _MOST:
        distance = [
            min(int(((plan != 0) != (other != 0)).sum()) for other in picked) for plan in rest
        ]
        at = int(np.argmax(distance))
        if distance[at] == 0:
            break
        picked.append(rest[at])
        rest = rest[:at] + rest[at + 1 :]
    return picked[1:]
