"""Rules of the user's own, written with cvxpy: read from a function, checked, held against plans.

A rule is a function of what is moved (and of what is fitted then): adjuster -> blade -> cvxpy
expression in the adjuster's unit. It returns constraints, a convex penalty, or both as a pair.
Rules that are linear in the moves alone become bounds of the hardware, and the search keeps to them
like to any other; what else there is goes to the general solver of `custom`, or is asked of every
plan that the search would take. cvxpy is wanted only where there is such a function.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.hardware import Hardware
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["OwnRules", "Rule", "library", "read_rules"]

Real = npt.NDArray[np.float64]

Rule = Callable[..., Any]

_SLACK = 1e-9  # of the largest coefficient: what rounding leaves of a sum of whole steps
_TOLERANCE = 1e-6  # in the rules' own units, where they are not linear


@dataclass(frozen=True, eq=False)
class OwnRules:
    """Rules over the steps of some hardware.

    steps: the cvxpy variable (variable,), whole. rows: those that are bounds of the hardware by
    now, (variable,) with the least and the most. constraints: the others. penalty: a convex cvxpy
    expression, None when there is none.
    """

    steps: Any
    constraints: tuple[Any, ...]
    penalty: Any
    rows: tuple[tuple[Real, float, float], ...]

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
        if not self.constraints:
            return True
        self.steps.value = np.asarray(plan, dtype=float)
        own = {self.steps.id}
        if all({v.id for v in c.variables()} <= own for c in self.constraints):
            return all(bool(np.all(c.value(_TOLERANCE))) for c in self.constraints)
        return self._can_be_helped(plan)

    def _can_be_helped(self, plan: npt.NDArray[Any]) -> bool:
        cvxpy = library()
        fixed = [*self.constraints, self.steps == np.asarray(plan, dtype=float)]
        problem = cvxpy.Problem(cvxpy.Minimize(0.0), fixed)
        problem.solve(solver=cvxpy.SCIP)
        return problem.status in ("optimal", "optimal_inaccurate")


def read_rules(rule: Rule, rotor: Rotor, hardware: Hardware) -> tuple[Hardware, OwnRules]:
    """Return the hardware with the rules that bound it, and the rules that are left.

    Raises BadInput when the function fails, returns something else, or is not convex in the moves,
    or when cvxpy is not there.
    """
    cvxpy = library()
    steps = cvxpy.Variable(len(hardware.step), integer=True, name="steps")
    moved, fitted = _expressions(cvxpy, rotor, hardware, steps)
    given = _called(rule, moved, fitted)
    constraints, penalty = _sorted_out(cvxpy, given)
    _require_convex(cvxpy, constraints, penalty)
    rows: list[tuple[Real, float, float]] = []
    left = []
    for constraint in constraints:
        own = {v.id for v in constraint.variables()} <= {steps.id}
        bound = _as_rows(cvxpy, constraint, steps, hardware) if own else None
        if bound is None:
            left.append(constraint)
        else:
            rows += bound
    if rows:
        hardware = replace(
            hardware,
            rows=np.concatenate([hardware.rows, np.array([row for row, _, _ in rows])]),
            row_low=np.concatenate([hardware.row_low, [low for _, low, _ in rows]]),
            row_high=np.concatenate([hardware.row_high, [high for _, _, high in rows]]),
        )
    return hardware, OwnRules(steps, tuple(left), penalty, tuple(rows))


def library() -> Any:
    """Return cvxpy; raise BadInput where it is not installed."""
    try:
        import cvxpy
    except ImportError:
        raise BadInput(
            "constraints of your own need the library cvxpy (and pyscipopt for those that are not "
            "linear): pip install 'adapt[custom]'"
        ) from None
    return cvxpy


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


def _called(rule: Rule, moved: Any, fitted: Any) -> Any:
    """Return what the function gives; one with two arguments gets what is fitted too."""
    try:
        parameters = inspect.signature(rule).parameters.values()
        positional = [
            p for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)
        ]
        needed = [p for p in positional if p.default is p.empty]
        both = len(needed) == 2 or (len(positional) >= 2 and len(needed) < 2)
    except (TypeError, ValueError):
        both = False
    try:
        return rule(moved, fitted) if both else rule(moved)
    except KeyError as error:
        known = "; ".join(f"{name}: {', '.join(blades)}" for name, blades in moved.items())
        raise BadInput(
            f"your constraints ask for {error}, which the rotor file does not have; it has {known}"
        ) from error
    except Exception as error:
        raise BadInput(f"your constraints failed: {type(error).__name__}: {error}") from error


def _sorted_out(cvxpy: Any, given: Any) -> tuple[list[Any], Any]:
    """Return constraints and penalty of what the function gave."""
    penalty = None
    if isinstance(given, tuple) and len(given) == 2 and not _is_constraint(cvxpy, given[1]):
        given, penalty = given
    if isinstance(given, cvxpy.Expression) and penalty is None:
        given, penalty = [], given
    constraints = [given] if _is_constraint(cvxpy, given) else given
    listed = isinstance(constraints, list | tuple)
    if not listed or not all(_is_constraint(cvxpy, c) for c in constraints):
        raise BadInput(
            f"your constraints gave {_kind(given)}: expected a cvxpy constraint, a list of them, a "
            "penalty (a cvxpy expression), or a pair of both"
        )
    # Comparing numbers gives a truth value: a rule over what cannot move anyhow.
    if any(isinstance(c, bool | np.bool_) and not c for c in constraints):
        raise BadInput("your constraints cannot be kept: one of them is false whatever is moved")
    if penalty is not None:
        penalty = cvxpy.Constant(penalty) if isinstance(penalty, int | float) else penalty
        if not isinstance(penalty, cvxpy.Expression) or penalty.size != 1:
            raise BadInput(
                f"your penalty is {_kind(penalty)}: expected one number as a cvxpy expression"
            )
    return [c for c in constraints if not isinstance(c, bool | np.bool_)], penalty


def _is_constraint(cvxpy: Any, value: Any) -> bool:
    return isinstance(value, cvxpy.Constraint | bool | np.bool_)


def _kind(value: Any) -> str:
    if isinstance(value, list | tuple):
        return (
            f"a {type(value).__name__} with {', '.join(sorted({type(v).__name__ for v in value}))}"
        )
    return f"a {type(value).__name__}"


def _require_convex(cvxpy: Any, constraints: list[Any], penalty: Any) -> None:
    wrong = [str(c) for c in constraints if not c.is_dcp()]
    if penalty is not None and not penalty.is_convex():
        wrong.append(f"the penalty {penalty}")
    if wrong:
        raise BadInput(
            "your constraints are not convex as cvxpy reads them, so that no answer could be "
            f"proven: {'; '.join(wrong)}. Boolean variables of your own may help"
        )


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
    for x in (np.zeros(count), *np.eye(count)):
        steps.value = x
        values.append(np.ravel(gap.value).astype(float))
    start = values[0]
    matrix = np.array(values[1:]).reshape(count, len(start)).T - start[:, None]
    rows = []
    for row, rest in zip(matrix, start, strict=True):
        reach = float(np.maximum(row * hardware.low, row * hardware.high).sum())
        least = float(np.minimum(row * hardware.low, row * hardware.high).sum())
        slack = _SLACK * max(float(np.abs(row).max(initial=0.0)), abs(float(rest)), 1e-300)
        low = -rest - slack if equal else min(least, -rest) - 1.0
        rows.append((row, float(low), float(-rest + slack)))
        if least > -rest + slack or (equal and reach < -rest - slack):
            raise BadInput(
                f"your constraint {constraint} cannot be kept by any move that the hardware allows"
            )
    return rows
