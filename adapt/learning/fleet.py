"""The fleet's mixed model at given variances: c_i = c + d_i, joint over the type and its rotors.

For every channel at once, with rows of variance v = q + r lam, H_i = X_i' V^-1 X_i and
b_i = X_i' V^-1 y_i (' = conjugate transpose):

    F_i = (1 + D H_i)^-1,  W_i = F_i D          own covariance of d_i given c and the rotor's rows
    A_i = H_i F_i                               what rotor i says about c
    C = (P0 + sum A_i)^-1,  c = C (P0 m0 + sum F_i' b_i)   posterior of the type's mean
    c_i = c + W_i (b_i - H_i c),  Cov = W_i + F_i C F_i'   posterior of the rotor's

Source: Henderson's mixed-model equations, in the form of Searle, Casella and McCulloch, Variance
Components (Wiley 1992), chapter 7, from memory. Estimating q, r and D lives in `noise`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from adapt.learning.pairs import Rows

__all__ = ["Fleet", "Known", "Prior", "Table", "flat", "solve_fleet"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

NULL_TOLERANCE = 1e-9  # of the largest eigenvalue, columns scaled to unit information


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of c before the data: mean (channel, adjuster), variance likewise.

    Variance inf: flat; 0: exactly the mean (which must then be 0: no effect).
    """

    mean: Array
    var: Real

    @property
    def fixed(self) -> Truth:
        """Where the coefficient is exactly zero for every rotor, (channel, adjuster)."""
        return np.asarray(self.var == 0)


def flat(prior: Prior) -> Prior:
    """Return the prior without the chart's word: flat except where there is no effect at all."""
    return Prior(np.zeros_like(prior.mean), np.where(prior.fixed, 0.0, np.inf))


@dataclass(frozen=True, eq=False)
class Table:
    """Rows with their products, columns scaled to unit rms so that grams and degrees do not mix.

    scale: (adjuster,): x here = x / scale, so coefficients here = coefficients * scale.
    outer: (row, channel, adjuster, adjuster) conj(x) x; xd: (row, channel, adjuster) conj(x) d.
    gather: (unit, row) sums rows by unit.
    """

    rows: Rows
    x: Array
    scale: Real
    outer: Array
    xd: Array
    gather: csr_array

    @classmethod
    def of(cls, rows: Rows, fixed: Truth) -> Table:
        """Prepare rows; fixed: (channel, adjuster), coefficients that are exactly zero."""
        size = np.sqrt((np.abs(rows.x) ** 2).sum(axis=(0, 1)) / max(1, int(rows.live.sum())))
        scale = np.where(size > 0, size, 1.0)
        x = np.where(fixed, 0.0, rows.x / scale)
        count = len(rows.unit)
        gather = csr_array(
            (np.ones(count), (rows.unit, np.arange(count))), shape=(rows.units, count)
        )
        outer = x.conj()[..., :, None] * x[..., None, :]
        return cls(rows, x, scale, outer, x.conj() * rows.d[..., None], gather)

    @property
    def half(self) -> float:
        """Weight of a row in the log-likelihood: 1 for circular complex rows, 1/2 for real ones."""
        return 1.0 if np.iscomplexobj(self.x) else 0.5

    @cached_property
    def informed(self) -> Real:
        """Return the sum of conj(x) x over live rows, (channel, adjuster, adjuster)."""
        result: Real = (self.outer * self.rows.live[..., None, None]).sum(axis=0)
        return result

    def total(self, values: Array) -> Array:
        """Return sums by unit of values by row, shape (unit, ...)."""
        per_row = int(np.prod(values.shape[1:]))
        summed = self.gather @ values.reshape(len(self.rows.unit), per_row)
        return np.asarray(summed).reshape(self.rows.units, *values.shape[1:])


@dataclass(frozen=True, eq=False)
class Known:
    """Which directions of c the data and the prior inform, for each channel.

    basis: list by channel of (adjuster, rank) orthonormal columns; sure: (channel, adjuster),
    True where the coefficient itself is determined.
    """

    basis: Array
    rank: npt.NDArray[np.int64]
    sure: Truth


@dataclass(frozen=True, eq=False)
class Fleet:
    """The solution at given variances, in scaled columns.

    h, b, f, w: (unit, channel, ...) as in the module's formulas; mean, cov: of c, (channel, ...);
    unit_mean, unit_cov: of each unit's c_i. weight: (row, channel) live / v. log_det: (channel,)
    log determinant of the restricted likelihood's last term (over informed directions).
    """

    h: Array
    b: Array
    f: Array
    w: Array
    mean: Array
    cov: Array
    unit_mean: Array
    unit_cov: Array
    weight: Real
    log_det: Real


