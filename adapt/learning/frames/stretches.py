"""What one sensor of one rotor shows of its coefficients, its readings told apart by frame.

A frame is a stretch of the log in which the sensor's phases mean the same thing. In frame f the
machine's own readings v are read as y = v exp(i a_f), and the coefficients' information, linear in
the readings, is a sum over frames: with Q the precision of a segment's readings beside its flat
level and M the moves summed since the segment's first run,

    H = M' Q M,   b = sum_f exp(-i a_f) b_f,  b_f = M' Q y_f,   m_fg = -y_f' Q y_g

(' = conjugate transpose; y_f: the readings, 0 where they were not read in frame f). Beside the
prior (L, l) of the coefficients (precision, and precision times mean) in frame T, and with
V = (L + H)^-1, the log likelihood of the angles is, but for a constant,

    sum_(f, g) exp(i (a_f - a_g)) (m_fg + b_f' V b_g) + 2 Re sum_f exp(i (a_T - a_f)) l' V b_f

which is exact: scatter and run-to-run change are circular, so that turning leaves their law alone,
and a segment that spans an event speaks through its level too. Finding the angles from this lives
in `angles`; which events there are in `frames`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Segment", "Sensed", "Stretch", "gather", "segments", "summed"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Sensed:
    """One sensor of one rotor, run by run in time order.

    readings: (run, regime), complex lag, NaN where not read. moves: (run, adjuster), X of the moves
    since the run before. scatter: (run, regime), r of each reading; step: (run, regime), variance
    of the change since the run before. starts: (run,), True where the level starts afresh.
    doubt: (run,), by how many times `delta` (see `gather`) the coefficients may have changed just
    before the run.
    """

    readings: Array
    moves: Array
    scatter: Real
    step: Real
    starts: Truth
    doubt: Real

    def only(self, chosen: Truth) -> Sensed:
        """Return some runs; levels start afresh where runs between were left out."""
        at = np.flatnonzero(chosen)
        jumps = np.diff(at, prepend=-2) > 1
        # A doubt before a run that was left out falls on the next one that was not.
        doubt = np.diff(np.cumsum(self.doubt)[at], prepend=0.0)
        return replace(
            self, readings=self.readings[at], moves=self.moves[at], scatter=self.scatter[at],
            step=self.step[at], starts=self.starts[at] | jumps, doubt=doubt,
        )  # fmt: skip

    def counting(self, share: Real | None) -> Sensed:
        """Return the same as it counts where coefficients are learned.

        share: (regime,), of a reading's word (see `Noise.speaking`); None = all of it.
        """
        if share is None:
            return self
        return replace(self, scatter=self.scatter / share, step=self.step / share)


@dataclass(frozen=True, eq=False)
class Stretch:
    """What readings say of coefficients, (regime * adjuster) of them, regime by regime.

    h: (size, size), b: (frame, size), m: (frame, frame), as in the module's formulas.
    log_det: log determinant of the readings' precision beside the flat levels (constants left out).
    All may have leading axes, for several shares by which jobs are apart.
    """

    h: Array
    b: Array
    m: Array
    log_det: float | Real


@dataclass(frozen=True, eq=False)
class Segment:
    """Runs with one level: rows, the doubt of the coefficients before them, and what they show."""

    rows: slice
    doubt: float
    shown: Stretch


def gather(
    sensed: Sensed,
    frame: Whole,
    frames: int,
    delta: Array,
    gain: Real | None = None,
    apart: float = 0.0,
) -> Stretch:
    """Sum what all segments show.

    frame: (run,), the frame of each run. delta: (size, size), how rotors differ. gain: (frame,), by
    which a frame multiplies levels and effects (scatter and run-to-run change are those of the
    frame as it reads); 1 when not given. apart: see `summed`.
    """
    return summed(segments(sensed, frame, frames, gain), frames, delta, apart)


def segments(sensed: Sensed, frame: Whole, frames: int, gain: Real | None = None) -> list[Segment]:
    """Return the segments between the starts of levels; arguments as in `gather`."""
    runs = len(sensed.starts)
    bounds = np.append(np.flatnonzero(np.append(True, sensed.starts[1:])), runs) if runs else [0]
    return [
        Segment(
            rows, float(sensed.doubt[rows.start]), _shown(sensed, rows, frame[rows], frames, gain)
        )
        for rows in (slice(low, high) for low, high in pairwise(np.asarray(bounds).tolist()))
    ]


def summed(
    parts: Sequence[Segment], frames: int, delta: Array, apart: float | Real = 0.0
) -> Stretch:
    """Sum what segments show of today's coefficients c.

    A segment's own are c + e, e ~ CN(0, apart delta), because each moves other blades at other
    levels; before one with doubt d all that went before is of c + e, e ~ CN(0, d delta). Both are
    integrated out (see `replaced`). apart: one share, or several, then with two axes behind.
    """
    size, is_apart = len(delta), bool(np.any(np.asarray(apart) > 0))
    told = Stretch(
        np.zeros((size, size), dtype=complex),
        np.zeros((frames, size), dtype=complex),
        np.zeros((frames, frames), dtype=complex),
        0.0,
    )
    for segment in parts:
        if segment.doubt > 0 and told.h.any():
            told = _doubted(told, segment.doubt * delta)
        part = segment.shown
        if is_apart and part.h.any():
            part = _doubted(part, apart * delta)
        told = Stretch(
            told.h + part.h, told.b + part.b, told.m + part.m, told.log_det + part.log_det
        )
    return told


def _doubted(told: Stretch, grown: Array) -> Stretch:
    """Return what is told of coefficients that differ by CN(0, grown) from those it was seen of."""
    through = np.linalg.inv(np.eye(grown.shape[-1]) + told.h @ grown)
    h = through @ told.h
    return Stretch(
        h=0.5 * (h + np.swapaxes(h, -1, -2).conj()),
        b=told.b @ np.swapaxes(through, -1, -2),
        m=told.m + told.b.conj() @ (grown @ through) @ np.swapaxes(told.b, -1, -2),
        log_det=told.log_det + np.linalg.slogdet(through)[1],
    )


def _shown(sensed: Sensed, rows: slice, frame: Whole, frames: int, gain: Real | None) -> Stretch:
    """Return what one segment shows: every regime beside its own flat level."""
    readings = sensed.readings[rows]
    read = ~np.isnan(readings)
    size = np.ones(len(frame)) if gain is None else gain[frame]
    precision, flat, log_det = _precision(sensed, rows, read, size)
    denominator = np.einsum("gk,k->g", flat, size)
    some = denominator > 0
    safe = np.where(some, denominator, 1.0)
    precision = precision - flat[:, :, None] * (flat / safe[:, None])[:, None, :]
    # A level that no other frame shares is flat as it reads, whatever the gain.
    place = np.where(read, frame[:, None], -1)
    first = place[np.argmax(read, axis=0), np.arange(read.shape[1])]
    alone = ((place == first) | (place < 0)).all(axis=0)
    own = size[np.argmax(read, axis=0)] ** 2
    shown = np.where(alone, denominator / own, denominator)
    log_det -= float(np.log(np.where(some, shown, 1.0)).sum())

    summed = np.cumsum(np.concatenate([np.zeros_like(sensed.moves[:1]), sensed.moves[rows][1:]]), 0)
    moved = summed * size[:, None]
    weighed = np.einsum("gkl,la->gka", precision, moved)
    blocks = np.einsum("ka,gkb->gab", moved.conj(), weighed)
    regimes, adjusters = len(blocks), blocks.shape[1]
    h = np.zeros((regimes, adjusters, regimes, adjusters), dtype=complex)
    h[np.arange(regimes), :, np.arange(regimes), :] = blocks
    told = np.where(read, readings, 0.0)
    by_frame = np.where(frame == np.arange(frames)[:, None], 1.0, 0.0)[:, :, None] * told
    b = np.einsum("gka,fkg->fga", weighed.conj(), by_frame)
    m = -np.einsum("fkg,gkl,hlg->fh", by_frame.conj(), precision, by_frame)
    count = regimes * adjusters
    return Stretch(h.reshape(count, count), b.reshape(frames, count), m, log_det)


def _precision(sensed: Sensed, rows: slice, read: Truth, size: Real) -> tuple[Real, Real, float]:
    """Return S^-1 (regime, run, run), S^-1 times the level's column, and log det S^-1."""
    step = sensed.step[rows].copy()
    step[0] = 0.0
    walked = np.cumsum(step, axis=0).T
    at = np.arange(len(size))
    cov = walked[:, np.minimum(at[:, None], at)]
    cov = cov + sensed.scatter[rows].T[:, :, None] * np.eye(len(size))
    both = read.T[:, :, None] & read.T[:, None, :]
    cov = np.where(both, cov, 0.0) + np.eye(len(size)) * ~read.T[:, :, None]
    inverse = np.where(both, np.linalg.inv(cov), 0.0)
    return inverse, np.einsum("gkl,l->gk", inverse, size), -float(np.linalg.slogdet(cov)[1].sum())
