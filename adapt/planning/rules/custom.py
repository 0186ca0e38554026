"""Plans under rules that the search has no bounds for, found and proven by a general solver.

For the aims by worst ratio: whole steps, second-order cones for everything with a limit, the user's
rules as they are (mixed-integer second-order cone programming). For the aims by chance the search
itself asks the rules of every plan that it would take (`objectives.ChancePenalty`).
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.asked import INSIDE, Asked
from adapt.planning.problem.forms import mean_forms
from adapt.planning.problem.values import Problem
from adapt.planning.rules.alike import alike
from adapt.planning.rules.reading import OwnRules
from adapt.planning.rules.solver import Solved, least, library
from adapt.planning.rules.without_rules import answer_without_rules
from adapt.planning.search.aims import Answer, choose
from adapt.problems import BadInput

__all__ = ["solve"]

Int = npt.NDArray[np.int64]

_LEAST_SECONDS = 0.5
_FREE = 0.25  # of the time: for what our own search says without the rules
_NEAR = 1e-6  # of costs, which are whole moves or minutes
# Ratios and values so much larger than they are come out of the solver's tolerance of 1e-6 known to
# 1e-9, and ratios near 0, which are roots of squares, to 1e-6.
_LARGER = 1000.0
_MOST_REFUSED = 50  # plans of the solver that miss a bound by its tolerance, one after the other
_TIE_SECONDS = 1.0  # for breaking ties, or as long as the search itself took


def solve(problem: Problem, rules: OwnRules, asked: Asked, deadline: float) -> Answer:
    """Return the best plan by worst ratio plus penalty, proven by the solver's own bound.

    For fewest and quickest the least moves or minutes first, with everything inside; of equal plans
    the one of fewer moves, then as `aims.choose` says. deadline: by time.monotonic(). Answer.value
    holds the penalty too. Raises BadInput when the solver is not there or cannot take the rules,
    or when the penalty is not bounded below.
    """
    if not len(problem.hardware.step):
        return _Model(problem, rules, asked, None).standing_still()
    begun = time.monotonic()
    free = answer_without_rules(problem, asked, begun + _FREE * max(deadline - begun, 0.0))
    if free.proven and free.steps is None:
        return free
    if free.proven and rules.penalty is None and rules.keeps(np.asarray(free.steps)):
        return free
    model = _Model(problem, rules, asked, free)
    return model.cheapest(deadline) if asked.staged else model.smoothest(deadline, None)


def _gap(value: float) -> float:
    return max(1e-6 * abs(value), 1e-9)


class _Model:
    """The problem in cvxpy: steps, whether each is moved, adjusters used, the worst ratio."""

    def __init__(
        self, problem: Problem, rules: OwnRules, asked: Asked, free: Answer | None
    ) -> None:
        self._problem, self._rules, self._asked = problem, rules, asked
        self._most_moves = asked.moves_cap
        self._free = free
        self._forms = mean_forms(problem, problem.hedge)
        if not len(problem.hardware.step):
            return
        cvxpy = library()
        self._cvxpy = cvxpy
        hardware = problem.hardware
        count = len(hardware.step)
        steps = cvxpy.Variable(count, integer=True)
        moved = cvxpy.Variable(count, boolean=True)
        used = cvxpy.Variable(len(hardware.access), boolean=True)
        self._steps, self._worst = steps, cvxpy.Variable(nonneg=True)
        self._value = cvxpy.Variable()
        self._kept: list[Any] = [
            rules.steps == steps,
            steps >= cvxpy.multiply(hardware.low, moved),
            steps <= cvxpy.multiply(hardware.high, moved),
            moved <= used[hardware.adjuster],
            *rules.constraints,
        ]
        if len(hardware.rows):
            self._kept += [
                hardware.rows @ steps >= hardware.row_low,
                hardware.rows @ steps <= hardware.row_high,
            ]
        labour = np.nan_to_num(hardware.minutes) @ moved + hardware.access @ used
        self._moves = cvxpy.sum(moved)
        self._cost = labour if asked.aim == "quickest" else self._moves
        if self._most_moves is not None:
            self._kept.append(self._moves <= self._most_moves)
        if asked.most_minutes is not None:
            self._kept.append(labour <= asked.most_minutes + 1e-9)
        self._sizes = self._amplitudes()

    def _amplitudes(self) -> list[Any]:
        """Return every ratio as an expression, `_LARGER` times as large."""
        forms = self._forms
        ends = [*forms.start[1:], len(forms.constant)]
        return [
            self._cvxpy.norm(
                (_LARGER * forms.matrix[a:b]) @ self._steps + _LARGER * forms.constant[a:b]
            )
            for a, b in zip(forms.start, ends, strict=True)
        ]

    def _limits(self, inside: bool) -> list[Any]:
        """Return what holds the ratios: to the worst, or all to their limits."""
        held = []
        parts = zip(self._sizes, self._problem.counted, self._problem.weight, strict=True)
        for size, counts, weight in parts:
            if counts:
                held.append(float(weight) * size <= _LARGER * self._worst)
            if inside or not counts:
                held.append(size <= _LARGER)
        return held

    def standing_still(self) -> Answer:
        """Return what is left where nothing can be moved: the plan of no moves, or none."""
        rest = np.zeros(0, dtype=np.int64)
        if not self._is_right(rest, inside=self._asked.staged):
            return Answer(None, np.inf, np.inf, np.inf, np.inf, True)
        value = self._value_of(rest)
        return Answer(rest, 0.0, 0.0, value, value, True)

    def cheapest(self, deadline: float) -> Answer:
        """Return the best plan among those of least cost with everything inside."""
        halfway = time.monotonic() + 0.5 * max(deadline - time.monotonic(), 0.0)
        held = self._limits(inside=True)
        if self._free is not None and math.isfinite(self._free.cost_bound):
            held.append(self._cost >= self._free.cost_bound - _NEAR)
        found, bound = self._best(
            self._cost, held, halfway, lambda plan: self._is_right(plan, inside=True)
        )
        if found is None:
            return Answer(None, np.inf, max(bound, 0.0), np.inf, 0.0, bound == np.inf)
        cost = self._cost_of(found)
        if self._asked.aim == "fewest":
            bound = math.ceil(bound - _NEAR) if math.isfinite(bound) else bound
        bound = cost if cost - bound <= _NEAR * max(cost, 1.0) else max(bound, 0.0)
        answer = self.smoothest(deadline, cost, found)
        return replace(answer, cost_bound=bound, proven=answer.proven and bound == cost)

    def smoothest(self, deadline: float, cost: float | None, start: Int | None = None) -> Answer:
        """Return the plan of the lowest worst ratio plus penalty, of a cost when given.

        start: a plan of that cost that is taken where time brings no better one.
        """
        inside = cost is not None
        held = self._limits(inside)
        if cost is not None:
            held.append(self._cost <= cost + _NEAR)
        free = self._free
        # What our own search proved of the least cost says nothing of plans that cost more.
        if free is not None and math.isfinite(free.value_bound) and cost in (None, free.cost):
            held.append(self._worst >= (1.0 - 1e-9) * free.value_bound)
        penalty = self._rules.penalty
        value = self._worst if penalty is None else self._worst + penalty
        held.append(self._value >= _LARGER * value)

        def right(plan: Int) -> bool:
            return self._is_right(plan, inside, cost)

        begun = time.monotonic()
        found, bound = self._best(self._value, held, deadline, right)
        bound /= _LARGER
        rest = np.zeros(len(self._problem.hardware.step), dtype=np.int64)
        known = [plan for plan in (found, start, rest) if plan is not None and right(plan)]
        if not known or bound == np.inf:
            return Answer(None, np.inf, 0.0, np.inf, bound, bound == np.inf)
        best = min(known, key=self._value_of)
        value = self._value_of(best)
        proven = value - bound <= _gap(value)
        now = time.monotonic()
        if now < deadline:
            until = min(deadline, now + max(now - begun, _TIE_SECONDS))
            best = self._of_equals(best, value, held, right, until)
        return Answer(best, self._cost_of(best), 0.0, value, min(bound, value), proven)

    def _of_equals(
        self,
        plan: Int,
        value: float,
        held: list[Any],
        right: Callable[[Int], bool],
        deadline: float,
    ) -> Int:
        """Return which of the plans as good as this one a person would rather make."""
        most = value + _gap(value)

        def equal(other: Int) -> bool:
            return right(other) and self._value_of(other) <= most

        known = [plan]
        if plan.any():
            # Moves count before the mean square, which is less than 1 of what it may be at most.
            smooth, whole = self._mean_square(value)
            target = self._moves + 0.5 / whole * smooth[0]
            fewer, _ = self._best(
                target, [*held, *smooth[1:], self._value <= _LARGER * most], deadline, equal
            )
            known += [] if fewer is None else [fewer]
        same = [other for p in known for other in alike(self._problem, self._forms, p)]
        return choose(self._problem, np.array([*known, *filter(equal, same)]))

    def _mean_square(self, value: float) -> tuple[list[Any], float]:
        """Return the sum of squared ratios with what holds it, and what it is at most."""
        cvxpy, problem = self._cvxpy, self._problem
        amplitudes, pairs = len(problem.vibration.keys), len(problem.blade_pairs)
        channels = amplitudes + len(problem.track.keys)
        ratio, total = cvxpy.Variable(max(channels, 1), nonneg=True), cvxpy.Variable(nonneg=True)
        channel = [
            *range(amplitudes),
            *(amplitudes + t for t in range(len(problem.track.keys)) for _ in range(pairs)),
        ]
        held = [
            float(weight) * size <= _LARGER * ratio[at]
            for at, size, weight in zip(channel, self._sizes, problem.weight, strict=True)
        ]
        worst = value + _gap(value)
        if self._rules.penalty is not None:  # which may be below 0
            worst = max(worst, float(problem.weighted_ratio(np.zeros(len(problem.hardware.step)))))
        held.append(cvxpy.sum_squares(ratio) <= total)
        return [total, *held], max(channels, 1) * max(worst, 1.0) ** 2

    def _value_of(self, plan: Int) -> float:
        penalty = self._rules.penalty_of(plan)
        return float(self._problem.weighted_ratio(plan)) + penalty

    def _cost_of(self, steps: Int) -> float:
        if self._asked.aim == "quickest":
            return float(self._problem.hardware.plan_minutes(steps))
        return float((steps != 0).sum())

    def _is_right(self, plan: Int, inside: bool, cost: float | None = None) -> bool:
        """Hold a plan against the bounds themselves, before anybody flies on it."""
        problem, asked = self._problem, self._asked
        moves = int((plan != 0).sum())
        if not bool(problem.hardware.allows(plan)):
            return False
        if self._most_moves is not None and moves > self._most_moves:
            return False
        most = asked.most_minutes
        if most is not None and problem.hardware.plan_minutes(plan) > most + 1e-9:
            return False
        if cost is not None and self._cost_of(plan) > cost + _NEAR:
            return False
        if float(problem.outside(plan)) > INSIDE:
            return False
        if inside and float(problem.worst_ratio(plan)) > INSIDE:
            return False
        return self._rules.keeps(plan)

    def _best(
        self, target: Any, held: list[Any], deadline: float, right: Callable[[Int], bool]
    ) -> tuple[Int | None, float]:
        """Return the plan that makes the target least, and the bound; inf where there is none.

        Plans within the solver's tolerance of a bound that are not right are cut off, one by one.
        """
        cut: list[Any] = []
        solved = Solved(False, -np.inf)
        for _ in range(_MOST_REFUSED):
            seconds = max(deadline - time.monotonic(), _LEAST_SECONDS)
            kept = [*self._kept, *held, *cut]
            solved = least(self._cvxpy.Problem(self._cvxpy.Minimize(target), kept), seconds)
            if solved.unbounded:
                # The solver may say so of what nothing keeps, too.
                any_ = least(self._cvxpy.Problem(self._cvxpy.Minimize(0.0), kept), seconds)
                if not any_.found:
                    return None, np.inf if any_.bound == np.inf else -np.inf
                raise BadInput(
                    "your penalty is not bounded below: a variable of your own in it needs a "
                    "constraint that keeps it up"
                )
            if not solved.found:
                return None, solved.bound
            plan = np.rint(self._steps.value).astype(np.int64)
            if right(plan):
                return plan, solved.bound
            cut += self._other_than(plan)
            if time.monotonic() > deadline:
                break
        return None, solved.bound

    def _other_than(self, plan: Int) -> list[Any]:
        """Return constraints that all plans of whole steps but one keep."""
        cvxpy, hardware = self._cvxpy, self._problem.hardware
        up = cvxpy.Variable(len(plan), boolean=True)
        down = cvxpy.Variable(len(plan), boolean=True)
        return [
            self._steps >= plan + 1 - cvxpy.multiply(plan + 1 - hardware.low, 1 - up),
            self._steps <= plan - 1 + cvxpy.multiply(hardware.high - plan + 1, 1 - down),
            cvxpy.sum(up) + cvxpy.sum(down) >= 1,
        ]
