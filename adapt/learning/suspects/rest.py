"""What the rest of a log says of a rotor's coefficients when one job of it is left out.

From the sufficient statistics of `fleet` alone: the job's rows are taken off its rotor's, the
type's mean is solved again without them, and the rotor's posterior follows. Formulas as in `fleet`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fitting.fleet import Prior, information_of, posterior_of, tell
from adapt.learning.fitting.noise import Variances
from adapt.learning.rows.table import Table

__all__ = ["RestOfLog"]

Array = npt.NDArray[Any]
Whole = npt.NDArray[np.int64]

VAGUE = 10.0  # what nothing informs has this sd, in units of the adjuster's largest coefficient


class RestOfLog:
    """Posteriors of rotors without one of their segments."""

    def __init__(self, table: Table, variances: Variances, prior: Prior) -> None:
        self._table, self._variances = table, variances
        weight = np.where(
            table.count > 0,
            1.0 / (variances.taught_run_var + variances.taught_reading_var * table.lam),
            0.0,
        )
        self._h = table.total(table.outer * weight[..., None, None])
        self._b = table.total(table.xd * weight[..., None])
        precise = prior.precision > 0
        size = np.abs(np.where(precise, prior.mean, 0.0)).max(axis=0, initial=0.0)
        found = np.abs(self._b).max(axis=(0, 1), initial=0.0) / np.maximum(
            np.einsum("ijaa->ija", self._h).real.max(axis=(0, 1), initial=0.0), 1e-300
        )
        vague = (VAGUE * np.maximum(np.maximum(size, found), 1e-12)) ** 2
        groups = table.groups
        fixed = prior.fixed.reshape(groups, -1)
        precision = np.where(precise, prior.precision, 1.0 / vague).reshape(groups, -1)
        precision = np.where(fixed, 0.0, precision)
        told = tell(self._h, self._b, variances.spread, groups)
        self._told = told
        eye = np.eye(fixed.shape[1])
        self._information = information_of(told) + eye * (precision + fixed)[:, None, :]
        self._right = told.each()[1].sum(axis=0)
        self._right = self._right + precision * np.where(precise, prior.mean, 0.0).reshape(
            groups, -1
        )
        self._free = ~fixed

    def without(self, members: Whole, unit: Whole) -> tuple[Array, Array]:
        """Return mean (channel, adjuster) and cov of a rotor's coefficients without some rows.

        members: rows to leave out; unit: (channel,) the rotor's unit in each channel. In the
        adjusters' own units.
        """
        mean, cov = self.without_each([members], unit[None])
        return mean[0], cov[0]

    def without_each(self, members: Sequence[Whole], unit: Whole) -> tuple[Array, Array]:
        """Return the same for several segments, each left out alone; unit: (segment, channel)."""
        table, spread = self._table, self._variances.spread
        groups = table.groups
        channel = np.arange(unit.shape[1])
        taken = [self._taken(rows) for rows in members]
        h = self._h[unit, channel] - np.array([t[0] for t in taken])
        b = self._b[unit, channel] - np.array([t[1] for t in taken])
        of_group = unit[:, :: max(unit.shape[1] // max(groups, 1), 1)]
        old, new = self._told.at(of_group), tell(h, b, spread, groups)
        (was, heard), (now, hears) = old.each(), new.each()
        information = self._information - was + now
        information = 0.5 * (information + np.swapaxes(information, -1, -2).conj())
        joint = np.linalg.inv(information)
        joint = np.where(self._free[:, :, None] & self._free[:, None, :], joint, 0.0)
        right = self._right - heard + hears
        own = posterior_of(new, spread, np.einsum("nsxy,nsy->nsx", joint, right), joint)
        scale = table.scale
        return own.mean / scale, own.cov / (scale[:, None] * scale)

    def _taken(self, members: Whole) -> tuple[Array, Array]:
        """Return h and b of some rows, (channel, ...)."""
        table, variances, rows = self._table, self._variances, self._table.rows
        live = rows.live[members]
        weight = np.where(
            live,
            1.0 / (variances.taught_run_var + variances.taught_reading_var * rows.lam[members]),
            0.0,
        )
        x = np.where(table.fixed, 0.0, rows.x[members] / table.scale)
        weighed = x.conj() * weight[..., None]
        return (
            np.einsum("rja,rjb->jab", weighed, x),
            np.einsum("rja,rj->ja", weighed, rows.d[members]),
        )
