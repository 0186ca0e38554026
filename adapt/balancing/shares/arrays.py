"""What the compiled walk works on: a search as arrays, where the walk stands, the best so far."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Best", "Job", "State", "new_best", "new_state"]

Array = npt.NDArray[Any]


class Job(NamedTuple):
    """Holes in the order of the walk, and all contents of them but what needs no choice.

    ux, uy: direction of each hole, (hole,). start: its first content, (hole + 1,); contents of a
    hole stand by rising value. Of each content: hole_of; value, the unbalance it adds along the
    hole [g mm]; cost, what it adds to the first count, to pieces handled and to holes opened,
    (content, 3); draws, what it takes of each scarce kind and then of each total, (content, draw);
    fit and mass, what it adds to pieces and mass [g] fitted; rank, its place among the contents of
    its hole where all else is equal. room: what there is of each scarce kind and total. place: each
    hole's place in the file;
    rank_as_is: the ranks of holes that are left without a choice, in file order.
    least_cost, least_draw: the least that holes from one on can add, (hole + 1, count or draw).
    dx, dy, table: directions, and how far holes from one on can push along them (see `reach`).
    heavy, scarce: mass of each kind [g], the heaviest first, and its place among the scarce (-1:
    not scarce). arms: along each direction the push of 1 g in each of so many places, the farthest
    first, in holes from one on, (hole + 1, direction, places) [g mm per g]. loose: the push of all
    that can be taken out of them, (hole + 1, direction) [g mm].
    pairs: two contents of a first count of 1 in two holes, (pair, 2), in cells of a grid; cells:
    the first pair of each, column by column; grid: lowest x and y, size of a cell [g mm] (0: no
    pairs are kept), columns and rows.
    """

    ux: Array
    uy: Array
    start: Array
    hole_of: Array
    value: Array
    cost: Array
    draws: Array
    fit: Array
    mass: Array
    rank: Array
    room: Array
    place: Array
    rank_as_is: Array
    least_cost: Array
    least_draw: Array
    dx: Array
    dy: Array
    table: Array
    heavy: Array
    scarce: Array
    arms: Array
    loose: Array
    pairs: Array
    cells: Array
    grid: Array


class State(NamedTuple):
    """Where a walk stands, level by level; a level is one hole changed more.

    position: the next content to try at each level, and at the end the level, -2 before the first
    step, -1 after the last. point: what is left to correct (level, x and y) [g mm]. spent: the
    three counts so far; drawn: of scarce kinds; held: pieces and mass [g] fitted; chosen: contents.
    ready: room to count pieces by kind.
    """

    position: Array
    point: Array
    spent: Array
    drawn: Array
    held: Array
    chosen: Array
    ready: Array


class Best(NamedTuple):
    """The best so far. of: residual [g mm], pieces and mass [g] fitted, contents chosen.

    choice: the contents; rank: their ranks, hole by hole in file order.
    """

    of: Array
    choice: Array
    rank: Array


def new_state(
    depth: int, kinds: int, scarce: int, point: complex, held: tuple[float, float]
) -> State:
    """Return a walk that has not begun. point: what is to be corrected [g mm]."""
    state = State(
        position=np.zeros(depth + 2, dtype=np.int64),
        point=np.zeros((depth + 1, 2)),
        spent=np.zeros((depth + 1, 3), dtype=np.int64),
        drawn=np.zeros((depth + 1, scarce), dtype=np.int64),
        held=np.zeros((depth + 1, 2)),
        chosen=np.zeros(depth + 1, dtype=np.int64),
        ready=np.zeros(kinds, dtype=np.int64),
    )
    state.position[-1] = -2
    state.point[0] = point.real, point.imag
    state.held[0] = held
    return state


def new_best(depth: int, holes: int) -> Best:
    """Return that nothing was found yet."""
    return Best(
        of=np.array([np.inf, np.inf, np.inf, 0.0]),
        choice=np.zeros(depth + 1, dtype=np.int64),
        rank=np.full(holes, np.iinfo(np.int64).max),
    )
