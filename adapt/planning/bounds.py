"""Lower bounds for many boxes of plans at once: weighted least squares inside bounds.

For weights w >= 0 that sum to 1, min_x max_j r_j(x)^2 >= min_x sum_j w_j r_j(x)^2, and re-weighting
by the residuals drives the right side up (Lawson, Contributions to the theory of linear least
maximum approximation, 1961). For the chance, tangents of the single penalties in r_j^2 are such
weighted sums too. Every minimum here is turned into a bound that holds even where the solve was
inexact: for convex f, min over a box of f >= f(x) + min over the box of its tangent at x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.problem import Problem

__all__ = ["Boxes", "Forms", "box_minimum", "mean_forms", "variance_forms"]

Real = npt.NDArray[Any]
Int = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Boxes:
    """Boxes of plans: the moved variables of each and the steps they may take.

    support: (box, move) variables; low, high: (box, move) whole steps.
    """

    support: Int
    low: Int
    high: Int

    def __len__(self) -> int:
        return len(self.support)

    def take(self, at: npt.NDArray[np.generic]) -> Boxes:
        """Return the boxes at these positions (or where a mask is true)."""
        return Boxes(self.support[at], self.low[at], self.high[at])

    def plans(self, steps: npt.NDArray[Any], variables: int) -> npt.NDArray[Any]:
        """Return steps on the support (box, move) as whole plans (box, variable)."""
        full = np.zeros((len(self), variables), dtype=steps.dtype)
        np.put_along_axis(full, self.support, steps, axis=1)
        return full


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

    def gradients(self, plans: Real, support: Int) -> Real:
        """Return each square's gradient on each plan's support, shape (plan, row, move)."""
        values = 2.0 * (plans @ self.matrix.T + self.constant)
        columns = self.matrix.T[support].swapaxes(1, 2)
        return np.add.reduceat(values[:, :, None] * columns, self.start, axis=1)

    def weighted(self, weights: Real, support: Int) -> tuple[Real, Real, Real]:
        """Return G, b, c of x'Gx + 2b'x + c = sum_j w_j square_j on each box's support."""
        variables = self.matrix.shape[1]
        whole = (weights @ self.quadratic).reshape(-1, variables, variables)
        box = np.arange(len(support))
        g = whole[box[:, None, None], support[:, :, None], support[:, None, :]]
        return g, np.take_along_axis(weights @ self.linear, support, axis=1), weights @ self.offset


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
    return constant.reshape(-1, 1), matrix.reshape(-1, 1, matrix.shape[-1])


def _stack(constant: Real, matrix: Real) -> Rows:
    """(regime, pair, form), (regime, pair, form, variable) as rows of several forms."""
    return (
        constant.reshape(-1, constant.shape[-1]),
        matrix.reshape(-1, *matrix.shape[2:]),
    )


def _join(first: Rows, second: Rows) -> Rows:
    return (
        np.concatenate([first[0], second[0]], axis=1),
        np.concatenate([first[1], second[1]], axis=1),
    )


def _forms(parts: list[Rows], variables: int) -> Forms:
    counts = np.concatenate([np.full(len(c), c.shape[1]) for c, _ in parts])
    start = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)[: len(counts)]
    quadratic = [np.einsum("jfv,jfw->jvw", m, m).reshape(-1, variables**2) for _, m in parts]
    linear = [np.einsum("jf,jfv->jv", c, m) for c, m in parts]
    return Forms(
        matrix=np.concatenate([m.reshape(-1, variables) for _, m in parts]),
        constant=np.concatenate([c.ravel() for c, _ in parts]),
        start=start,
        quadratic=np.concatenate(quadratic),
        linear=np.concatenate(linear),
        offset=np.concatenate([(c**2).sum(axis=1) for c, _ in parts]),
    )


def box_minimum(g: Real, b: Real, c: Real, low: Real, high: Real) -> tuple[Real, Real]:
    """Return near-minimisers (box, move) of x'Gx + 2b'x + c in boxes, and bounds (box,) below it.

    Projected Newton steps from the unconstrained minimum; the bound comes from the tangent at the
    best of the points visited, so it is valid for singular G and for steps that did not settle.
    """
    scale = np.maximum(np.einsum("nii->n", g), 1e-300)
    best = np.full(len(b), -np.inf)
    best_x = np.clip(np.zeros_like(b), low, high)
    at = np.arange(len(b))
    x, held = best_x, low >= high
    eye = np.eye(g.shape[1])
    for _ in range(g.shape[1] + 2):
        free = ~held
        diagonal = np.where(free, 1e-11 * scale[at, None], scale[at, None])
        masked = np.where(free[:, :, None] & free[:, None, :], g[at], 0.0)
        masked = masked + eye * diagonal[:, :, None]
        pull = b[at] + (g[at] @ np.where(free, 0.0, x)[:, :, None])[:, :, 0]
        solved = np.linalg.solve(masked, np.where(free, -pull, 0.0)[:, :, None])[:, :, 0]
        x = np.where(free, np.clip(solved, low[at], high[at]), x)
        slope = 2.0 * ((g[at] @ x[:, :, None])[:, :, 0] + b[at])
        value = (x * (0.5 * slope + b[at])).sum(axis=1) + c[at]
        fall = np.minimum(slope * (low[at] - x), slope * (high[at] - x)).sum(axis=1)
        better = value + fall > best[at]
        best[at[better]] = (value + fall)[better]
        best_x[at[better]] = x[better]
        unsettled = fall < -1e-7 * np.abs(value)
        if not unsettled.any():
            break
        at, x, slope = at[unsettled], x[unsettled], slope[unsettled]
        held = (
            (low[at] >= high[at])
            | ((x <= low[at]) & (slope >= 0))
            | ((x >= high[at]) & (slope <= 0))
        )
    return best_x, best
