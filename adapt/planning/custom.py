"""Plans under rules that the search has no bounds for: the one door to a general solver.

For the aims by worst ratio: whole steps, second-order cones for everything with a limit, the user's
rules as they are; SCIP through cvxpy (scipopt.org, cvxpy.org). For the aims by chance the search
itself asks the rules of every plan that it would take (`objectives.Ruled`).
"""

from __future__ import annotations

import math
import time
import warnings
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.aims import Answer
from adapt.planning.asked import INSIDE, MOST_MOVES, Asked
from adapt.planning.forms import mean_forms
from adapt.planning.own_rules import OwnRules, library
from adapt.planning.problem import Problem
from adapt.problems import BadInput

__all__ = ["solve"]

Int = npt.NDArray[np.int64]

_EXACT = {"numerics/feastol": 1e-9, "numerics/dualfeastol": 1e-9}
_LEAST_SECONDS = 0.5
_NEAR = 1e-6  # what the solver's numbers may differ from the exact ones


def solve(problem: Problem, rules: OwnRules, asked: Asked, deadline: float) -> Answer:
    """Return the best plan by worst ratio plus penalty, proven by the solver's own bound.

    For fewest and quickest the least moves or minutes first, with everything inside. deadline: by
    time.monotonic(). Raises BadInput when the solver is not there or cannot take the rules.
    """
    model = _Model(problem, rules, asked)
    if not asked.staged:
        return model.smoothest(deadline, None)
    return model.cheapest(deadline)


