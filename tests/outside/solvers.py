"""Reference solvers of the planning problem on plain arrays: enumeration, SCIP, HiGHS.

They share nothing with `adapt.planning` and little with each other: enumeration evaluates the
definition of every ratio; SCIP gets second-order cones and integer variables; HiGHS gets linear
tangents, added until none is violated. The problem itself stands in `planning_problems`.
Sources: SCIP (scipopt.org) through pyscipopt; HiGHS (highs.dev) through highspy.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations, product
from typing import Literal

import highspy
import numpy as np
import numpy.typing as npt
import pyscipopt
from planning_problems import INSIDE, PlanningProblem, allowed, only, worst_ratio

Aim = Literal["smoothest", "fewest"]
Real = npt.NDArray[np.float64]

VIOLATION = 1e-7  # HiGHS stops adding tangents when no cone is violated by more
MOST_ROUNDS = 2000  # of adding tangents; far more than any problem here needs
MOST_CANDIDATES = 5_000_000


@dataclass(frozen=True, eq=False)
class Answer:
    """The best step counts found, their worst ratio, and how many moves they are."""

    steps: npt.NDArray[np.int64]
    worst_ratio: float
    moves: int


Solver = Callable[[PlanningProblem, Aim], Answer | None]


def by_enumeration(problem: PlanningProblem, aim: Aim) -> Answer | None:
    """Return the best of all step counts with at most the cap of moves; None when none is allowed.

    Raises ValueError when there are more than MOST_CANDIDATES of them.
    """
    choices = [
        [step for step in range(int(low), int(high) + 1) if step != 0]
        for low, high in zip(problem.lower, problem.upper, strict=True)
    ]
    best: Answer | None = None
    seen = 0
    for moves in range(problem.cap + 1):
        for moved in combinations(range(len(choices)), moves):
            grid = list(product(*(choices[i] for i in moved)))
            seen += len(grid)
            if seen > MOST_CANDIDATES:
                raise ValueError("too many step counts to enumerate")
            alone = only(problem, moved)
            n = np.array(grid, dtype=np.int64).reshape(len(grid), moves)
            n = n[allowed(alone, n)]
            worst = worst_ratio(alone, n)
            if len(n) and (best is None or worst.min() < best.worst_ratio):
                steps = np.zeros(len(choices), dtype=np.int64)
                steps[list(moved)] = n[np.argmin(worst)]
                best = Answer(steps, float(worst.min()), moves)
        if aim == "fewest" and best is not None and best.worst_ratio <= INSIDE:
            return best
    return best if aim == "smoothest" else None


@dataclass(frozen=True, eq=False)
class Cone:
    """|matrix n + offset| <= 1, or <= the worst ratio when it counts; matrix (part, variable)."""

    matrix: Real
    offset: Real
    counts: bool


def cones(problem: PlanningProblem) -> list[Cone]:
    """Return the problem's limits as second-order cones, one for each row and pair of blades."""
    found = []
    for j, limit in enumerate(problem.limit):
        mean = np.stack([problem.column[j].real, problem.column[j].imag])
        level = [problem.level[j].real, problem.level[j].imag]
        found.append(_cone(mean, level, problem.hedge[j], limit, not problem.only_inside[j]))
    for t, limit in enumerate(problem.track_limit):
        for a, b in combinations(range(problem.heights.shape[1]), 2):
            mean = (problem.track_column[t, a] - problem.track_column[t, b])[None]
            level = [problem.heights[t, a] - problem.heights[t, b]]
            hedge = problem.track_hedge[t, a, b]
            found.append(_cone(mean, level, hedge, limit, not problem.track_only_inside[t]))
    return found


def _cone(mean: Real, level: list[float], hedge: Real, limit: float, counts: bool) -> Cone:
    values, vectors = np.linalg.eigh(hedge)
    kept = values > 1e-14 * max(1.0, values.max(initial=0.0))
    root = np.sqrt(values[kept])[:, None] * vectors[:, kept].T
    offset = np.concatenate([level, np.zeros(len(root))])
    return Cone(np.concatenate([mean, root]) / limit, offset / limit, bool(counts))


def by_scip(problem: PlanningProblem, aim: Aim) -> Answer | None:
    """Return SCIP's answer to the mixed-integer second-order cone problem; None when infeasible."""
    if aim == "smoothest":
        return _scip(problem, problem.cap, fewest=False)
    fewest = _scip(problem, problem.cap, fewest=True)
    return None if fewest is None else _scip(problem, fewest.moves, fewest=False)


def _scip(problem: PlanningProblem, cap: int, fewest: bool) -> Answer | None:
    """Minimise the worst ratio, or the number of moves with every ratio at most 1."""
    model, n = scip_model(problem, cap, fewest)
    model.optimize()
    if model.getStatus() != "optimal":
        return None
    return _answer(problem, np.array([model.getVal(step) for step in n]))


def scip_within(problem: PlanningProblem, seconds: float) -> tuple[float, float, float]:
    """Return SCIP's lowest worst ratio on one thread, its bound, and the processor seconds taken.

    seconds: of the clock, after which it stops; inf where it has found nothing by then.
    """
    model, _ = scip_model(problem, problem.cap, fewest=False)
    model.setParam("limits/time", seconds)
    model.setParam("parallel/maxnthreads", 1)
    model.setParam("lp/threads", 1)
    model.setParam("limits/gap", 1e-7)
    begun = time.process_time()
    model.optimize()
    taken = time.process_time() - begun
    found = float(model.getObjVal()) if model.getNSols() else float("inf")
    return found, float(model.getDualbound()), taken