def informed_directions(table: Table, prior: Prior) -> Known:
    """Return which directions of c anything informs."""
    channels, adjusters = prior.var.shape
    with np.errstate(divide="ignore"):
        told = np.where(np.isinf(prior.var) | prior.fixed, 0.0, 1.0)
    matrix = np.zeros((channels, adjusters, adjusters), dtype=table.x.dtype)
    matrix += table.informed
    size = np.sqrt(np.maximum(np.einsum("jaa->ja", matrix).real, 0.0))
    unit = np.where(size > 0, size, 1.0)
    matrix = matrix / (unit[:, :, None] * unit[:, None, :])
    matrix += np.eye(adjusters) * told[:, None, :]
    values, vectors = np.linalg.eigh(matrix)
    alive = values > NULL_TOLERANCE * np.maximum(values.max(axis=1, initial=0.0), 1e-300)[:, None]
    lost = (np.abs(vectors) ** 2 * ~alive[:, None, :]).sum(axis=2)
    sure = (lost < 1e-9) | prior.fixed
    # Back to the table's columns: directions of the information matrix itself.
    kept = vectors * alive[:, None, :] * unit[:, :, None]
    return Known(kept, alive.sum(axis=1), sure)


def solve_fleet(
    table: Table, run_var: Real, reading_var: Real, spread: Real, prior: Prior, known: Known
) -> Fleet:
    """Solve the mixed model for all channels.

    run_var, reading_var: (channel,), q and r. spread: D, (channel, adjuster), in scaled columns.
    prior: of c, in scaled columns. known: the informed directions for that prior.
    """
    rows = table.rows
    weight = np.where(rows.live, 1.0 / (run_var + reading_var * rows.lam), 0.0)
    h = table.total(table.outer * weight[..., None, None])
    b = table.total(table.xd * weight[..., None])
    adjusters = h.shape[-1]
    eye = np.eye(adjusters)
    f = np.linalg.inv(eye + spread[None, :, :, None] * h)
    w = f * spread[None, :, None, :]
    told = h @ f
    told = 0.5 * (told + np.swapaxes(told, -1, -2).conj())
    heard = np.einsum("ijba,ijb->ija", f.conj(), b)

    with np.errstate(divide="ignore"):
        precision = np.where(np.isinf(prior.var) | prior.fixed, 0.0, 1.0 / prior.var)
    information = told.sum(axis=0) + precision[:, :, None] * eye
    right = heard.sum(axis=0) + precision * np.where(precision > 0, prior.mean, 0.0)
    cov, log_det = _inverse(information, known)
    mean = np.einsum("jab,jb->ja", cov, right)
    unit_mean = mean + np.einsum("ijab,ijb->ija", w, b - np.einsum("ijab,jb->ija", h, mean))
    unit_cov = w + f @ cov @ np.swapaxes(f, -1, -2).conj()
    return Fleet(h, b, f, w, mean, cov, unit_mean, unit_cov, weight, log_det)


def _inverse(information: Array, known: Known) -> tuple[Array, Real]:
    """Invert information matrices over their informed directions; return also log determinants.

    For what the data determine, any generalised inverse gives the same answer.
    """
    basis = known.basis
    size = np.sqrt(np.maximum(np.einsum("jaa->ja", information).real, 0.0))
    unit = np.where(size > 0, size, 1.0)
    scaled = information / (unit[:, :, None] * unit[:, None, :])
    # Directions z of the scaled problem: range of unit^-1 basis, made orthonormal.
    q, values, _ = np.linalg.svd(basis / unit[:, :, None], full_matrices=False)
    alive = np.arange(values.shape[1]) < known.rank[:, None]
    q = q * alive[:, None, :]
    inner = np.swapaxes(q, -1, -2).conj() @ scaled @ q
    inner = inner + np.eye(inner.shape[-1]) * ~alive[:, None, :]
    inner = 0.5 * (inner + np.swapaxes(inner, -1, -2).conj())
    inverse = q @ np.linalg.inv(inner) @ np.swapaxes(q, -1, -2).conj()
    cov = inverse / (unit[:, :, None] * unit[:, None, :])
    cov = 0.5 * (cov + np.swapaxes(cov, -1, -2).conj())
    return cov, _restricted_log_det(information, basis, known.rank)


def _restricted_log_det(information: Array, basis: Array, rank: Array) -> Real:
    """Return log det of the information in a fixed basis of its range, (channel,)."""
    q, _, _ = np.linalg.svd(basis, full_matrices=False)
    alive = np.arange(q.shape[-1]) < rank[:, None]
    q = q * alive[:, None, :]
    inner = np.swapaxes(q, -1, -2).conj() @ information @ q
    inner = inner + np.eye(inner.shape[-1]) * ~alive[:, None, :]
    result: Real = np.linalg.slogdet(inner)[1]
    return result
