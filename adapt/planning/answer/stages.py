"""Work in stages: what the stage after a plan is expected to need, from simulated next runs."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.planning.answer.moves import moves_of_steps
from adapt.planning.asked import Asked
from adapt.planning.case import Case
from adapt.planning.job.next_run import after_next_run
from adapt.planning.plan import Move, NextStage
from adapt.planning.search.aims import Answer
from adapt.planning.searching import Search
from adapt.problems import BadInput

__all__ = ["next_stage"]

Real = npt.NDArray[np.float64]

_MOST_DRAWS = 60
_SEED = 20260102
_EACH = 1.0  # seconds, at most, for the plan of one simulated run


def next_stage(case: Case, asked: Asked, amounts: Real, deadline: float) -> NextStage:
    """Return what the run after these moves is expected to need for everything to be inside.

    case: of this stage. asked: the request, whose whole scope the next stage has. amounts: (blade,
    adjuster) of this stage's moves. Next runs are drawn until the deadline, by time.monotonic().
    What cannot be planned then is no fault of this stage: it is said in `why`.
    """
    try:
        return _next_stage(case, asked, amounts, deadline)
    except BadInput as error:
        return NextStage((), 0.0, {}, str(error))


def _next_stage(case: Case, asked: Asked, amounts: Real, deadline: float) -> NextStage:
    scope = replace(asked.scope, vibration=True, track=True)
    fitted = case.fitted.after(amounts)
    whole = case.standing_at(case.standing, case.fitted, scope)

    def planned(rng: np.random.Generator | None, seconds: float) -> tuple[Case, Answer, bool]:
        after = after_next_run(case.rotor, case.coefficients, case.standing, amounts, rng)
        there = whole.standing_at(after, fitted, scope)
        search = Search(there.problem, asked, time.monotonic(), seconds, there.rules)
        answer, feasible = search.answer()
        return there, answer, feasible

    begun = time.monotonic()
    there, answer, _ = planned(None, max(0.25 * (deadline - begun), 0.05))
    moves: tuple[Move, ...] = ()
    chance = 0.0
    if answer.steps is not None:
        moves = moves_of_steps(case.rotor, there.hardware, answer.steps)
        chance = float(there.problem.chances(answer.steps))
    counts: Counter[int] = Counter()
    rng = np.random.default_rng(_SEED)
    while counts.total() < _MOST_DRAWS and (now := time.monotonic()) < deadline:
        _, drawn, feasible = planned(rng, min(_EACH, deadline - now))
        steps = drawn.steps
        counts[int((steps != 0).sum()) if feasible and steps is not None else -1] += 1
    return NextStage(moves, chance, dict(sorted(counts.items())))