def scip_model(
    problem: PlanningProblem, cap: int, fewest: bool
) -> tuple[pyscipopt.Model, list[pyscipopt.Variable]]:
    """Return the mixed-integer second-order cone model, and its step counts."""
    model = pyscipopt.Model()
    model.hideOutput()
    model.setParam("numerics/feastol", 1e-7)
    model.setParam("limits/gap", 0.0)
    pairs = list(zip(problem.lower, problem.upper, strict=True))
    n = [model.addVar(vtype="I", lb=low, ub=high) for low, high in pairs]
    moved = [model.addVar(vtype="B") for _ in n]
    worst = model.addVar(lb=0.0, ub=1.0 if fewest else None)
    for step, is_moved, (low, high) in zip(n, moved, pairs, strict=True):
        model.addCons(step <= high * is_moved)
        model.addCons(step >= low * is_moved)
    model.addCons(pyscipopt.quicksum(moved) <= cap)
    for row, low, high in zip(problem.linear, problem.linear_low, problem.linear_high, strict=True):
        total = pyscipopt.quicksum(float(a) * step for a, step in zip(row, n, strict=True))
        model.addCons(total >= float(low))
        model.addCons(total <= float(high))
    for cone in cones(problem):
        parts = []
        for row, offset in zip(cone.matrix, cone.offset, strict=True):
            part = model.addVar(lb=None)
            terms = (float(a) * step for a, step in zip(row, n, strict=True))
            model.addCons(part == pyscipopt.quicksum(terms) + float(offset))
            parts.append(part)
        square = pyscipopt.quicksum(part * part for part in parts)
        model.addCons(square <= (worst * worst if cone.counts else 1.0))
    model.setObjective(pyscipopt.quicksum(moved) if fewest else worst)
    return model, n


def by_highs(problem: PlanningProblem, aim: Aim) -> Answer | None:
    """Return HiGHS's answer with tangents added until none is violated; None when infeasible."""
    if aim == "smoothest":
        return _highs(problem, problem.cap, fewest=False)
    fewest = _highs(problem, problem.cap, fewest=True)
    return None if fewest is None else _highs(problem, fewest.moves, fewest=False)


def _highs(problem: PlanningProblem, cap: int, fewest: bool) -> Answer | None:
    """As `_scip`. Columns: steps, whether moved, worst ratio."""
    variables = len(problem.lower)
    worst = 2 * variables
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("threads", 1)
    for tolerance in ("mip_rel_gap", "mip_abs_gap"):
        highs.setOptionValue(tolerance, 0.0)
    for tolerance in ("mip_feasibility_tolerance", "primal_feasibility_tolerance"):
        highs.setOptionValue(tolerance, 1e-9)
    for low, high in zip(problem.lower, problem.upper, strict=True):
        highs.addVar(float(low), float(high))
    for _ in range(variables):
        highs.addVar(0.0, 1.0)
    highs.addVar(0.0, 1.0 if fewest else highspy.kHighsInf)
    for i in range(2 * variables):
        highs.changeColIntegrality(i, highspy.HighsVarType.kInteger)
    for i in range(variables, worst) if fewest else [worst]:
        highs.changeColCost(i, 1.0)

    def add(low: float, high: float, row: dict[int, float]) -> None:
        index = np.array(list(row), dtype=np.int32)
        highs.addRow(low, high, len(row), index, np.array(list(row.values()), dtype=float))

    def add_tangent(cone: Cone, direction: Real) -> None:
        row = dict(enumerate(direction @ cone.matrix))
        if cone.counts:
            row[worst] = -1.0
        bound = (0.0 if cone.counts else 1.0) - float(direction @ cone.offset)
        add(-highspy.kHighsInf, bound, row)

    for i, (low, high) in enumerate(zip(problem.lower, problem.upper, strict=True)):
        add(-highspy.kHighsInf, 0.0, {i: 1.0, variables + i: -float(high)})
        add(0.0, highspy.kHighsInf, {i: 1.0, variables + i: -float(low)})
    add(-highspy.kHighsInf, float(cap), dict.fromkeys(range(variables, worst), 1.0))
    for row, low, high in zip(problem.linear, problem.linear_low, problem.linear_high, strict=True):
        add(float(low), float(high), dict(enumerate(row)))
    limits = cones(problem)
    for cone in limits:
        for axis in np.eye(len(cone.offset)):
            add_tangent(cone, axis)
            add_tangent(cone, -axis)
    for _ in range(MOST_ROUNDS):
        highs.run()
        if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        found = np.array(highs.getSolution().col_value)
        violated = False
        for cone in limits:
            point = cone.matrix @ np.round(found[:variables]) + cone.offset
            size = float(np.linalg.norm(point))
            if size > (found[worst] if cone.counts else 1.0) + VIOLATION:
                add_tangent(cone, point / size)
                violated = True
        if not violated:
            return _answer(problem, found[:variables])
    raise RuntimeError("tangents were added without end")


def _answer(problem: PlanningProblem, steps: Real) -> Answer:
    n = np.round(steps).astype(np.int64)
    return Answer(n, float(worst_ratio(problem, n)), int(np.count_nonzero(n)))


SOLVERS: dict[str, Solver] = {
    "enumeration": by_enumeration,
    "SCIP": by_scip,
    "HiGHS": by_highs,
}
