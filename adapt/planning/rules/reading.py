"""Rules of the user's own, written with cvxpy: those that are bounds, and the others held to plans.

A rule is a function of what is moved (and of what is fitted then): adjuster -> blade -> cvxpy
expression in the adjuster's unit. It returns constraints, a convex penalty, or both as a pair.
Rules that are linear in the moves alone become bounds of the hardware, and the search keeps to them
like to any other; what else there is goes to the general solver of `custom`, or is asked of every
plan that the search would take. cvxpy is wanted only where there is such a function.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.rules.function import Rule, called, dense, require_finite, shown
from adapt.planning.rules.solver import least, library
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["OwnRules", "Rule", "read_rules"]

Real = npt.NDArray[np.float64]

_SLACK = 1e-9  # of the largest coefficient: what rounding leaves of a sum of whole steps
_TOLERANCE = 1e-6  # of the size of a rule that is not linear, and of 1 in its own unit
_SECONDS = 10.0  # for the helpers of one plan: far more than any needs


@dataclass(frozen=True, eq=False)
class OwnRules:
    """Rules over the steps of some hardware.

    steps: the cvxpy variable (variable,), at least one long; not held to whole numbers here, so
    that moves by hand can be asked about. rows: those that are bounds of the hardware by now,
    (variable,) with the least and the most. constraints: the others. penalty: a convex cvxpy
    expression, None when there is none. Variables that the function made itself are its helpers.
    """

    steps: Any
    constraints: tuple[Any, ...]
    penalty: Any
    rows: tuple[tuple[Real, float, float], ...]
    _known: dict[bytes, float] = field(default_factory=dict)

    @property
    def are_bounds(self) -> bool:
        """Whether nothing is left beside the bounds of the hardware."""
        return not self.constraints and self.penalty is None

    def all_kept(self, plan: npt.NDArray[Any]) -> bool:
        """Return whether a plan (variable,) keeps all rules, those that are bounds too."""
        rows = all(low <= float(row @ plan) <= high for row, low, high in self.rows)
        return rows and self.keeps(plan)

    def keeps(self, plan: npt.NDArray[Any]) -> bool:
        """Return whether a plan (variable,) keeps the constraints, for some choice of helpers."""
        return self.penalty_of(plan) < math.inf

    def penalty_at(self, plan: npt.NDArray[Any]) -> float | None:
        """Return the penalty of a plan that keeps the rules; None where there is no penalty."""
        return None if self.penalty is None else self.penalty_of(plan)

    def penalty_of(self, plan: npt.NDArray[Any]) -> float:
        """Return the least penalty of a plan (variable,) over the helpers; inf if not kept.

        Raises BadInput where whether the constraints are kept cannot be told.
        """
        amounts = np.asarray(plan, dtype=float)
        key = amounts.tobytes()
        if key not in self._known:
            self._set(amounts)
            self._known[key] = self._with_helpers(amounts) if self._helpers else self._as_set()
        return self._known[key]

    @cached_property
    def _helpers(self) -> tuple[Any, ...]:
        parts = [*self.constraints, *([] if self.penalty is None else [self.penalty])]
        every = {v.id: v for part in parts for v in part.variables()}
        every.pop(self.steps.id, None)
        return tuple(every.values())

    def _set(self, amounts: Real) -> Real:
        """Give the variable the values of a plan, and return them."""
        value = np.zeros(self.steps.size)
        value[: len(amounts)] = amounts
        self.steps.value = value
        return value

    def _as_set(self) -> float:
        """Return the penalty at the values that all variables have; inf where a rule is broken."""
        if not all(_holds(c) for c in self.constraints):
            return math.inf
        value = 0.0 if self.penalty is None else float(self.penalty.value)
        if math.isnan(value):
            raise BadInput(f"your penalty {shown(self.penalty)} gives no number for some moves")
        return value

    @cached_property
    def _for_helpers(self) -> tuple[Any, list[Any]]:
        """The plan as a parameter, and the constraints with the steps as it says."""
        at = library().Parameter(self.steps.size)
        return at, [*self.constraints, self.steps == at]

    @cached_property
    def _helped(self) -> Any:
        cvxpy = library()
        target = 0.0 if self.penalty is None else self.penalty
        return cvxpy.Problem(cvxpy.Minimize(target), self._for_helpers[1])

    def _with_helpers(self, amounts: Real) -> float:
        at, fixed = self._for_helpers
        at.value = self._set(amounts)
        solved = least(self._helped, _SECONDS)
        if solved.unbounded and self._can_be_helped(fixed):
            raise BadInput(f"your penalty {shown(self.penalty)} is not bounded below")
        if not solved.found:
            return math.inf
        whole = [h for h in self._helpers if h.attributes["integer"] or h.attributes["boolean"]]
        self._make_whole(amounts, whole)
        value = self._as_set()
        if value == math.inf and whole:
            # Whole numbers were nearly whole: the others once more, with these as they must be.
            if not self._can_be_helped([*fixed, *(h == h.value for h in whole)]):
                raise BadInput(
                    "your constraints hold numbers too far apart for the solver to tell whether "
                    "they are kept: where a boolean variable allows moves, multiply it by no more "
                    "than the largest amount that it has to allow"
                )
            self._make_whole(amounts, whole)
            value = self._as_set()
        return value

    def _make_whole(self, amounts: Real, helpers: list[Any]) -> None:
        """Take the solver's tolerance off what is known exactly."""
        self._set(amounts)
        for helper in helpers:
            helper.value = np.rint(helper.value)

    def _can_be_helped(self, fixed: list[Any]) -> bool:
        cvxpy = library()
        target = 0.0 if self.penalty is None else self.penalty
        # A penalty is bounded once whole numbers are given; without them 0 tells of keeping alone.
        bounded = len(fixed) > len(self._for_helpers[1])
        model = cvxpy.Problem(cvxpy.Minimize(target if bounded else 0.0), fixed)
        return least(model, _SECONDS).found