class _Model:
    """The problem in cvxpy: steps, whether each is moved, adjusters used, the worst ratio."""

    def __init__(self, problem: Problem, rules: OwnRules, asked: Asked) -> None:
        cvxpy = library()
        self._cvxpy, self._problem, self._rules = cvxpy, problem, rules
        hardware = problem.hardware
        count = len(hardware.step)
        steps = rules.steps
        moved = cvxpy.Variable(count, boolean=True)
        used = cvxpy.Variable(len(hardware.access), boolean=True)
        self._worst = cvxpy.Variable(nonneg=True)
        self._kept: list[Any] = [
            steps >= cvxpy.multiply(hardware.low, moved),
            steps <= cvxpy.multiply(hardware.high, moved),
            moved <= used[hardware.adjuster] if count else used >= 0,
            *rules.constraints,
        ]
        if len(hardware.rows):
            self._kept += [
                hardware.rows @ steps >= hardware.row_low,
                hardware.rows @ steps <= hardware.row_high,
            ]
        self._labour = np.nan_to_num(hardware.minutes) @ moved + hardware.access @ used
        self._moves = cvxpy.sum(moved)
        self._cost = self._labour if asked.aim == "quickest" else self._moves
        most = asked.most_moves
        if most is None and not asked.staged:
            most = MOST_MOVES
        if most is not None:
            self._kept.append(self._moves <= most)
        if asked.most_minutes is not None:
            self._kept.append(self._labour <= asked.most_minutes + 1e-9)
        self._sizes = self._amplitudes()

    def _amplitudes(self) -> list[Any]:
        forms = mean_forms(self._problem, self._problem.hedge)
        ends = [*forms.start[1:], len(forms.constant)]
        return [
            self._cvxpy.norm(forms.matrix[a:b] @ self._rules.steps + forms.constant[a:b])
            for a, b in zip(forms.start, ends, strict=True)
        ]

    def _limits(self, inside: bool) -> list[Any]:
        """Return what holds the ratios: to the worst, or all to their limits."""
        held = []
        parts = zip(self._sizes, self._problem.counted, self._problem.weight, strict=True)
        for size, counts, weight in parts:
            if counts:
                held.append(float(weight) * size <= self._worst)
            if inside or not counts:
                held.append(size <= 1.0)
        return held

    def cheapest(self, deadline: float) -> Answer:
        """Return the best plan among those of least cost with everything inside."""
        halfway = time.monotonic() + 0.5 * max(deadline - time.monotonic(), 0.0)
        found, bound = self._run(self._cost, self._limits(inside=True), halfway)
        if found is None:
            return Answer(None, np.inf, bound, np.inf, 0.0, bound == np.inf)
        cost = self._cost_of(found)
        answer = self.smoothest(deadline, cost)
        if answer.steps is None:  # time ended: what the first stage found
            answer = self._answer(found, -np.inf)
        rounded = cost if cost - bound <= _NEAR * max(cost, 1.0) else bound
        proven = answer.proven and rounded == cost
        return Answer(answer.steps, cost, rounded, answer.value, answer.value_bound, proven)

    def smoothest(self, deadline: float, cost: float | None) -> Answer:
        """Return the plan of the lowest worst ratio plus penalty, of a cost when given."""
        held = self._limits(inside=cost is not None)
        if cost is not None:
            held.append(self._cost <= cost + 1e-6)
        target = self._worst
        if self._rules.penalty is not None:
            target = target + self._rules.penalty
        found, bound = self._run(target, held, deadline)
        if found is None:
            return Answer(None, np.inf, 0.0, np.inf, bound, bound == np.inf)
        return self._answer(found, bound)

    def _answer(self, steps: Int, bound: float) -> Answer:
        value = float(self._problem.weighted_ratio(steps))
        if self._rules.penalty is not None:
            self._rules.steps.value = steps.astype(float)
            value += float(self._rules.penalty.value)
        gap = max(_NEAR * abs(value), 1e-9)
        proven = value - bound <= 2.0 * gap
        return Answer(steps, self._cost_of(steps), 0.0, value, value if proven else bound, proven)

    def _cost_of(self, steps: Int) -> float:
        if self._cost is self._labour:
            return float(self._problem.hardware.plan_minutes(steps))
        return float((steps != 0).sum())

    def _run(self, target: Any, held: list[Any], deadline: float) -> tuple[Int | None, float]:
        """Return the plan that makes the target least, and the bound; inf where there is none."""
        cvxpy = self._cvxpy
        model = cvxpy.Problem(cvxpy.Minimize(target), [*self._kept, *held])
        seconds = max(deadline - time.monotonic(), _LEAST_SECONDS)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what is not finished is told by its bound
                model.solve(solver=cvxpy.SCIP, scip_params={**_EXACT, "limits/time": seconds})
        except cvxpy.SolverError as error:
            raise BadInput(
                f"no solver could take your constraints ({error}); those that are not linear need "
                "pyscipopt: pip install 'adapt[custom]'"
            ) from error
        if model.status in ("infeasible", "infeasible_or_unbounded"):
            return None, np.inf
        if model.status not in ("optimal", "optimal_inaccurate", "user_limit"):
            raise BadInput(
                f"the solver ended with '{model.status}': is your penalty bounded below?"
            )
        bound = _dual_bound(model)
        value = self._rules.steps.value
        if value is None:
            return None, bound if bound < np.inf else -np.inf
        steps = np.rint(value).astype(np.int64)
        self._require_right(steps)
        return steps, bound

    def _require_right(self, steps: Int) -> None:
        """Hold the solver's plan against the bounds themselves before anybody flies on it."""
        kept = bool(self._problem.hardware.allows(steps)) and self._rules.keeps(steps)
        over = float(self._problem.outside(steps)) - INSIDE
        if not kept or over > _NEAR:
            raise ArithmeticError("the general solver's plan does not keep the bounds")


def _dual_bound(model: Any) -> float:
    """Return what the solver proved, in the terms of the target."""
    stats = model.solver_stats
    extra = stats.extra_stats if stats is not None else None
    inner = (extra or {}).get("model")
    if inner is None:
        return float(model.value) if model.status == "optimal" else -math.inf
    bound = float(inner.getDualbound())
    # cvxpy leaves constants of the target out of what the solver sees.
    shift = float(model.value) - float(inner.getPrimalbound()) if model.value is not None else 0.0
    return bound + (shift if math.isfinite(shift) else 0.0)
