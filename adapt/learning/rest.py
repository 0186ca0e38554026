"""What the rest of a log says of a rotor's coefficients when one job of it is left out.

From the sufficient statistics of `fleet` alone: the job's rows are taken off its rotor's, the
type's mean is solved again without them, and the rotor's posterior follows. Formulas as in `fleet`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fleet import Prior, Table
from adapt.learning.noise import Variances

__all__ = ["RestOfLog"]

Array = npt.NDArray[Any]
Whole = npt.NDArray[np.int64]

VAGUE = 10.0  # what nothing informs has this sd, in units of the adjuster's largest coefficient


class RestOfLog:
    """Posteriors of rotors without one of their segments."""

    def __init__(self, table: Table, variances: Variances, prior: Prior) -> None:
        self._table, self._variances = table, variances
        rows = table.rows
        self._weight = np.where(
            rows.live, 1.0 / (variances.run_var + variances.reading_var * rows.lam), 0.0
        )
        self._h = table.total(table.outer * self._weight[..., None, None])
        self._b = table.total(table.xd * self._weight[..., None])
        precise = np.isfinite(prior.var) & ~prior.fixed
        size = np.abs(np.where(precise, prior.mean, 0.0)).max(axis=0, initial=0.0)
        found = np.abs(self._b).max(axis=(0, 1), initial=0.0) / np.maximum(
            np.einsum("ijaa->ija", self._h).real.max(axis=(0, 1), initial=0.0), 1e-300
        )
        vague = (VAGUE * np.maximum(np.maximum(size, found), 1e-12)) ** 2
        var = np.where(precise, prior.var, vague)
        self._fixed = prior.fixed
        self._precision = np.where(prior.fixed, 0.0, 1.0 / var)
        self._prior_mean = np.where(precise, prior.mean, 0.0)
        self._eye = np.eye(self._h.shape[-1])
        told, heard = self._tell(self._h, self._b)
        self._told, self._heard = told, heard
        self._all_told, self._all_heard = told.sum(axis=0), heard.sum(axis=0)

    def _tell(self, h: Array, b: Array) -> tuple[Array, Array]:
        f = np.linalg.inv(self._eye + self._variances.spread[:, :, None] * h)
        return h @ f, np.einsum("...ba,...b->...a", f.conj(), b)

    def without(self, members: Whole, unit: Whole) -> tuple[Array, Array]:
        """Return mean (channel, adjuster) and cov of a rotor's coefficients without some rows.

        members: rows of the table to leave out; unit: (channel,) the rotor's unit in each channel.
        In the adjusters' own units.
        """
        table = self._table
        channel = np.arange(len(unit))
        weight = self._weight[members]
        h = self._h[unit, channel] - (table.outer[members] * weight[..., None, None]).sum(axis=0)
        b = self._b[unit, channel] - (table.xd[members] * weight[..., None]).sum(axis=0)
        told, heard = self._tell(h, b)
        all_told = self._all_told - self._told[unit, channel] + told
        all_heard = self._all_heard - self._heard[unit, channel] + heard
        information = all_told + self._precision[:, :, None] * self._eye
        information = information + self._eye * self._fixed[:, None, :]
        cov = np.linalg.inv(0.5 * (information + np.swapaxes(information, 1, 2).conj()))
        free = ~self._fixed
        cov = np.where(free[:, :, None] & free[:, None, :], cov, 0.0)
        mean = np.einsum("jab,jb->ja", cov, all_heard + self._precision * self._prior_mean)
        spread = self._variances.spread
        f = np.linalg.inv(self._eye + spread[:, :, None] * h)
        w = f * spread[:, None, :]
        own = mean + np.einsum("jab,jb->ja", w, b - np.einsum("jab,jb->ja", h, mean))
        own_cov = w + f @ cov @ np.swapaxes(f, 1, 2).conj()
        scale = table.scale
        return own / scale, own_cov / (scale[:, None] * scale)
