"""What a hole may hold: every content worth a look, hole by hole.

Of contents that weigh the same and draw the same on what is scarce only the best is kept: any other
could be exchanged for it in every answer.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.values import SLACK, Hole, Holes

__all__ = ["Bounds", "Contents", "TooMany", "bounds_of", "contents_of"]

Int = npt.NDArray[np.int64]
_SAME = 1e-9  # [g]: masses closer than this are one
_MOST = 200_000  # contents of one hole
_LOOKS = 1000  # states between two looks at the clock


class TooMany(Exception):  # noqa: N818
    """More contents than can be looked at, or in the time; the search says that it is not done."""


@dataclass(frozen=True)
class Bounds:
    """What one hole may carry tonight: its limits, or what it carries where that is more.

    most_g [g], most_pieces: a hole over its limit may be left, and only be changed towards it.
    """

    most_g: float
    most_pieces: int


@dataclass(frozen=True)
class Contents:
    """Contents of one hole.

    counts: (content, piece). number: pieces in each; handled: pieces put in and taken out to get
    there, (content,).
    """

    counts: Int
    number: Int
    handled: Int


def bounds_of(hole: Hole, fitted: Int, masses: npt.NDArray[np.float64]) -> Bounds:
    """Return what a hole may carry. Without a limit on pieces, mass and the lightest piece give it.

    >>> bounds_of(Hole("1", 0.0, 100.0, most_g=12.0), np.array([0]), np.array([5.0]))
    Bounds(most_g=10.0, most_pieces=2)
    """
    now_g, now = float(fitted @ masses), int(fitted.sum())
    most_g = np.inf if hole.most_g is None else max(hole.most_g, now_g)
    most = np.inf if hole.most_pieces is None else max(hole.most_pieces, now)
    if not len(masses):
        return Bounds(0.0, 0)
    most = min(most, np.floor(most_g * (1 + SLACK) / masses.min()))
    return Bounds(float(min(most_g, most * masses.max())), int(most))


def contents_of(
    holes: Holes,
    bounds: Sequence[Bounds],
    most: int,
    fitted_count: bool,
    scarce: Int,
    until: float = math.inf,
) -> list[Contents]:
    """Return what each hole may hold with at most so many pieces handled (or fitted).

    most: a cap on the pieces handled in one hole; on those fitted where fitted_count. scarce: the
    kinds of piece whose stock may bind. As is (empty, where fitted_count) always stands in it.
    until: on the monotonic clock [s]. Raises TooMany.
    """
    known: dict[tuple[Bounds, tuple[int, ...]], Contents] = {}
    found = []
    for fitted, bound in zip(holes.fitted, bounds, strict=True):
        key = (bound, tuple(int(n) for n in fitted))
        if key not in known:
            known[key] = _one(holes, key[1], bound, most, fitted_count, scarce, until)
        found.append(known[key])
    return found


def _one(
    holes: Holes,
    fitted: tuple[int, ...],
    bound: Bounds,
    most: int,
    fitted_count: bool,
    scarce: Int,
    until: float,
) -> Contents:
    scarce_kinds = set(scarce.tolist())
    room = bound.most_g * (1 + SLACK) + _SAME
    # (mass, pieces, draws on scarce kinds) -> (handled, minus the content): the smallest is kept.
    states: dict[tuple[int, int, tuple[int, ...]], tuple[int, tuple[int, ...]]]
    states = {(0, 0, ()): (0, ())}
    for kind, piece in enumerate(holes.pieces):
        now = fitted[kind]
        there = int(holes.fitted[:, kind].sum())
        top = bound.most_pieces if piece.stock is None else piece.stock + there
        grown: dict[tuple[int, int, tuple[int, ...]], tuple[int, tuple[int, ...]]] = {}
        for looked, ((mass, number, draws), (handled, content)) in enumerate(states.items()):
            if looked % _LOOKS == 0 and time.monotonic() > until:
                raise TooMany
            for n in range(min(top, bound.most_pieces - number) + 1):
                mass_then = mass + round(n * piece.mass_g / _SAME)
                if mass_then * _SAME > room:
                    break
                handled_then = handled + abs(n - now)
                if (number + n if fitted_count else handled_then) > most:
                    if n >= now:
                        break
                    continue
                key = (
                    mass_then,
                    number + n,
                    (*draws, n) if kind in scarce_kinds else draws,
                )
                value = (handled_then, (*content, -n))
                if key not in grown or value < grown[key]:
                    grown[key] = value
        states = grown
        if len(states) > _MOST:
            raise TooMany
    best: dict[tuple[int, tuple[int, ...]], tuple[int, int, tuple[int, ...]]] = {}
    for (mass, number, draws), (handled, content) in states.items():
        first, second = (number, handled) if fitted_count else (handled, number)
        whole = (first, second, content)
        if (mass, draws) not in best or whole < best[(mass, draws)]:
            best[(mass, draws)] = whole
    kept = {tuple(-n for n in content) for _, _, content in best.values()}
    counts = np.array(sorted(kept, reverse=True), dtype=np.int64).reshape(len(kept), len(fitted))
    return Contents(
        counts, counts.sum(axis=1), np.abs(counts - np.array(fitted, dtype=np.int64)).sum(axis=1)
    )
