"""Before/after pairs as independent rows: what all estimation sees.

Consecutive readings of a segment share runs, so their differences have covariance q G + r T, with
G = diag(gaps) and T the tridiagonal matrix of the shared reading scatter. One generalised
eigenproblem T v = lambda G v, V' G V = I, turns a segment's differences into independent rows
of variance q + r lambda; without gaps it is the sine transform (Golub and Van Loan, Matrix
Computations, 4th ed., section 8.7, from memory). It depends only on which runs were read, never on
the values of q and r, so it is done once. Where a step is less certain than others (moves that are
not made exactly, a gust), what it adds in units of q stands in G beside its gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import eigh

from adapt.learning.rows.runs import Runs, orders, track_contrasts, track_moves, vibration_moves
from adapt.rotor import Rotor

__all__ = ["MOVED", "Block", "Rows", "track_rows", "vibration_rows"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

MOVED = 1e-9  # adjuster units: a smaller harmonic sum is rounding of moves that cancel


@dataclass(frozen=True, eq=False)
class Block:
    """Where the rows of one segment and one reading pattern stand, and the way back to its pairs.

    first: its first row; channels: which it concerns; turn: V, (pair, row of the block);
    ends: (pair,) run at which each pair ends; parts: rows of one transformed pair.
    """

    first: int
    channels: Whole
    turn: Real
    ends: Whole
    parts: int


@dataclass(frozen=True, eq=False)
class Rows:
    """Independent rows of every channel; row m has variance q + r lam.

    units: how many sets of coefficients there are (a rotor, or a rotor in one frame of a sensor).
    unit: (row,); live: (row, channel), False where a channel has no such row; lam: (row, channel);
    x: (row, channel, adjuster); d: (row, channel); complex for vibration, real for track.
    moved: (unit, channel, adjuster): pairs in which the adjuster moved. blocks: the way back.
    """

    units: int
    unit: Whole
    live: Truth
    lam: Real
    x: Array
    d: Array
    moved: Whole
    blocks: tuple[Block, ...]


def vibration_rows(
    rotor: Rotor,
    runs: Runs,
    cut: Truth,
    unit: Whole,
    units: int,
    extra: Real | None = None,
    weight: Real | None = None,
) -> Rows:
    """Return the rows of all vibration channels.

    cut: (run,) True where the pair that ends at the run is not to teach. unit: (run, sensor), the
    set of coefficients that holds at each run. extra: (run, channel), what the step to each run
    adds to its run-to-run change, in units of q. weight: (run,), of which the reading variance is
    the inverse, beside repeats; None = 1.
    """
    weights = 1.0 / (runs.repeats if weight is None else runs.repeats * weight[:, None])
    sensors = np.repeat(np.arange(len(rotor.sensors)), len(rotor.regimes))
    x = vibration_moves(rotor, runs)[:, :, None, :]
    return _rows(
        runs.readings[:, :, None], weights, x, orders(rotor)[1], cut,
        unit[:, sensors], units, extra,
    )  # fmt: skip


def track_rows(
    rotor: Rotor, runs: Runs, cut: Truth, extra: Real | None = None, weight: Real | None = None
) -> Rows:
    """Return the rows of all regimes' height contrasts; a unit is a rotor, in code order.

    extra: (run, regime), and weight: (run,), as for vibration.
    """
    regimes = len(rotor.regimes)
    values = track_contrasts(runs)
    x = track_moves(runs)[None]
    unit = np.repeat(runs.rotor[:, None], regimes, axis=1)
    weights = np.ones((len(runs), regimes))
    if weight is not None:
        weights = weights / weight[:, None]
    return _rows(
        values, weights, x, np.zeros(regimes, dtype=np.int64), cut, unit, len(runs.serials), extra
    )


def _rows(
    values: Array,
    weights: Real,
    x: Array,
    kind: Whole,
    cut: Truth,
    unit: Whole,
    units: int,
    extra: Real | None,
) -> Rows:
    """Build the rows.

    values: (run, channel, part); weights: (run, channel), of the reading variance; x: (kind, run,
    part, adjuster) with kind: (channel,); cut: (run,); unit, extra: (run, channel).
    """
    runs, channels, parts = values.shape
    adjusters = x.shape[3]
    read: Truth = np.zeros((runs, channels), dtype=bool)
    if parts:
        read = np.asarray(~np.isnan(values).any(axis=2), dtype=bool)
    bounds = np.append(np.flatnonzero(cut), runs)
    segments = list(pairwise(bounds))

    blocks: list[Block] = []
    filled: list[tuple[int, Whole, Real, Array, Array]] = []
    unit_of: list[Whole] = []
    moved = np.zeros((units, channels, adjusters), dtype=np.int64)
    top = 0
    for low, high in segments:
        if high - low < 2:
            continue
        places: dict[int, int] = {}
        for members in _alike(read[low:high], weights[low:high], kind, unit[low]):
            at = np.flatnonzero(read[low:high, members[0]])
            if len(at) < 2:
                continue
            first = members[0]
            steps = at[:-1] - at[0]
            between = slice(low + at[0] + 1, low + at[-1] + 1)
            change = np.add.reduceat(x[kind[first], between], steps)
            d = np.diff(values[low + at][:, members], axis=0)
            owner = int(unit[low, first])
            moved[owner, members] += (np.abs(change) > MOVED).any(axis=1).sum(axis=0)
            start = places.setdefault(owner, top)
            if start == top:
                width = (high - low - 1) * parts
                unit_of.append(np.full(width, owner))
                top += width
            more = None
            if extra is not None and extra[between][:, members].any():
                more = np.add.reduceat(extra[between][:, members], steps)
            for which, turn, lam in _turns(at, weights[low:high, first][at], more, len(members)):
                blocks.append(Block(start, members[which], turn, low + at[1:], parts))
                turned_x = np.einsum("km,kpa->mpa", turn, change).reshape(-1, adjusters)
                turned_d = np.einsum("km,kjp->mpj", turn, d[:, which]).reshape(-1, len(which))
                filled.append((start, members[which], np.repeat(lam, parts), turned_x, turned_d))

    rows = Rows(
        units=units,
        unit=np.concatenate(unit_of) if unit_of else np.zeros(0, dtype=np.int64),
        live=np.zeros((top, channels), dtype=bool),
        lam=np.ones((top, channels)),
        x=np.zeros((top, channels, adjusters), dtype=x.dtype),
        d=np.zeros((top, channels), dtype=values.dtype),
        moved=moved,
        blocks=tuple(blocks),
    )
    for start, members, lam_rows, turned_x, turned_d in filled:
        span = slice(start, start + len(lam_rows))
        rows.live[span, members] = True
        rows.lam[span, members] = lam_rows[:, None]
        rows.x[span, members] = turned_x[:, None, :]
        rows.d[span, members] = turned_d
    return rows


def _alike(read: Truth, weights: Real, kind: Whole, unit: Whole) -> list[Whole]:
    """Return groups of channels that were read in the same runs in the same way."""
    groups: dict[tuple[bytes, bytes, int, int], list[int]] = {}
    for channel in range(read.shape[1]):
        key = (
            read[:, channel].tobytes(),
            weights[:, channel].tobytes(),
            int(kind[channel]),
            int(unit[channel]),
        )
        groups.setdefault(key, []).append(channel)
    return [np.array(members, dtype=np.int64) for members in groups.values()]


def _turns(
    at: Whole, weights: Real, more: Real | None, channels: int
) -> list[tuple[Whole, Real, Real]]:
    """Return (which channels, the turn V, lambda) of runs read at `at`.

    more: (pair, channel), what steps add in units of q; None = nothing, one turn for all channels.
    """
    gaps = np.diff(at)
    if more is None:
        turn, lam = _eigen(tuple(gaps.tolist()), tuple(weights.tolist()))
        return [(np.arange(channels), turn, lam)]
    alike = bool((more == more[:, :1]).all())
    scale = 1.0 / np.sqrt(gaps[:, None] + (more[:, :1] if alike else more)).T
    values, vectors = np.linalg.eigh(scale[:, :, None] * _shared(weights) * scale[:, None, :])
    turns = scale[:, :, None] * vectors
    if alike:
        return [(np.arange(channels), turns[0], values[0])]
    return [(np.array([j]), turns[j], values[j]) for j in range(len(scale))]


def _shared(weights: Real) -> Real:
    """Return T, the covariance of differences that share runs, for a scatter of variance 1."""
    result: Real = (
        np.diag(weights[1:] + weights[:-1]) - np.diag(weights[1:-1], 1) - np.diag(weights[1:-1], -1)
    )
    return result


@lru_cache(maxsize=4096)
def _eigen(gaps: tuple[float, ...], weights: tuple[float, ...]) -> tuple[Real, Real]:
    """Solve T v = lambda G v with V' G V = I for one pattern of gaps and reading weights."""
    lam, turn = eigh(_shared(np.array(weights)), np.diag(np.array(gaps, dtype=float)))
    lam.setflags(write=False)
    turn.setflags(write=False)
    return turn, lam
