"""Readings of cases as independent rows of unit variance, and the prior that a rotor began with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.effects import without_rounding
from adapt.learning.health.cases import Cases

__all__ = ["Whitened", "whiten", "with_rest_of_fleet"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

VAGUE = 1e-6  # least precision of a prior, as a share of the rotor's own posterior precision


@dataclass(frozen=True, eq=False)
class Whitened:
    """Readings as independent rows of unit variance given the coefficients, in time order.

    live: (case, run, sensor, regime). z: likewise. scale: likewise, the sd that was divided out.
    parts: (case, part, run, sensor, regime, adjuster): what the moves of a part came to; all moves
    are the first part.
    """

    live: Truth
    z: Array
    scale: Real
    parts: Array

    @property
    def x(self) -> Array:
        """(case, run, sensor, regime, adjuster): z = x c + unit error."""
        return np.asarray(self.parts[:, 0])

    def sharing(self, sensors: int) -> Whitened:
        """Return the rows with so many sensors; contrasts that share coefficients become runs."""
        count, length, had, regimes = self.live.shape
        if had == sensors:
            return self
        shape = (count, length * had // max(sensors, 1), sensors, regimes)
        parts = self.parts.shape
        return Whitened(
            self.live.reshape(shape),
            self.z.reshape(shape),
            self.scale.reshape(shape),
            self.parts.reshape(count, parts[1], *shape[1:], parts[5]),
        )

    def read_only(self) -> Whitened:
        """Return the rows without the runs in which nothing is left, in the same order.

        One row at least is kept, for what goes through rows to have some.
        """
        some = self.live.any(axis=(2, 3))
        most = max(1, int(some.sum(axis=1).max(initial=0)))
        if most == some.shape[1]:
            return self
        at = np.argsort(~some, axis=1, kind="stable")[:, :most]
        case = np.arange(len(at))[:, None]
        parts = np.empty((*self.parts.shape[:2], most, *self.parts.shape[3:]), dtype=complex)
        for k, order in enumerate(at):
            parts[k] = self.parts[k][:, order]
        return Whitened(self.live[case, at], self.z[case, at], self.scale[case, at], parts)


def whiten(cases: Cases, parts: Array | None = None) -> Whitened:
    """Return unit rows: each reading less what its level was thought to be, over its sd.

    parts: (case, part, run, sensor, adjuster), moves to follow beside all of them. The level filter
    is that of `adapt.level`, with the coefficients kept apart. A move of an adjuster of which
    nothing is known cuts the level.
    """
    count, length, sensors, regimes = cases.readings.shape
    adjusters = cases.moves.shape[4]
    sums = without_rounding(cases.moves.sum(axis=3), np.abs(cases.moves).sum(axis=3))
    moved = sums[:, None]
    moved = moved if parts is None else np.concatenate([moved, parts], axis=1)
    moved = moved[:, :, :, :, None, :] * cases.known[:, None, None]
    unknown = np.asarray(~np.isfinite(cases.mean))
    cut = ((sums[:, :, :, None] != 0) & unknown[:, None]).any(axis=4)
    read = np.asarray(~np.isnan(cases.readings))
    values = np.where(read, cases.readings, 0.0)

    rows = np.zeros((count, moved.shape[1], length, sensors, regimes, adjusters), dtype=complex)
    z = np.zeros(read.shape, dtype=complex)
    scale = np.ones(read.shape)
    live = np.zeros(read.shape, dtype=bool)
    offset = np.zeros((count, sensors, regimes), dtype=complex)
    slope = np.zeros((count, rows.shape[1], sensors, regimes, adjusters), dtype=complex)
    own_var = np.full(offset.shape, np.inf)
    for n in range(length):
        fresh_start = cases.starts[:, n, None, None]
        own_var = np.where(fresh_start | cut[:, n], np.inf, own_var + cases.run_var[:, n])
        slope += moved[:, :, n]
        begun = np.isinf(own_var)
        total = np.where(begun, 1.0, own_var) + cases.reading_var[:, n]
        follow = read[:, n] & ~begun & (total > 0)
        total = np.where(total > 0, total, 1.0)
        innovation = values[:, n] - offset
        live[:, n], scale[:, n] = follow, np.sqrt(total)
        z[:, n] = np.where(follow, innovation / scale[:, n], 0.0)
        rows[:, :, n] = np.where(follow, 1.0 / scale[:, n], 0.0)[:, None, ..., None] * slope
        gain = np.where(follow, np.where(begun, 0.0, own_var) / total, 0.0)
        gain = np.where(read[:, n] & begun, 1.0, gain)
        offset = offset + gain * np.where(read[:, n], innovation, 0.0)
        kept = np.where(begun, 0.0, 1.0 - gain)
        slope *= kept[:, None, ..., None]
        own_var = np.where(
            read[:, n], np.where(begun, 1.0, gain) * cases.reading_var[:, n], own_var
        )
    return Whitened(live, z, scale, rows)


def with_rest_of_fleet(cases: Cases, rows: Whitened) -> Cases:
    """Return cases whose prior is what the rest of the fleet says of each rotor: type plus spread.

    A rotor's posterior is that prior times the likelihood of its own rows, so taking the rows'
    information off the posterior's leaves the prior. Where nothing but the rotor's own runs informs
    a direction, its precision is a millionth of the posterior's.
    """
    count, sensors, regimes, adjusters = cases.mean.shape
    rows = rows.sharing(sensors)
    size = regimes * adjusters
    known = cases.known.reshape(count, sensors, size)
    both = known[..., :, None] & known[..., None, :]
    eye = np.eye(size)
    cov = np.where(both, cases.cov, 0.0) + eye * ~known[..., None]
    scale = np.sqrt(np.einsum("csxx->csx", cov).real)
    precision = np.linalg.inv(cov / (scale[..., :, None] * scale[..., None, :]))
    mean = np.where(known, cases.mean.reshape(known.shape), 0.0) / scale
    x = rows.x * scale.reshape(count, 1, sensors, regimes, adjusters)
    heard_as = x.conj() * cases.speaking[..., None]
    told = np.einsum("cnsra,cnsrb->csrab", heard_as, x)
    information = np.zeros(precision.shape, dtype=told.dtype).reshape(
        count, sensors, regimes, adjusters, regimes, adjusters
    )
    at = np.arange(regimes)
    information[:, :, at, :, at, :] = np.moveaxis(told, 2, 0)
    left = precision - information.reshape(precision.shape)
    left = 0.5 * (left + np.swapaxes(left, -1, -2).conj())
    heard = np.einsum("cnsra,cnsr->csra", heard_as, rows.z).reshape(known.shape)
    right = np.einsum("csxy,csy->csx", precision, mean) - heard
    values, vectors = np.linalg.eigh(left)
    least = VAGUE * np.einsum("csxx->csx", precision).real.mean(axis=2)
    values = np.maximum(values, least[..., None])
    prior = (vectors / values[..., None, :]) @ np.swapaxes(vectors, -1, -2).conj()
    before = np.einsum("csxy,csy->csx", prior, right) * scale
    prior = np.where(both, prior * (scale[..., :, None] * scale[..., None, :]), 0.0)
    nothing = np.where(np.isfinite(cases.mean), 0.0, np.nan)
    before = np.where(cases.known, before.reshape(cases.mean.shape), nothing)
    return replace(cases, mean=before, cov=prior)
