"""Generalised least squares for one table of rows, real or complex, done by orthogonal factors.

Used where rows of one channel are fitted by themselves: the learner's starting values and the fit
of a chart against what was measured. The fleet's mixed model lives in `fleet`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import cholesky, qr, solve_triangular

__all__ = ["Fit", "gls"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

RANK_TOLERANCE = 1e-12  # of the largest pivot, columns scaled to unit length


@dataclass(frozen=True, eq=False)
class Fit:
    """A generalised least-squares fit.

    estimate: (column,); NaN where the rows do not determine it. cov_unscaled: (X' V^-1 X)^-1,
    (column, column), NaN likewise. dof: rows minus rank. sigma2: weighted sum of squares over dof
    (NaN when dof is 0), so cov_unscaled * sigma2 estimates the covariance when V is known up to
    a factor, and cov_unscaled is the covariance when V is known. residuals: (row,).
    """

    estimate: Array
    cov_unscaled: Array
    sigma2: float
    dof: int
    residuals: Array


def gls(x: npt.ArrayLike, y: npt.ArrayLike, covariance: npt.ArrayLike) -> Fit:
    """Fit y = x @ b + e with Cov(e) = covariance, by whitening and a pivoted QR factorisation.

    x: (row, column); y: (row,); real or complex (circular errors). covariance: (row,) variances,
    or (row, row). Columns are scaled to unit length first, so grams and degrees do not mix.
    Raises numpy.linalg.LinAlgError when the covariance is not positive definite.

    Source: Golub and Van Loan, Matrix Computations (4th ed. 2013), sections 5.3 and 6.1, from
    memory.
    """
    design, target = np.asarray(x), np.asarray(y)
    v = np.asarray(covariance, dtype=float)
    if v.ndim == 1:
        if not (v > 0).all():
            raise np.linalg.LinAlgError("variances must be positive")
        whiten = 1.0 / np.sqrt(v)
        a, b = design * whiten[:, None], target * whiten
    else:
        root = cholesky(v, lower=True)
        a = solve_triangular(root, design, lower=True)
        b = solve_triangular(root, target, lower=True)
    rows, columns = a.shape
    scale = np.linalg.norm(a, axis=0)
    scale[scale == 0] = 1.0
    estimate = np.full(columns, np.nan, dtype=np.result_type(a, b))
    cov = np.full((columns, columns), np.nan, dtype=a.dtype)
    if rows == 0 or columns == 0:
        return Fit(estimate, cov, np.nan, 0, target.copy())

    q, r, order = qr(a / scale, mode="economic", pivoting=True)
    pivots = np.abs(np.diag(r))
    rank = int((pivots > RANK_TOLERANCE * max(pivots[0], 1e-300)).sum()) if pivots[0] > 0 else 0
    projected = q[:, :rank].conj().T @ b
    weighted = b - q[:, :rank] @ projected
    dof = rows - rank
    sigma2 = float(np.vdot(weighted, weighted).real / dof) if dof > 0 else np.nan

    inverse = solve_triangular(r[:rank, :rank], np.eye(rank, dtype=r.dtype))
    solution = solve_triangular(r[:rank, :rank], projected)
    # A pivot column is determined only when no dropped column leans on it.
    leaning = np.abs(inverse @ r[:rank, rank:]).max(axis=1, initial=0.0) > 1e-9
    sure = order[:rank][~leaning]
    estimate[sure] = (solution / scale[order[:rank]])[~leaning]
    block = (inverse @ inverse.conj().T) / np.outer(scale[order[:rank]], scale[order[:rank]])
    cov[np.ix_(sure, sure)] = block[np.ix_(~leaning, ~leaning)]
    fitted = design[:, order[:rank]] @ (solution / scale[order[:rank]])
    return Fit(estimate, cov, sigma2, dof, target - fitted)
