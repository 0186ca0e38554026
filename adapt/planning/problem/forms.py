"""Predicted squares and variances as sums of squared linear forms of the steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.problem.values import Problem

__all__ = ["Forms", "mean_forms", "variance_forms"]

Real = npt.NDArray[Any]
Int = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Forms:
    """Rows as sums of squared real linear forms of the steps: square_j = sum |M x + m0|^2.

    matrix: (form, variable), constant: (form,), start: (row,) first form of each row.
    quadratic (row, variable * variable), linear (row, variable), offset (row,): the same multiplied
    out, square_j = x'Qx + 2 l'x + o.
    """

    matrix: Real
    constant: Real
    start: Int
    quadratic: Real
    linear: Real
    offset: Real

    def squares(self, plans: Real) -> Real:
        """Return each row's square, shape (plan, row), from plans (plan, variable)."""
        values = plans @ self.matrix.T + self.constant
        return np.add.reduceat(values**2, self.start, axis=1)


def mean_forms(problem: Problem, hedged: bool) -> Forms:
    """Return the forms of predicted amplitudes and blade pairs, with the hedge when asked."""
    v, t = problem.vibration, problem.track
    a, b = problem.blade_pairs.T
    parts = [
        _complex_rows(v.level[:, None], v.effect[:, None, :]),
        _real_rows((t.heights[:, a] - t.heights[:, b]), (t.effect[:, a] - t.effect[:, b])),
    ]
    if hedged:
        parts[0] = _join(parts[0], _complex_rows(np.zeros(v.doubt.shape[:2]), v.doubt))
        apart = t.doubt[:, a] - t.doubt[:, b]
        parts[1] = _join(parts[1], _stack(np.zeros(apart.shape[:3]), apart))
    return _forms(parts, len(problem.hardware.step))


def variance_forms(problem: Problem) -> Forms:
    """Return the forms of the shared part of each row's predictive variance."""
    v, t = problem.vibration, problem.track
    a, b = problem.blade_pairs.T
    parts = [
        _complex_rows(v.level_doubt, v.doubt),
        _stack(t.level_doubt[:, a] - t.level_doubt[:, b], t.doubt[:, a] - t.doubt[:, b]),
    ]
    return _forms(parts, len(problem.hardware.step))


Rows = tuple[Real, Real]


def _complex_rows(constant: npt.NDArray[np.generic], matrix: npt.NDArray[np.generic]) -> Rows:
    """(row, form), (row, form, variable) complex as twice as many real forms."""
    return (
        np.concatenate([constant.real, constant.imag], axis=1),
        np.concatenate([matrix.real, matrix.imag], axis=1),
    )


def _real_rows(constant: Real, matrix: Real) -> Rows:
    """(regime, pair), (regime, pair, variable) as one real form for each row."""
    return constant.reshape(-1, 1), matrix.reshape(constant.size, 1, matrix.shape[-1])


def _stack(constant: Real, matrix: Real) -> Rows:
    """(regime, pair, form), (regime, pair, form, variable) as rows of several forms."""
    rows = constant.shape[0] * constant.shape[1]
    return constant.reshape(rows, constant.shape[2]), matrix.reshape(rows, *matrix.shape[2:])


def _join(first: Rows, second: Rows) -> Rows:
    return (
        np.concatenate([first[0], second[0]], axis=1),
        np.concatenate([first[1], second[1]], axis=1),
    )


def _forms(parts: list[Rows], variables: int) -> Forms:
    counts = np.concatenate([np.full(len(c), c.shape[1]) for c, _ in parts])
    start = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)[: len(counts)]
    quadratic = [np.einsum("jfv,jfw->jvw", m, m).reshape(len(m), variables**2) for _, m in parts]
    linear = [np.einsum("jf,jfv->jv", c, m) for c, m in parts]
    return Forms(
        matrix=np.concatenate([m.reshape(m.shape[0] * m.shape[1], variables) for _, m in parts]),
        constant=np.concatenate([c.ravel() for c, _ in parts]),
        start=start,
        quadratic=np.concatenate(quadratic),
        linear=np.concatenate(linear),
        offset=np.concatenate([(c**2).sum(axis=1) for c, _ in parts]),
    )
