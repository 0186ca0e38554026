"""Where a search over holes starts, and which number of pieces no answer can do with.

Two counts can come first: pieces handled, walked from what is fitted now; and pieces fitted then,
walked from empty holes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.arrays import State, new_state
from adapt.balancing.shares.contents import bounds_of
from adapt.balancing.shares.values import Holes

__all__ = ["MOST", "Start", "compass", "falling", "start_of"]

Real = npt.NDArray[np.float64]

_DIRECTIONS = 32
MOST = 120  # pieces: answers with more are not looked at
_PIECES = 4 * MOST  # whose push is bounded one by one


@dataclass(frozen=True, eq=False)
class Start:
    """Where a search starts. from_empty: holes are walked from empty, counting pieces fitted.

    rest: what is then to be corrected [g mm]. most: no answer has a larger first count. spent: the
    counts before a choice is made (first count, handled, opened); held: pieces and mass [g] fitted.
    pushed: the most that so many pieces can push, (direction, pieces) [g mm].
    scale: of what is summed up [g mm].
    """

    holes: Holes
    from_empty: bool
    rest: complex
    most: int
    spent: tuple[int, int, int]
    held: tuple[int, float]
    pushed: Real
    scale: float

    @property
    def tie(self) -> float:
        """Residuals closer than this are equal [g mm]."""
        return 1e-9 * max(self.scale, abs(self.rest))

    def least_count(self, tolerance: float) -> int | None:
        """Return a first count below which no answer can be; None when no count does."""
        wanted = (self.rest * np.conj(compass())).real - tolerance - self.tie
        enough = (self.pushed >= wanted[:, None]).all(axis=0)
        return int(enough.argmax()) if enough.any() else None

    def state(self, depth: int, scarce: int) -> State:
        """Return a walk that has not begun."""
        state = new_state(depth, len(self.holes.pieces), scarce, self.rest, self.held)
        state.spent[0] = self.spent
        return state


def start_of(holes: Holes, target: complex, from_empty: bool) -> Start:
    """Return where the search for a change of unbalance [g mm] starts."""
    masses, fitted = holes.masses, holes.fitted
    bounds = [bounds_of(hole, now, masses) for hole, now in zip(holes.holes, fitted, strict=True)]
    now_g = fitted @ masses
    most_g = np.array([bound.most_g for bound in bounds])
    count = np.array([bound.most_pieces for bound in bounds])
    heaviest = float(masses.max(initial=0.0))
    pieces = _heaviest(holes)
    lines: list[tuple[Real, float]] = []
    for direction in compass():
        along = (holes.arms * np.conj(direction)).real
        gains = most_g if from_empty else most_g - now_g
        room = np.where(along > 0.0, gains, 0.0 if from_empty else now_g)
        by_room = _in_pieces(np.abs(along), room, heaviest)
        # The heaviest pieces there are in the places that push farthest; and all that comes out.
        put = np.maximum(along, 0.0)
        places = falling(np.repeat(put, np.minimum(count, _PIECES)))[: len(pieces)]
        taken: Any = [] if from_empty else np.repeat(
            np.maximum(-along, 0.0)[:, None] * holes.masses, fitted.ravel()
        )  # fmt: skip
        by_stock = falling([*(places * pieces[: len(places)]), *taken])
        # Pushes beyond those bounded one by one are all given to the next piece.
        lines += [(by_room, float(np.abs(along) @ room))]
        lines += [(by_stock, float(put @ count * heaviest + np.sum(taken)))]
    width = max(len(line) for line, _ in lines)
    pushed = np.zeros((len(lines), width + 2))
    for row, (line, whole) in zip(pushed, lines, strict=True):
        row[1 : len(line) + 1] = line
        row[len(line) + 1] = max(whole - line.sum(), 0.0) if len(line) >= _PIECES else 0.0
    pushed = pushed.cumsum(axis=1).reshape(_DIRECTIONS, 2, -1).min(axis=1)
    total = int(fitted.sum())
    return Start(
        holes=holes,
        from_empty=from_empty,
        rest=target + (holes.unbalance(fitted) if from_empty else 0.0),
        most=int(count.sum()) if from_empty else int(count.sum()) + total,
        spent=(0, total, int((fitted.sum(axis=1) > 0).sum())) if from_empty else (0, 0, 0),
        held=(0, 0.0) if from_empty else (total, float(now_g.sum())),
        pushed=pushed,
        scale=float(np.abs(holes.arms).max() * heaviest),
    )


def _heaviest(holes: Holes) -> Real:
    """Return the masses of all pieces there are, the heaviest first [g]; no more than are used."""
    counts = [
        _PIECES if piece.stock is None else min(piece.stock + int(there), _PIECES)
        for piece, there in zip(holes.pieces, holes.fitted.sum(axis=0), strict=True)
    ]
    return falling(np.repeat(holes.masses, counts))


def _in_pieces(push: Real, room: Real, heaviest: float) -> Real:
    """Return the pushes of pieces of the heaviest kind that fill what there is room for [g mm].

    push: (hole,) of 1 g; room: (hole,) [g]; the last piece of a hole is what is left of it. The
    largest pushes first, no more than are bounded one by one.
    """
    if not heaviest:
        return np.zeros(0)
    whole = np.floor(room / heaviest + 1e-9)
    rest = np.where(room - whole * heaviest > 1e-9 * heaviest, room - whole * heaviest, 0.0)
    full = np.repeat(push * heaviest, np.minimum(whole, _PIECES).astype(np.int64))
    return falling(np.concatenate([full, (push * rest)[rest > 0.0]]))[:_PIECES]


def falling(values: Any) -> Real:
    """Return values, the largest first."""
    return np.sort(np.asarray(values, dtype=float))[::-1]


def compass() -> npt.NDArray[np.complex128]:
    """Return the directions in which what can be reached is bounded, (direction,)."""
    return np.asarray(np.exp(2j * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS))
