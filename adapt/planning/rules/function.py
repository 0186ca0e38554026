"""Calling a function of the user's own rules, and refusing what is wrong with what it gives.

Every refusal is one BadInput that says what was found, what was expected and what to do.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from numbers import Real as RealNumber
from typing import Any

import numpy as np

from adapt.problems import BadInput

__all__ = ["Rule", "called", "dense", "require_finite", "shown"]

Rule = Callable[..., Any]
Amounts = Mapping[str, Mapping[str, Any]]

_EXPECTED = "a cvxpy constraint, a list of them, a penalty (a cvxpy expression), or a pair of both"
_MOST_SHOWN = 120  # characters of a constraint in a message


def called(cvxpy: Any, rule: Rule, moved: Amounts, fitted: Amounts) -> tuple[list[Any], Any]:
    """Return the constraints and the penalty (None when there is none) that a function gives.

    moved, fitted: adjuster -> blade -> expression; a function with two arguments gets both.
    """
    constraints, penalty = _sorted_out(cvxpy, _given(rule, moved, fitted))
    _require_usable(cvxpy, constraints, penalty)
    return constraints, penalty


def shown(constraint: Any) -> str:
    """Return a constraint as a message shows it."""
    text = str(constraint)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]} ..."


def require_finite(part: Any) -> None:
    """Raise BadInput for a constraint or penalty with an infinite number in it."""
    if any(np.isinf(dense(leaf.value)).any() for leaf in _numbers(part)):
        raise BadInput(
            f"your constraints hold an infinite number: {shown(part)}; leave out what binds nothing"
        )


def _given(rule: Rule, moved: Amounts, fitted: Amounts) -> Any:
    if not callable(rule):
        raise BadInput(
            f"your constraints are {_kind(rule)}: expected a function of what is moved, and of "
            "what is fitted then where it takes two arguments"
        )
    try:
        return rule(moved, fitted) if _takes_both(rule) else rule(moved)
    except KeyError as error:
        known = "; ".join(f"{name}: {', '.join(blades)}" for name, blades in moved.items())
        raise BadInput(
            f"your constraints ask for {error}, which the rotor file does not have; it has {known}"
        ) from error
    except NotImplementedError as error:
        raise BadInput(f"your constraints failed: {error} (cvxpy has <=, >= and ==)") from error
    except Exception as error:
        raise BadInput(f"your constraints failed: {type(error).__name__}: {error}") from error


def _takes_both(rule: Rule) -> bool:
    try:
        parameters = inspect.signature(rule).parameters.values()
    except (TypeError, ValueError):
        return False
    positional = [p for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    needed = [p for p in positional if p.default is p.empty]
    return len(needed) == 2 or (len(positional) >= 2 and len(needed) < 2)


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
        raise BadInput(f"your constraints gave {_kind(given)}: expected {_EXPECTED}")
    # Comparing numbers gives a truth value: a rule over what cannot move anyhow.
    if any(isinstance(c, bool | np.bool_) and not c for c in constraints):
        raise BadInput("your constraints cannot be kept: one of them is false whatever is moved")
    if penalty is not None:
        number = isinstance(penalty, RealNumber | np.number) and not isinstance(penalty, bool)
        penalty = cvxpy.Constant(penalty) if number else penalty
        if not isinstance(penalty, cvxpy.Expression) or penalty.size != 1:
            raise BadInput(
                f"your penalty is {_kind(penalty)}: expected one number as a cvxpy expression"
            )
        penalty = cvxpy.sum(penalty)
    return [c for c in constraints if not isinstance(c, bool | np.bool_)], penalty


def _is_constraint(cvxpy: Any, value: Any) -> bool:
    return isinstance(value, cvxpy.Constraint | bool | np.bool_)


def _kind(value: Any) -> str:
    if isinstance(value, list | tuple):
        return (
            f"a {type(value).__name__} with {', '.join(sorted({type(v).__name__ for v in value}))}"
        )
    return f"a {type(value).__name__}"


def _require_usable(cvxpy: Any, constraints: list[Any], penalty: Any) -> None:
    parts = [*constraints, *([] if penalty is None else [penalty])]
    for part in parts:
        where = f"the penalty {shown(part)}" if part is penalty else shown(part)
        args = [part] if part is penalty else part.args
        if any(parameter.value is None for parameter in part.parameters()):
            raise BadInput(
                f"your constraints hold a cvxpy parameter without a value: {where}; give it one"
            )
        if any(arg.is_complex() for arg in args):
            raise BadInput(
                f"your constraints hold complex numbers: {where}; amounts are real, so write the "
                "real and imaginary parts as constraints of their own"
            )
        if any(np.isnan(dense(leaf.value)).any() for leaf in _numbers(part)):
            raise BadInput(
                f"your constraints hold a number that is not one (NaN): {where}; look where it "
                "comes from"
            )
    wrong = [shown(c) for c in constraints if not c.is_dcp()]
    if penalty is not None and not penalty.is_convex():
        wrong.append(f"the penalty {shown(penalty)}")
    if wrong:
        raise BadInput(
            "your constraints are not convex as cvxpy reads them, so that no answer could be "
            f"proven: {'; '.join(wrong)}. Boolean variables of your own may help"
        )


def _numbers(part: Any) -> list[Any]:
    return [*part.constants(), *part.parameters()]


def dense(value: Any) -> Any:
    """Return the value of a cvxpy expression as an array, also where it is a sparse one."""
    return value.toarray() if hasattr(value, "toarray") else np.asarray(value)
