"""The one door to a general solver: SCIP, through cvxpy (scipopt.org, cvxpy.org).

Both libraries are optional at run time. What is asked of the solver lives in `custom` (plans) and
`reading` (rules held against one plan).
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

from adapt.problems import BadInput

__all__ = ["INSTALL", "Solved", "least", "library"]

INSTALL = "pip install 'adapt[custom]'"


@dataclass(frozen=True)
class Solved:
    """What became of a model.

    found: whether its variables hold a solution now. bound: nothing that keeps the constraints is
    below it; inf where nothing keeps them. unbounded: nothing bounds the target, or nothing keeps
    the constraints.
    """

    found: bool
    bound: float
    unbounded: bool = False


def library() -> Any:
    """Return cvxpy; raise BadInput where it is not installed."""
    try:
        import cvxpy
    except ImportError:
        raise BadInput(
            "constraints of your own need the library cvxpy (and pyscipopt for those that are not "
            f"linear): {INSTALL}"
        ) from None
    return cvxpy


def least(model: Any, seconds: float) -> Solved:
    """Minimise a cvxpy problem, within some seconds; its target must have no constant terms.

    SCIP keeps lines, squares and whole numbers to 1e-6 absolute (its own setting; with smaller
    ones its linear solver complains on the terminal): who needs more asks for larger numbers.

    A model that is solved again with other values of its parameters is not made anew. Models
    without whole numbers that SCIP cannot take go to cvxpy's default solver. Raises BadInput where
    no solver can take the constraints, or the one that can is not installed.
    """
    cvxpy = library()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what is not finished is told by its bound
        try:
            data, chain, inverse = model.get_problem_data(cvxpy.SCIP)
        except cvxpy.SolverError as error:
            return _without_scip(cvxpy, model, error)
        solution = chain.solve_via_data(
            model, data, solver_opts={"scip_params": {"limits/time": seconds}}
        )
        inner = solution["model"]
        ended = inner.getStatus()
        if ended == "userinterrupt":  # SCIP takes the interrupt to itself
            raise KeyboardInterrupt
        if ended == "infeasible":
            return Solved(False, math.inf)
        if ended in ("unbounded", "inforunbd"):
            return Solved(False, -math.inf, unbounded=True)
        bound = float(inner.getDualbound())
        if "primal" not in solution:
            return Solved(False, bound if bound < inner.infinity() else -math.inf)
        if ended != "optimal":
            solution["status"] = cvxpy.settings.OPTIMAL_INACCURATE
        model.unpack_results(solution, chain, inverse)
    return Solved(True, bound)


def _without_scip(cvxpy: Any, model: Any, error: Exception) -> Solved:
    """Solve what has no whole numbers by cvxpy's default; say why where that cannot be."""
    if model.is_mixed_integer():
        if "SCIP" not in cvxpy.installed_solvers():
            raise BadInput(
                "constraints of your own that are not linear in the moves need the solver "
                f"pyscipopt, which is not installed: {INSTALL}"
            ) from error
        raise BadInput(
            "the solver cannot take your constraints together with whole steps: it takes linear "
            "ones, norms, squares and whole variables of your own; write exponentials, logarithms "
            "and matrix inequalities by these, or ask for a chance (likeliest, or a chance above "
            "0), where they are asked of plan by plan"
        ) from error
    try:
        model.solve()
    except cvxpy.SolverError as failed:
        raise BadInput(f"no solver could take your constraints: {failed}") from failed
    if model.status in ("optimal", "optimal_inaccurate"):
        return Solved(True, -math.inf)
    unbounded = "unbounded" in model.status and model.status != "infeasible_or_unbounded"
    return Solved(False, -math.inf if unbounded else math.inf, unbounded)
