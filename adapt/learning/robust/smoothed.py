"""What the readings say of each run's own scatter and of each step's own change.

For one channel of one segment, differences of consecutive readings d = X c + S w + E e have the
covariance V = S Q S' + E R E', with S and E of 0 and +-1: the steps that a difference spans and the
readings it is made of. With c ~ (m, C) given all data, p = V^-1 (d - X m) and the column a of E
that belongs to run k,

    E[|e_k|^2 | data] = R_k + R_k^2 (|a' p|^2 + a' V^-1 X C X' V^-1 a - a' V^-1 a)

and the same of a step with the column of S and Q. Best linear prediction, exact for normal noise
at the given variances (Searle, Casella and McCulloch, Variance Components, Wiley 1992, chapter 7,
from memory). Divided by R_k it loses nothing where a variance is next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Noises", "Squares", "smoothed_squares"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Noises:
    """Variances of every run of every line, each (line, run).

    reading: of the reading; step: of the change since the run before, without what inexact moves
    add, and with it (whole_step).
    """

    reading: Real
    step: Real
    whole_step: Real


@dataclass(frozen=True, eq=False)
class Squares:
    """Mean squares over their variances, summed over parts, each (line, run); 0 where none shows.

    reading_shown, step_shown: whether any difference holds that reading or step.
    """

    reading: Real
    step: Real
    reading_shown: Truth
    step_shown: Truth


def smoothed_squares(
    values: Array, moves: Array, mean: Array, cov: Array, noises: Noises
) -> Squares:
    """Return E[|e_k|^2 | data] / R_k and E[|w_k|^2 | data] / Q_k.

    A line is a channel of a segment; all have the same number of runs. values: (line, run, part),
    NaN where not read; moves: (line, run, part, adjuster), X of the moves since the run before (the
    first run's are not used); mean: (line, adjuster); cov: (line, adjuster, adjuster).
    """
    runs, parts = values.shape[1:3]
    read: Truth = np.asarray(~np.isnan(values).any(axis=2), dtype=bool)
    ends, steps = _differences(read)
    live = (ends != 0).any(axis=2)
    size = (noises.reading + noises.whole_step).mean(axis=1)
    of_reading, of_step, of_whole_step = (
        v / size[:, None] for v in (noises.reading, noises.step, noises.whole_step)
    )
    var = (steps * of_whole_step[:, None]) @ steps.transpose(0, 2, 1)
    var = var + (ends * of_reading[:, None]) @ ends.transpose(0, 2, 1)
    inverse = np.linalg.inv(var + ~live[:, :, None] * np.eye(runs))
    root = np.sqrt(size)[:, None, None]
    d = np.einsum("nkl,nlp->nkp", ends, np.where(read[:, :, None], values, 0.0)) / root
    x = np.einsum("nkl,nlpa->nkpa", steps, moves) / root[..., None]
    left = d - np.einsum("nkpa,na->nkp", x, mean)

    def squares(columns: Real, variance: Real) -> tuple[Real, Truth]:
        shown = (columns != 0).any(axis=1)
        turned = columns.transpose(0, 2, 1) @ inverse
        pulled = (np.abs(turned @ left) ** 2).sum(axis=2)
        seen = np.einsum("nkl,nlpa->nkpa", turned, x)
        doubt = np.einsum("nkpa,nab,nkpb->nk", seen, cov, seen.conj()).real
        told = pulled + doubt - parts * np.einsum("nkl,nlk->nk", turned, columns)
        return np.where(shown, np.maximum(parts + variance * told, 0.0), 0.0), shown

    reading, reading_shown = squares(ends, of_reading)
    step, step_shown = squares(steps, of_step)
    return Squares(reading, step, reading_shown, step_shown)


def _differences(read: Truth) -> tuple[Real, Real]:
    """Return E and S, (line, difference, run); row k is the difference that ends at run k.

    read: (line, run). Rows are 0 where run k was not read, or no run before it.
    """
    runs = read.shape[1]
    at = np.arange(runs)
    last = np.maximum.accumulate(np.where(read, at, -1), axis=1)
    before = np.concatenate([np.full((len(read), 1), -1), last[:, :-1]], axis=1)
    live = (read & (before >= 0))[:, :, None]
    ends = live * ((at[:, None] == at).astype(float) - (before[:, :, None] == at))
    steps = live & (before[:, :, None] < at) & (at <= at[:, None])
    return ends, steps.astype(float)
