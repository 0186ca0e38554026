"""The ladder that a request climbs, and what our own search says of it with rules left aside."""

from __future__ import annotations

from collections.abc import Iterator

from adapt.planning.asked import INSIDE, Asked
from adapt.planning.job.hardware import Hardware
from adapt.planning.problem.values import Problem
from adapt.planning.search.aims import (
    Answer,
    Rung,
    climb,
    descend,
    ladder_of_minutes,
    ladder_of_moves,
)
from adapt.planning.search.objectives import WorstRatio

__all__ = ["answer_without_rules", "ladder_of"]


def ladder_of(asked: Asked, hardware: Hardware) -> Iterator[Rung]:
    """Return the rungs of rising moves, or of rising labour for the aim quickest."""
    ladder = ladder_of_minutes if asked.aim == "quickest" else ladder_of_moves
    return ladder(hardware, asked.moves_cap, asked.most_minutes)


def answer_without_rules(problem: Problem, asked: Asked, deadline: float) -> Answer:
    """Return the answer by worst ratio without rules: its bounds hold under rules too."""
    objective, hardware = WorstRatio(problem), problem.hardware
    if asked.staged:
        return climb(objective, ladder_of(asked, hardware), INSIDE, deadline)
    cap = min(asked.cap, len(hardware.step))
    return descend(objective, cap, deadline, every=False, most_minutes=asked.most_minutes)[-1]
