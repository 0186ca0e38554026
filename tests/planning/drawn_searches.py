"""Drawn arrays for tests of the search's inner loops, and the best plans by trying all of them."""

from __future__ import annotations

from itertools import product

import numpy as np

from adapt.planning.kernel.arrays import Job
from adapt.planning.search.chance_table import no_law


def drawn_job(
    rng: np.random.Generator,
    variables: int = 5,
    rows: int = 6,
    reach: int = 3,
    sums: bool = False,
    whole: bool = False,
) -> Job:
    """Return a job of squares |level + column x|^2, some with a hedge; two rows only inside.

    whole: everything in small whole numbers, so that many plans tie. sums: with a bound on one.
    """
    level = 2.0 * (rng.standard_normal(rows) + 1j * rng.standard_normal(rows))
    column = 0.6 * (
        rng.standard_normal((rows, variables)) + 1j * rng.standard_normal((rows, variables))
    )
    if whole:
        level, column = np.round(level), np.round(1.5 * column)
    hedge = 0.1 * rng.standard_normal((rows, variables, 2)) * (not whole)
    quadratic = np.einsum("rv,rw->rvw", column.conj(), column).real
    quadratic += np.einsum("rvk,rwk->rvw", hedge, hedge)
    linear = (column.conj() * level[:, None]).real
    offset = np.abs(level) ** 2
    counted = np.ones(rows, dtype=bool)
    counted[-2:] = whole
    tight = np.ones(rows) if whole else np.where(counted, 1.0, 0.04)
    quadratic, linear, offset = (
        quadratic * tight[:, None, None], linear * tight[:, None], offset * tight
    )  # fmt: skip
    low = -rng.integers(0, reach + 1, variables).astype(float)
    high = rng.integers(0, reach + 1, variables).astype(float)
    row = (rng.integers(0, 3, variables) - 1.0)[None] if sums else np.zeros((0, variables))
    return Job(
        quadratic=np.ascontiguousarray(np.moveaxis(quadratic, 0, -1)),
        linear=np.ascontiguousarray(linear.T),
        offset=offset,
        counted=counted,
        channel=np.arange(rows),
        channels=rows,
        low=low,
        high=high,
        cost=np.ones(variables, dtype=np.int64),
        partner=np.full(variables, -1),
        kind=np.arange(variables) % 2,
        sums=row,
        sum_low=-np.ones(len(row)),
        sum_high=np.ones(len(row)),
        mean_quadratic=quadratic.mean(axis=0),
        mean_linear=linear.mean(axis=0),
        mean_offset=np.array([offset.mean()]),
        law=no_law(variables),
    )


def squares_at(job: Job, x: np.ndarray) -> np.ndarray:
    """Return each row's square at steps x (..., variable) by its definition."""
    return np.asarray(
        np.einsum("...v,vwr,...w->...r", x, job.quadratic, x) + 2.0 * x @ job.linear + job.offset
    )


def all_plans(job: Job, moves: int, quota: np.ndarray) -> np.ndarray:
    """Return every plan of exactly so many moves that keeps the bounds, (plan, variable)."""
    steps = [np.arange(a, b + 1) for a, b in zip(job.low, job.high, strict=True)]
    x = np.array(list(product(*steps)))
    used = np.stack([(x[:, job.kind == k] != 0).sum(axis=1) for k in range(len(quota))], axis=1)
    keeps = (used.sum(axis=1) == moves) & (used <= quota).all(axis=1)
    total = x @ job.sums.T
    keeps &= ((total >= job.sum_low) & (total <= job.sum_high)).all(axis=1)
    keeps &= (squares_at(job, x)[:, ~job.counted] <= 1.0 + 1e-9).all(axis=1)
    return x[keeps]
