"""One request's searches, within one time budget: the aim's answer, its trade-off, other plans."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.planning.asked import INSIDE, Asked
from adapt.planning.problem.values import Problem
from adapt.planning.rules.custom import solve
from adapt.planning.rules.reading import OwnRules
from adapt.planning.rules.without_rules import ladder_of
from adapt.planning.search.aims import Answer, cheapest, climb, descend
from adapt.planning.search.alternatives import alternatives
from adapt.planning.search.objectives import ChancePenalty, Objective, WorstRatio
from adapt.problems import BadInput

__all__ = ["Search"]

Int = npt.NDArray[np.int64]

LEAST_CHANCE = 0.01  # where no plan has as much, the smoothest is the nearest


class Search:
    """The searches of a request on a problem.

    begun: by time.monotonic(); seconds: the budget from then on, of which some 0.6 go to the aim,
    the rest to what stands beside it. rules: the user's own that are not bounds of the hardware.
    """

    def __init__(
        self,
        problem: Problem,
        asked: Asked,
        begun: float,
        seconds: float,
        rules: OwnRules | None = None,
    ) -> None:
        self._problem, self._asked = problem, asked
        self._begun, self._seconds = begun, seconds
        self._rules = None if rules is None or rules.are_bounds else rules
        if self._rules is not None and self._rules.penalty is not None and asked.by_chance:
            raise BadInput(
                "a penalty of your own goes with worst ratios: ask for smoothest, or for chance 0"
            )
        keeps = None if self._rules is None else self._rules.keeps
        self._ratio, self._chance = WorstRatio(problem), ChancePenalty(problem, keeps)
        self._ladder: list[Answer] | None = None
        self._by_chance = asked.by_chance

    @property
    def objective(self) -> Objective:
        """What the answer was made small in."""
        return self._chance if self._by_chance else self._ratio

    @property
    def by_chance(self) -> bool:
        """Whether the answer's value is that of a chance, rather than a worst ratio."""
        return self._by_chance

    def answer(self) -> tuple[Answer, bool]:
        """Return the aim's answer (or its fallback), and whether it reaches the limits."""
        asked = self._asked
        if self._rules is not None and not asked.by_chance:
            return self._by_rules(asked)
        self.tradeoff()
        ladder = ladder_of(asked, self._problem.hardware)
        if asked.run_minutes is not None:
            answer = cheapest(self._chance, ladder, asked.run_minutes, self._until(0.6))
        elif asked.staged:
            answer = climb(self.objective, ladder, asked.target, self._until(0.6))
            if answer.steps is not None:
                return answer, True
            fallback = self._nearest()
            return replace(fallback, proven=answer.proven and fallback.proven), False
        elif asked.aim == "likeliest":
            answer = self._likeliest()
        else:
            answer = self._smoothest()
        return answer, self._is_inside(answer)

    def _by_rules(self, asked: Asked) -> tuple[Answer, bool]:
        """Return the aim's answer by the general solver, for worst ratios under rules."""
        assert self._rules is not None
        answer = solve(self._problem, self._rules, asked, self._until(0.6))
        if asked.staged and answer.steps is None:
            nearest = solve(self._problem, self._rules, asked.smoothest(), self._until(0.9))
            return replace(nearest, proven=answer.proven and nearest.proven), False
        return answer, asked.staged or self._is_inside(answer)

    def _is_inside(self, answer: Answer) -> bool:
        if answer.steps is None:
            return False
        inside = float(self._problem.worst_ratio(answer.steps)) <= INSIDE
        return inside and float(self._problem.outside(answer.steps)) <= INSIDE

    def _nearest(self) -> Answer:
        """Return the plan that comes nearest where none reaches the target."""
        if self._asked.by_chance:
            answer = self._likeliest(-math.log(LEAST_CHANCE))
            if answer.value <= -math.log(LEAST_CHANCE):
                return answer
            smoothest = self._smoothest()
            self._by_chance = False
            return replace(smoothest, proven=answer.proven and smoothest.proven)
        return self._smoothest()

    def _likeliest(self, ceiling: float = np.inf) -> Answer:
        """Return the likeliest plan within the caps; its penalty is at most the ceiling, or inf."""
        smooth = [other.steps for other in self.tradeoff() if other.steps is not None]
        start = np.array(smooth) if smooth else None
        answer = descend(
            self._chance,
            self._cap,
            self._until(0.9),
            every=False,
            start=start,
            most_minutes=self._asked.most_minutes,
            ceiling=ceiling,
        )[-1]
        if answer.proven or start is None:
            return answer
        # Time ended first: a smooth plan may be likelier than what the search came to.
        values = self._chance.value(start, np.inf)
        best = int(values.argmin())
        if answer.steps is None or values[best] < answer.value:
            value, steps = float(values[best]), start[best]
            moves = float((steps != 0).sum())
            answer = Answer(steps, moves, 0.0, value, min(answer.value_bound, value), False)
        return answer

    def tradeoff(self) -> list[Answer]:
        """Return the smoothest plans with at most 0, 1, ... moves.

        Quick where a chance is searched for, which needs most of the time and starts from them.
        None under rules that are not bounds.
        """
        if self._rules is not None:
            return []
        if self._ladder is None:
            until = self._until(0.3 if self._asked.by_chance else 0.9)
            self._ladder = descend(
                self._ratio, self._cap, until, most_minutes=self._asked.most_minutes
            )
        return self._ladder

    def lower_bound(self, answer: Answer, feasible: bool) -> float:
        """Return what is proven of the aim's first stage."""
        if self._asked.run_minutes is not None or (self._asked.staged and feasible):
            return answer.cost_bound
        return self._bound_of(answer)

    def second_bound(self, answer: Answer, feasible: bool) -> float | None:
        """Return what is proven of the second stage of fewest and quickest."""
        if self._asked.run_minutes is None and self._asked.staged and feasible:
            return self._bound_of(answer)
        return None

    def alternatives(self, answer: Answer, feasible: bool) -> list[Int]:
        """Return plans of nearly the same worth that move other hardware."""
        if answer.steps is None or not answer.steps.any():
            return []
        if self._rules is not None and not self._by_chance:
            return []
        margin = 0.05 if self._by_chance else 0.1 * answer.value
        ceiling = answer.value + margin
        if self._asked.staged and feasible:
            ceiling = min(ceiling, self._asked.target)
        found = alternatives(self.objective, answer.steps, ceiling, self._until(1.0))
        most = self._asked.most_minutes
        if most is None:
            return found
        return [plan for plan in found if self._problem.hardware.plan_minutes(plan) <= most + 1e-9]

    @property
    def _cap(self) -> int:
        return min(self._asked.cap, len(self._problem.hardware.step))

    def _until(self, share: float) -> float:
        return self._begun + share * self._seconds

    def _smoothest(self) -> Answer:
        if self._rules is not None:
            return solve(self._problem, self._rules, self._asked.smoothest(), self._until(0.9))
        return self.tradeoff()[-1]

    def _bound_of(self, answer: Answer) -> float:
        bound = answer.value_bound
        return math.exp(-bound) if self._by_chance else bound
