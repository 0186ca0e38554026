"""What the compiled loops work on: plain arrays, bundled.

Axes: variable = something that can be moved, in whole steps; row = a square that must stay small,
x'Qx + 2 l'x + o over the steps x; channel = what a person reads (a spread is the largest of its
blade pairs' rows). A cut is a quadratic that no plan of interest can lift above its threshold.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from adapt.planning.kernel.laws import Tables
from adapt.planning.kernel.lines import Lines

__all__ = [
    "BENDS",
    "BEST",
    "BOUND_AT",
    "BOUND_B",
    "BOUND_C",
    "BOUND_G",
    "CEILING",
    "CORNERS",
    "CUT_B",
    "CUT_C",
    "CUT_EACH",
    "CUT_FALLEN",
    "CUT_INSIDE",
    "CUT_SHARE",
    "CUT_SOLVED",
    "FACTOR",
    "FIXED",
    "FOUND",
    "FREE",
    "HEIGHT",
    "HELD",
    "HIGH",
    "KEPT",
    "LAST",
    "LEAST",
    "LOST",
    "LOW",
    "LOWEST",
    "MEAN_SQUARE",
    "MOST",
    "NEW_B",
    "NEW_G",
    "NOW",
    "PLANS",
    "POINT",
    "ROOT",
    "SCALED",
    "SHARE",
    "SLOPE",
    "SOLVED",
    "STEPS",
    "TIE",
    "TRIAL",
    "WAITING",
    "WEIGHTS",
    "Best",
    "Cuts",
    "Job",
    "Law",
    "Scratch",
    "new_best",
    "new_cuts",
    "new_scratch",
]

Array = npt.NDArray[Any]

BEST, MEAN_SQUARE, CEILING, TIE = 0, 1, 2, 3  # places in Best.value
PLANS, WAITING, LOST = 0, 1, 2  # places in Best.number
# Places in Cuts.line, Cuts.value and Cuts.step.
CUT_B, CUT_EACH = 0, 1
CUT_C, CUT_SHARE, CUT_INSIDE = 0, 1, 2
CUT_SOLVED, CUT_FALLEN = 0, 1

_TIES = 256
_RATIO_TIE = 2e-10
CORNERS = 13

# Places in the parts of Scratch.
_MOVE = range(14)
(
    NOW,
    SOLVED,
    SLOPE,
    LOW,
    HIGH,
    POINT,
    TRIAL,
    STEPS,
    BOUND_B,
    BOUND_AT,
    NEW_B,
    LAST,
    LOWEST,
    BOUND_C,
) = _MOVE
_PAIR = range(3)
ROOT, BOUND_G, NEW_G = _PAIR
_ROW = range(11)
SCALED, FOUND, KEPT, WEIGHTS, FACTOR, LEAST, MOST, FIXED, HEIGHT, SHARE, BENDS = _ROW
_WHOLE = range(2)
HELD, FREE = _WHOLE
_CUTS = 48


class Law(NamedTuple):
    """What chances need; without rows where the worst ratio is sought. Axis row: what has a chance.

    Row r's mean square is the job's row r, the shared part of its variance the job's row R + r, R
    rows in all. df: (row,) 2 for amplitudes, 1 for blade pairs. base: (row,) variance that no move
    changes; inexact: (variable, row) what a move adds. group: (row,) -1, or the spread that a blade
    pair belongs to: the worst of them counts; groups: how many. form (form, variable), level
    (form,): the shared variance as sums of squares of level + form @ steps, from start[row] on.
    highest: (row,) variances no plan goes beyond. deferred: values are bounds, to be looked at.
    tables, lines: of the single penalties.
    """

    df: Array
    base: Array
    inexact: Array
    group: Array
    groups: int
    form: Array
    level: Array
    start: Array
    highest: Array
    deferred: bool
    tables: Tables
    lines: Lines


class Job(NamedTuple):
    """One planning problem. Steps are held as whole-valued floats.

    quadratic: (variable, variable, row), linear: (variable, row), offset: (row,). counted: (row,)
    whether a row counts in the worst ratio; the others must be at most 1. channel: (row,), -1 for
    the bounds of sums, which come last; channels: how many. low, high: (variable,) steps. cost:
    (variable,) moves that using it takes. partner: (variable,) one that may not be used with it, or
    -1. kind: (variable,) its adjuster. sums: (constraint, variable), sum_low, sum_high:
    (constraint,). mean_quadratic (variable, variable), mean_linear (variable,), mean_offset (1,): a
    lower bound of the mean square ratio. law: for chances.
    """

    quadratic: Array
    linear: Array
    offset: Array
    counted: Array
    channel: Array
    channels: int
    low: Array
    high: Array
    cost: Array
    partner: Array
    kind: Array
    sums: Array
    sum_low: Array
    sum_high: Array
    mean_quadratic: Array
    mean_linear: Array
    mean_offset: Array
    law: Law


class Best(NamedTuple):
    """The best plans so far: those that tie in worst ratio and in mean square ratio, or in chance.

    value: (4,) worst ratio or penalty, mean square ratio, the largest value of interest, and the
    least difference that counts. plans: (plan, variable), of which the first number[0] hold.
    waiting: (plan, variable + 1) plans whose value is a bound, which comes last, to be looked at;
    the first number[1] hold, number[2] says that there was no room for another.
    """

    value: Array
    plans: Array
    number: Array
    waiting: Array


class Cuts(NamedTuple):
    """Quadratics x'Gx + 2 b'x + c + sum over moved variables of `each`, with what they bound.

    No plan of interest, of a worst ratio up to t or a penalty up to p, lifts one above share L +
    inside with L = t^2 or p. g: (cut, variable, variable). line: (CUT_B or CUT_EACH, cut,
    variable). value: (CUT_C, CUT_SHARE or CUT_INSIDE, cut). weights: (cut, row) that it came from.
    order: (cut,) the last useful ones first; number: (1,). root (cut, move, move), step (CUT_SOLVED
    or CUT_FALLEN, cut, move), last (cut, move), depth (cut,): the factors of the support looked at
    last. Few arrays: each is a handful of values in every call, which take long to compile.
    """

    g: Array
    line: Array
    value: Array
    weights: Array
    order: Array
    number: Array
    root: Array
    step: Array
    last: Array
    depth: Array


class Scratch(NamedTuple):
    """Room to work in, made once: what stands in it holds for one call only.

    move: (place, move), pair: (place, move, move), row: (place, row), whole: (place, move) whole
    numbers, at_row: (row,), corners: (2, corner). The places have names here. BOUND_G, BOUND_B,
    BOUND_C: the quadratic that the best bound of a box comes from, BOUND_AT its minimiser there.
    """

    move: Array
    pair: Array
    row: Array
    whole: Array
    at_row: Array
    corners: Array


def new_scratch(moves: int, rows: int) -> Scratch:
    """Return room for supports of at most so many moves, and so many rows."""
    room = max(moves, 1)
    return Scratch(
        move=np.zeros((len(_MOVE), room)),
        pair=np.zeros((len(_PAIR), room, room)),
        row=np.zeros((len(_ROW), rows)),
        whole=np.zeros((len(_WHOLE), room), dtype=np.int64),
        at_row=np.zeros(rows, dtype=np.int64),
        corners=np.zeros((2, CORNERS)),
    )


def new_best(variables: int, ceiling: float, tie: float = _RATIO_TIE, waiting: int = 1) -> Best:
    """Return a record without plans.

    ceiling: the largest value of interest. tie: the least difference that counts. waiting: room.
    """
    return Best(
        value=np.array([np.inf, np.inf, ceiling, tie]),
        plans=np.zeros((_TIES, variables)),
        number=np.zeros(3, dtype=np.int64),
        waiting=np.zeros((waiting, variables + 1)),
    )


def new_cuts(variables: int, rows: int, moves: int) -> Cuts:
    """Return a store without cuts, for supports of at most so many moves."""
    n = _CUTS
    return Cuts(
        g=np.zeros((n, variables, variables)),
        line=np.zeros((2, n, variables)),
        value=np.zeros((3, n)),
        weights=np.zeros((n, rows)),
        order=np.arange(n, dtype=np.int64),
        number=np.zeros(1, dtype=np.int64),
        root=np.zeros((n, moves, moves)),
        step=np.zeros((2, n, moves + 1)),
        last=np.full((n, moves), -1, dtype=np.int64),
        depth=np.zeros(n, dtype=np.int64),
    )
