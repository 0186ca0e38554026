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

from adapt.effects import without_rounding
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
    whole = _read_whole(read, weights, unit, extra, bounds)
    segments = list(pairwise(bounds.tolist()))

    blocks: list[Block] = []
    filled: list[tuple[Whole, Whole, Array, Array, Array]] = []
    unit_of: list[Whole] = []
    moved = np.zeros((units, channels, adjusters), dtype=np.int64)
    top = 0
    for low, length in whole:
        # Segments of one length, read alike in all channels: one turn for all.
        pairs = length - 1
        owner, ends = unit[low, 0], low[:, None] + np.arange(1, length)
        start = top + pairs * parts * np.arange(len(low))
        at = (start[:, None] + np.arange(pairs * parts)).ravel()
        top += len(at)
        unit_of.append(np.repeat(owner, pairs * parts))
        turn, lam = _eigen((1,) * pairs, tuple(weights[low[0] : low[0] + length, 0].tolist()))
        d = values[ends] - values[ends - 1]
        for k in dict.fromkeys(kind.tolist()):
            members = np.flatnonzero(kind == k)
            change = x[k][ends]
            made = (np.abs(change) > MOVED).any(axis=2).sum(axis=1)
            np.add.at(moved, (owner[:, None], members), made[:, None])
            turned_x = np.einsum("km,nkpa->nmpa", turn, change).reshape(-1, adjusters)
            turned_d = np.einsum("km,nkjp->nmpj", turn, d[:, :, members]).reshape(-1, len(members))
            repeated = np.tile(np.repeat(lam, parts), len(low))[:, None]
            filled.append((at, members, repeated, turned_x[:, None], turned_d))
            blocks += [
                Block(first, members, turn, end, parts)
                for first, end in zip(start.tolist(), ends, strict=True)
            ]
    done = {int(first) for low, _ in whole for first in low}
    for low, high in segments:
        if high - low < 2 or low in done:
            continue
        places: dict[int, int] = {}
        for members in _alike(read[low:high], weights[low:high], kind, unit[low]):
            at = np.flatnonzero(read[low:high, members[0]])
            if len(at) < 2:
                continue
            first = members[0]
            steps = at[:-1] - at[0]
            between = slice(low + at[0] + 1, low + at[-1] + 1)
            change = without_rounding(
                np.add.reduceat(x[kind[first], between], steps),
                np.add.reduceat(np.abs(x[kind[first], between]), steps),
            )
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
            turns, lam = _turns(at, weights[low:high, first][at], more)
            if len(turns) == 1:
                blocks.append(Block(start, members, turns[0], low + at[1:], parts))
            else:
                blocks += [
                    Block(start, members[j : j + 1], turn, low + at[1:], parts)
                    for j, turn in enumerate(turns)
                ]
            turned_x = np.einsum("jkm,kpa->mpja", turns, change)
            turned_d = np.einsum(
                "jkm,kjp->mpj", np.broadcast_to(turns, (len(members), *turns.shape[1:])), d
            )
            at_rows = np.arange(start, start + lam.shape[1] * parts)
            filled.append(
                (
                    at_rows,
                    members,
                    np.repeat(lam.T, parts, axis=0),
                    turned_x.reshape(len(at_rows), -1, adjusters),
                    turned_d.reshape(len(at_rows), -1),
                )
            )

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
    for at_rows, members, lam_rows, turned_x, turned_d in filled:
        span = np.ix_(at_rows, members)
        rows.live[span] = True
        rows.lam[span] = lam_rows
        rows.x[span] = turned_x
        rows.d[span] = turned_d
    return rows


def _read_whole(
    read: Truth, weights: Real, unit: Whole, extra: Real | None, bounds: Whole
) -> list[tuple[Whole, int]]:
    """Return segments of which every channel was read alike in every run, as sets of one turn.

    bounds: where segments begin, and the number of runs. Each set: first runs, and runs of each.
    """
    begins, lengths = bounds[:-1], np.diff(bounds)
    if not len(begins) or not read.shape[1]:
        return []
    alike = read.all(axis=1) & (weights == weights[:, :1]).all(axis=1)
    if extra is not None:
        alike &= ~extra.any(axis=1)
        alike[begins] |= (read & (weights == weights[:, :1])).all(axis=1)[begins]
    same = np.logical_and.reduceat(alike, begins) & (unit == unit[:, :1]).all(axis=1)[begins]
    sets: dict[tuple[int, bytes], list[int]] = {}
    for first, length in zip(begins[same].tolist(), lengths[same].tolist(), strict=True):
        if length > 1:
            key = length, weights[first : first + length, 0].tobytes()
            sets.setdefault(key, []).append(first)
    return [(np.array(firsts), length) for (length, _), firsts in sets.items()]


def _alike(read: Truth, weights: Real, kind: Whole, unit: Whole) -> list[Whole]:
    """Return groups of channels that were read in the same runs in the same way."""
    same = (read == read[:, :1]).all() and (weights == weights[:, :1]).all()
    if same and (kind == kind[0]).all() and (unit == unit[0]).all():
        return [np.arange(read.shape[1])]
    groups: dict[tuple[bytes, bytes, int, int], list[int]] = {}
    of_read, of_weights = read.T.copy(), weights.T.copy()
    for channel, key in enumerate(zip(kind.tolist(), unit.tolist(), strict=True)):
        whole = (of_read[channel].tobytes(), of_weights[channel].tobytes(), *key)
        groups.setdefault(whole, []).append(channel)
    return [np.array(members, dtype=np.int64) for members in groups.values()]


def _turns(at: Whole, weights: Real, more: Real | None) -> tuple[Real, Real]:
    """Return the turns V, (1 or channel, pair, row), and lambda of runs read at `at`.

    more: (pair, channel), what steps add in units of q; one turn for all channels where it is
    nothing, or the same for all.
    """
    gaps = np.diff(at)
    if more is None:
        turn, lam = _eigen(tuple(gaps.tolist()), tuple(weights.tolist()))
        return turn[None], lam[None]
    alike = bool((more == more[:, :1]).all())
    scale = 1.0 / np.sqrt(gaps[:, None] + (more[:, :1] if alike else more)).T
    values, vectors = np.linalg.eigh(scale[:, :, None] * _shared(weights) * scale[:, None, :])
    return scale[:, :, None] * vectors, values


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
