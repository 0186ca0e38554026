"""What our own search says of a request when rules that are no bounds are left aside."""

from __future__ import annotations

from adapt.planning.aims import Answer, climb, descend, ladder_of_minutes, ladder_of_moves
from adapt.planning.asked import INSIDE, MOST_MOVES, Asked
from adapt.planning.objectives import WorstRatio
from adapt.planning.problem import Problem

__all__ = ["answer_without_rules", "most_moves"]


def answer_without_rules(problem: Problem, asked: Asked, deadline: float) -> Answer:
    """Return the answer without rules by our own search: its bounds hold under rules too."""
    objective, hardware = WorstRatio(problem), problem.hardware
    most = most_moves(asked)
    if asked.staged:
        ladder = ladder_of_minutes if asked.aim == "quickest" else ladder_of_moves
        rungs = ladder(hardware, most, asked.most_minutes)
        return climb(objective, rungs, INSIDE, deadline)
    cap = min(MOST_MOVES if most is None else most, len(hardware.step))
    return descend(objective, cap, deadline, every=False, most_minutes=asked.most_minutes)[-1]


def most_moves(asked: Asked) -> int | None:
    """Return the cap on moves of a request; None for none."""
    most = asked.most_moves
    return MOST_MOVES if most is None and not asked.staged else most
