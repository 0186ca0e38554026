"""Other plans of nearly the same worth that move different hardware."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from adapt.planning.search.objectives import Objective

__all__ = ["alternatives"]

Int = npt.NDArray[np.int64]

_MOST = 4


def alternatives(objective: Objective, best: Int, ceiling: float, deadline: float) -> list[Int]:
    """Return up to four plans (variable,) at or under the ceiling that move other hardware.

    They make as many moves as the best plan or fewer, each differs from it and from the others in
    what is moved, and those that differ most come first. Found by rounding and walking from there,
    so a list, not a proof.
    """
    moves = int((best != 0).sum())
    found = objective.search.others(moves, ceiling, deadline)
    found.sort(key=lambda pair: pair[0])
    return _spread_out([plan for _, plan in found], best)


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