def _holds(constraint: Any) -> bool:
    size = max(float(np.abs(dense(arg.value)).max(initial=0.0)) for arg in constraint.args)
    return bool(np.all(constraint.value(_TOLERANCE * max(size, 1.0))))


def read_rules(rule: Rule, rotor: Rotor, hardware: Hardware) -> tuple[Hardware, OwnRules]:
    """Return the hardware with the rules that bound it, and the rules that are left.

    Raises BadInput when the function fails, returns something else, or is not convex in the moves,
    or when cvxpy is not there.
    """
    cvxpy = library()
    steps = cvxpy.Variable(max(len(hardware.step), 1), name="steps")
    moved, fitted = _expressions(cvxpy, rotor, hardware, steps)
    constraints, penalty = called(cvxpy, rule, moved, fitted)
    rows: list[tuple[Real, float, float]] = []
    left = []
    for constraint in constraints:
        own = {v.id for v in constraint.variables()} <= {steps.id}
        bound = _as_rows(cvxpy, constraint, steps, hardware) if own else None
        if bound is None:
            require_finite(constraint)
            left.append(constraint)
        else:
            rows += bound
    if penalty is not None:
        require_finite(penalty)
    if rows:
        hardware = replace(
            hardware,
            rows=np.concatenate([hardware.rows, np.array([row for row, _, _ in rows])]),
            row_low=np.concatenate([hardware.row_low, [low for _, low, _ in rows]]),
            row_high=np.concatenate([hardware.row_high, [high for _, _, high in rows]]),
        )
    return hardware, OwnRules(steps, tuple(left), penalty, tuple(rows))


def _expressions(
    cvxpy: Any, rotor: Rotor, hardware: Hardware, steps: Any
) -> tuple[Mapping[str, Mapping[str, Any]], Mapping[str, Mapping[str, Any]]]:
    """Return what is moved and what is fitted then, by adjuster and blade."""
    at = {
        (int(a), int(b)): v
        for v, (a, b) in enumerate(zip(hardware.adjuster, hardware.blade, strict=True))
    }
    moved: dict[str, dict[str, Any]] = {}
    fitted: dict[str, dict[str, Any]] = {}
    for a, adjuster in enumerate(rotor.adjusters):
        moved[adjuster.name], fitted[adjuster.name] = {}, {}
        for b, blade in enumerate(rotor.blades):
            v = at.get((a, b))
            amount = cvxpy.Constant(0.0) if v is None else float(hardware.step[v]) * steps[v]
            moved[adjuster.name][blade] = amount
            fitted[adjuster.name][blade] = float(hardware.fitted[b, a]) + amount
    return moved, fitted


def _as_rows(
    cvxpy: Any, constraint: Any, steps: Any, hardware: Hardware
) -> list[tuple[Real, float, float]] | None:
    """Return a linear constraint as rows over the steps with their bounds; None for others."""
    equal = isinstance(constraint, cvxpy.constraints.Equality | cvxpy.constraints.Zero)
    below = isinstance(constraint, cvxpy.constraints.Inequality | cvxpy.constraints.NonPos)
    if not (equal or below) or not all(arg.is_affine() for arg in constraint.args):
        return None
    gap = (
        constraint.args[0] - constraint.args[1] if len(constraint.args) == 2 else constraint.args[0]
    )
    count = len(hardware.step)
    values = []
    for x in (np.zeros(steps.size), *np.eye(steps.size)):
        steps.value = x
        values.append(np.ravel(dense(gap.value)).astype(float))
    start = values[0]
    with np.errstate(invalid="ignore"):
        matrix = (np.array(values[1:]) - start).T[:, :count]
    rows = []
    for row, rest in zip(matrix, start, strict=True):
        if below and rest == -math.inf:  # a bound at infinity binds nothing
            continue
        if math.isfinite(rest) and not np.isfinite(row).all():
            raise BadInput(f"your constraint {shown(constraint)} multiplies a move by infinity")
        reach = float(np.maximum(row * hardware.low, row * hardware.high).sum())
        least_ = float(np.minimum(row * hardware.low, row * hardware.high).sum())
        slack = _SLACK * max(float(np.abs(row).max(initial=0.0)), abs(float(rest)), 1e-300)
        if not math.isfinite(rest) or least_ > -rest + slack or (equal and reach < -rest - slack):
            raise BadInput(
                f"your constraint {shown(constraint)} cannot be kept by any move that the hardware "
                "allows"
            )
        low = -rest - slack if equal else min(least_, -rest) - 1.0
        rows.append((row, float(low), float(-rest + slack)))
    return rows
