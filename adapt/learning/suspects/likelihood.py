"""How likely a segment's readings are: as entered, with other moves, with gusts.

Model of one line of a segment, runs k = 0..K: y = level + M c + e, level flat at the first run,
with run-to-run change q (a step may be a gust: q times GUST with probability GUST_SHARE) and
scatter r; c ~ N(mean, cov). With P the precision of the noise beside the flat level (from
differences of the runs that were read: Harville, Biometrika 61 (1974) 383, from memory) and
G = M' P M, the precision of y is P - P M K M' P with K = cov (1 + G cov)^-1, and its determinant
that of the noise times det(1 + G cov) (Woodbury). P depends only on which runs were read, so it is
worked out once for all segments; other moves change G and M' P y by sums; a shift at one step (a
gust, a change that nothing explains) is one rank more. Nothing of the size of a segment is
factorised again for a mistake.

Lines are not independent (a gust moves many at once), so log likelihoods are scaled by the share of
the lines that speaks for itself (magnitude adjustment of a composite likelihood: Ribatet, Cooley
and Davison, Statistica Sinica 22 (2012) 813, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.segments import Segments

__all__ = ["GUST", "GUST_SHARE", "ROUGH", "Likelihood", "Steps", "noise_precision"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

GUST, GUST_SHARE = 9.0, 0.08  # a step whose change is three times as large, and how often
ROUGH = 64.0  # a reading eight times as uncertain
LOOSE = 400.0  # relative variance of a step that nothing explains
LONGEST_CODE = 50  # runs whose pattern of readings fits in one number


def noise_precision(segments: Segments) -> tuple[Real, Truth]:
    """Return the noise's precision beside a flat level, (segment, line, run, run), and where read.

    0 where not read, and on lines that were read once only or that have no noise.
    """
    read = np.swapaxes(~np.isnan(segments.readings), 1, 2)
    read = read & (segments.run_var + segments.reading_var > 0)[:, None]
    count, lines, length = read.shape
    line = np.tile(np.arange(lines), count)
    step = segments.run_var[:, None] * (1.0 + np.swapaxes(segments.extra, 1, 2))
    scatter = segments.reading_var[:, None] / np.swapaxes(segments.repeats, 1, 2)
    of_line = read.reshape(-1, length)
    plain = (segments.repeats == 1.0).all(axis=(1, 2)) & (segments.extra == 0.0).all(axis=(1, 2))
    # Lines of plain segments that were read alike share one precision; any other has its own.
    key = -1 - np.arange(count * lines)
    if length <= LONGEST_CODE:
        code = (of_line @ (2 ** np.arange(length, dtype=np.int64))) * lines + line
        key = np.where(np.repeat(plain, lines), code, key)
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    each = _precisions(
        of_line[first], step.reshape(-1, length)[first], scatter.reshape(-1, length)[first]
    )
    return each[which.reshape(-1)].reshape(count, lines, length, length), read


def _precisions(read: Truth, step: Real, scatter: Real) -> Real:
    """Return the precision of each of some lines, (line, run, run).

    read: (line, run); step, scatter: (line, run), variance of the step to each run, of its reading.
    """
    count, length = read.shape
    result = np.zeros((count, length, length))
    patterns, which = np.unique(read, axis=0, return_inverse=True)
    which = which.reshape(-1)
    order = np.argsort(which, kind="stable")
    bounds = np.searchsorted(which[order], np.arange(len(patterns) + 1))
    for n, pattern in enumerate(patterns):
        at = np.flatnonzero(pattern)
        if len(at) < 2:
            continue
        rows = order[bounds[n] : bounds[n + 1]]
        gaps = np.add.reduceat(step[rows, : at[-1] + 1], at[:-1] + 1, axis=1)
        s = scatter[rows][:, at]
        one = np.arange(len(at) - 1)
        cov = np.zeros((len(rows), len(one), len(one)))
        cov[:, one, one] = gaps + s[:, 1:] + s[:, :-1]
        cov[:, one[1:], one[:-1]] = cov[:, one[:-1], one[1:]] = -s[:, 1:-1]
        difference = np.zeros((len(one), length))
        difference[one, at[1:]], difference[one, at[:-1]] = 1.0, -1.0
        result[rows] = difference.T @ np.linalg.inv(cov) @ difference
    return result


@dataclass(frozen=True, eq=False)
class Steps:
    """What a shift at each step would do to some alternatives of lines of segments.

    log_density: (alternative, line), without constants that no mistake changes. pull: (alternative,
    line, step) of the shift's score; power: likewise, its information; step k leads to run k + 1.
    owner: (alternative,), segment; corner: (segment, line, step, step), tail_m, k: what steps share
    (see `Likelihood`); shifts: those allowed for already, each with what it shares and its weight.
    """

    log_density: Real
    pull: Array
    power: Real
    owner: Whole
    corner: Real
    tail_m: Array
    k: Array
    shifts: tuple[tuple[Array, Real], ...] = ()

    def shifted(self, var: Real, half: Real) -> Real:
        """Return the gain of log density, (alternative, line, step), of one shift CN(0, var).

        var: (line,) or (alternative, line).
        """
        var = var[..., None]
        grown = 1.0 + var * self.power
        return np.asarray(-half[:, None] * (np.log(grown) - var * np.abs(self.pull) ** 2 / grown))

    def given(self, step: Whole, var: Real, half: Real) -> Steps:
        """Return the alternatives with a shift CN(0, var) at one step of each, (alternative,)."""
        row = np.arange(len(step))
        shared = self._shared(step)
        pull, power = self.pull[row, :, step], self.power[row, :, step]
        grown = 1.0 + var * power
        gain = -half * (np.log(grown) - var * np.abs(pull) ** 2 / grown)
        weight = var / grown
        left = self.pull - shared * (weight * pull)[..., None]
        seen = self.power - np.abs(shared) ** 2 * weight[..., None]
        return replace(
            self, log_density=self.log_density + gain, pull=left, power=np.maximum(seen, 0.0),
            shifts=(*self.shifts, (shared, weight)),
        )  # fmt: skip

    def _shared(self, step: Whole) -> Array:
        """Return the information that all steps share with one, (alternative, line, step)."""
        row = np.arange(len(step))
        own = (self.k @ self.tail_m[row, :, step].conj()[..., None])[..., None, :, 0]
        shared = self.corner[self.owner, :, :, step] - (self.tail_m * own).sum(axis=-1)
        for column, weight in self.shifts:
            shared = shared - column * (column[row, :, step].conj() * weight)[..., None]
        return shared


class Likelihood:
    """The likelihood of segments as entered, and what it takes to weigh mistakes against that."""

    def __init__(self, segments: Segments) -> None:
        self.segments = segments
        precision, read = noise_precision(segments)
        # Coefficients in units of their own sd: no unit of an adjuster is too large or too small.
        sd = np.sqrt(np.maximum(np.einsum("njaa->nja", segments.cov).real, 0.0))
        inverse = np.where(sd > 0, 1.0 / np.where(sd > 0, sd, 1.0), 0.0)
        self.sd = np.where(sd > 0, sd, 1.0)
        self.cov = segments.cov * (inverse[..., :, None] * inverse[..., None, :])
        self.mean = segments.mean / self.sd
        moves = np.cumsum(segments.effects(segments.amounts), axis=1)
        moves = np.swapaxes(moves, 1, 2)[:, segments.motion] * self.sd[:, :, None, :]
        moves_t = np.swapaxes(moves.conj(), -1, -2)
        y = np.swapaxes(segments.readings, 1, 2)
        error = np.where(read, y - (moves @ self.mean[..., None])[..., 0], 0.0)
        self.read, self.noise = read, precision
        self.pe = (precision @ error[..., None])[..., 0]
        self.pm = precision @ moves
        self.g = moves_t @ self.pm
        self.h = (moves_t @ self.pe[..., None])[..., 0]
        self.ee = (error.conj() * self.pe).sum(axis=-1).real
        # tail sums: a shift from run k on
        self.tail = _tail(precision, axis=-1)[..., 1:]  # (segment, line, run, step)
        self.corner = _tail(self.tail, axis=-2)[..., 1:, :]  # (segment, line, step, step)
        self.tail_e = _tail(self.pe, axis=-1)[..., 1:]
        self.tail_m = _tail(self.pm, axis=-2)[..., 1:, :]  # (segment, line, step, adjuster)

    def _solve(self, g: Array, h: Array, ee: Real, cov: Array) -> tuple[Array, Array, Real]:
        """Return K, K M' P e and the log density of each line."""
        told = np.eye(g.shape[-1]) + g @ cov
        k = cov @ np.linalg.inv(told)
        k = 0.5 * (k + np.swapaxes(k.conj(), -1, -2))
        _, log_det = np.linalg.slogdet(told)
        kh = (k @ h[..., None])[..., 0]
        square = np.maximum(ee - (h.conj() * kh).sum(axis=-1).real, 0.0)
        return k, kh, np.asarray(-self.segments.half * (log_det + square))

    @cached_property
    def _solved(self) -> tuple[Array, Array, Real]:
        return self._solve(self.g, self.h, self.ee, self.cov)

    @cached_property
    def entered(self) -> Steps:
        """The segments as entered."""
        k, kh, log_density = self._solved
        pull = self.tail_e - (self.tail_m @ kh[..., None])[..., 0]
        seen = ((self.tail_m @ k) * self.tail_m.conj()).sum(axis=-1).real
        power = np.einsum("njkk->njk", self.corner) - seen
        return Steps(
            log_density, pull, np.maximum(power, 0.0), np.arange(len(pull)), self.corner,
            self.tail_m, k,
        )  # fmt: skip

    def entered_of(self, owner: Whole) -> Steps:
        """Return some segments as entered, a segment as often as it is asked for."""
        e = self.entered
        return Steps(
            e.log_density[owner], e.pull[owner], e.power[owner], owner, self.corner,
            self.tail_m[owner], e.k[owner],
        )  # fmt: skip

    @cached_property
    def of_readings(self) -> tuple[Array, Real, Array]:
        """Score and information of a change in each reading, and what it shares with each step.

        (segment, line, run), likewise, and (segment, line, run, step).
        """
        k, kh, _ = self._solved
        pull = self.pe - (self.pm @ kh[..., None])[..., 0]
        own = np.einsum("njkk->njk", self.noise)
        own = own - ((self.pm @ k) * self.pm.conj()).sum(axis=-1).real
        shared = self.tail - self.pm @ k @ np.swapaxes(self.tail_m.conj(), -1, -2)
        return pull, np.maximum(own, 0.0), shared

    def with_moves(self, owner: Whole, step: Whole, change: Real) -> Steps:
        """Return the segments with other moves at one step each.

        owner, step: (alternative,), step 0 leads to the second run; change: (alternative, blade,
        adjuster), moves really made less those entered.
        """
        dx = self.segments.effects(change)[:, self.segments.motion] * self.sd[owner]
        row = self.tail_m[owner, :, step]  # l' P M
        corner = self.corner[owner, :, step]  # (alternative, line, step)
        own = np.take_along_axis(corner, step[:, None, None], axis=-1)
        g = self.g[owner] + dx.conj()[..., :, None] * row[..., None, :]
        g = g + row.conj()[..., :, None] * dx[..., None, :]
        g = g + own[..., None] * dx.conj()[..., :, None] * dx[..., None, :]
        more = (dx * self.mean[owner]).sum(axis=-1)  # what is expected of the change
        tail_e = self.tail_e[owner]
        here = np.take_along_axis(tail_e, step[:, None, None], axis=-1)
        h = self.h[owner] + dx.conj() * here
        h = h - (row.conj() + dx.conj() * own) * more[..., None]
        ee = self.ee[owner] - 2.0 * (more.conj() * here[..., 0]).real
        ee = ee + np.abs(more) ** 2 * own[..., 0]
        k, kh, log_density = self._solve(g, h, ee, self.cov[owner])
        tail_m = self.tail_m[owner] + corner[..., None] * dx[..., None, :]
        pull = tail_e - corner * more[..., None] - (tail_m @ kh[..., None])[..., 0]
        seen = ((tail_m @ k) * tail_m.conj()).sum(axis=-1).real
        power = np.einsum("njkk->njk", self.corner)[owner] - seen
        return Steps(log_density, pull, np.maximum(power, 0.0), owner, self.corner, tail_m, k)


def _tail(values: Array, axis: int) -> Array:
    """Return sums from each place to the end."""
    return np.flip(np.cumsum(np.flip(values, axis), axis), axis)
