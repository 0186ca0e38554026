"""The fleet's mixed model at given variances: joint over the type, sensors' shares and rotors.

For rotor i, a sensor with regimes g, and the adjusters of a channel:

    c_ig = c_g + L_g s_i + d_ig     s_i ~ CN(0, S) common to the sensor's regimes, d_ig ~ CN(0, D_g)

L_g = diag(c_g): s_i is the share by which a rotor's answer at a sensor departs from its type's in
gain and rotation, of each adjuster and of all together (a sensor's mounting turns and scales
everything alike; a blade that answers more does so in every regime). What is left is d. In L the
type's mean is taken as known.

With rows of variance v = q + r lam, H = X' V^-1 X and b = X' V^-1 y by channel (' = conjugate
transpose), d, then s, then c are integrated out in turn:

    F = (1 + D H)^-1,  W = F D                         own covariance of d given the mean
    A = H F,  a = F' b                                 what a channel says of c_g + L_g s
    B = A L (stacked over g),  K = sum L' A L,  V = (1 + S K)^-1 S,  k = sum L' a
    C = (P0 + sum_i A - B V B')^-1,  c = C (P0 m0 + sum_i a - B V k)
    s_i = V (k - B' c),  mu = c + L s_i,  c_i = F mu + W b
    Cov(mu) = L V L' + (1 - L V B') C (1 - L V B')',  Cov(c_i) = W + F Cov(mu) F'

Source: Henderson's mixed-model equations, in the form of Searle, Casella and McCulloch, Variance
Components (Wiley 1992), chapter 7, from memory. Estimating q, r, S and D lives in `noise`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.blocks import by_channel
from adapt.learning.rows.table import Table

__all__ = [
    "Fleet", "Known", "Own", "Prior", "Spread", "Told", "deviance", "flat", "information_of",
    "informed_directions", "joint_cov", "joint_type", "posterior_of", "solve_fleet", "tell",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

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

    @property
    def precision(self) -> Real:
        """Return 1 / variance, 0 where it is flat and where there is no effect at all."""
        told = ~(np.isinf(self.var) | self.fixed)
        return np.where(told, 1.0 / np.where(told, self.var, 1.0), 0.0)


def flat(prior: Prior) -> Prior:
    """Return the prior without the chart's word: flat except where there is no effect at all."""
    return Prior(np.zeros_like(prior.mean), np.where(prior.fixed, 0.0, np.inf))


@dataclass(frozen=True, eq=False)
class Spread:
    """How rotors differ from their type, in scaled columns.

    rest: D, (channel, adjuster). loading: L, (channel, adjuster). share: S, (group, adjuster,
    adjuster).
    """

    rest: Real
    loading: Array
    share: Real

    @classmethod
    def independent(cls, rest: Array, groups: int) -> Spread:
        """Return a spread of which regimes have nothing in common; rest: (channel, adjuster)."""
        adjusters = rest.shape[1]
        return cls(rest, np.zeros_like(rest), np.zeros((groups, adjusters, adjusters)))


@dataclass(frozen=True, eq=False)
class Known:
    """Which directions of c the data and the prior inform, for each channel.

    axes: (channel, adjuster, adjuster), orthonormal columns, of which the first `rank` span them
    and the others are 0. sure: (channel, adjuster), True where the coefficient itself is
    determined.
    """

    axes: Array
    rank: npt.NDArray[np.int64]
    sure: Truth


@dataclass(frozen=True, eq=False)
class Told:
    """What each unit's own rows say, in scaled columns; letters as in the module's formulas.

    h, f, w, told (A): (unit, channel, adjuster, adjuster); b, heard (a): (unit, channel, adjuster).
    lean (B): (unit, group, regime * adjuster, adjuster); share_info (K), share_cov (V): (unit,
    group, adjuster, adjuster); share_heard (k): (unit, group, adjuster).
    """

    h: Array
    b: Array
    f: Array
    w: Array
    told: Array
    heard: Array
    lean: Array
    share_info: Array
    share_cov: Array
    share_heard: Array

    def at(self, unit: Whole) -> Told:
        """Return what single rotors are told; unit: (rotor, group), each one's unit by sensor."""
        groups = unit.shape[1]
        of_group = np.arange(groups)
        channel = np.arange(self.b.shape[1])
        by_channel = np.repeat(unit, len(channel) // max(groups, 1), axis=1)
        by = {
            name: getattr(self, name)[by_channel, channel]
            for name in ("h", "b", "f", "w", "told", "heard")
        }
        shared = {
            name: getattr(self, name)[unit, of_group]
            for name in ("lean", "share_info", "share_cov", "share_heard")
        }
        return Told(**by, **shared)

    @property
    def information(self) -> Array:
        """Information on c of every unit, (unit, group, regime * adjuster, same)."""
        units, groups, size, adjusters = self.lean.shape
        regimes = size // max(adjusters, 1)
        blocks = self.told.reshape(units * groups, regimes, adjusters, adjusters)
        whole = _block_diagonal(blocks).reshape(units, groups, size, size)
        weighed = self.lean @ self.share_cov
        return np.asarray(whole - weighed @ np.swapaxes(self.lean, -1, -2).conj())

    @property
    def right(self) -> Array:
        """Right side that goes with it, (unit, group, regime * adjuster)."""
        units, groups, size, _ = self.lean.shape
        weighed = self.lean @ self.share_cov
        shared = np.einsum("isxa,isa->isx", weighed, self.share_heard)
        return np.asarray(self.heard.reshape(units, groups, size) - shared)


@dataclass(frozen=True, eq=False)
class Fleet:
    """The solution at given variances, in scaled columns; letters as in the module's formulas.

    weight: (cell, channel), 1 / v, 0 where there is no such cell. told: by unit.
    joint: C, (group, regime * adjuster, same); mean, cov: of c, (channel, adjuster[, adjuster]).
    right: (group, regime * adjuster). log_det: (group,) log determinant of the restricted
    likelihood's last term (over informed directions). own: what follows for every unit.
    """

    weight: Real
    told: Told
    joint: Array
    right: Array
    mean: Array
    cov: Array
    log_det: Real
    own: Own

    @property
    def unit_mean(self) -> Array:
        """Mean of c_i, (unit, channel, adjuster)."""
        return self.own.mean

    @property
    def unit_cov(self) -> Array:
        """Covariance of c_i by channel, (unit, channel, adjuster, adjuster)."""
        return self.own.cov


@dataclass(frozen=True, eq=False)
class Own:
    """Posterior of units given what the fleet says of c.

    share_mean (s): (unit, group, adjuster); share_doubt: its covariance with that of c.
    middle_mean, middle_cov: of mu; mean, cov: of c_i; (unit, channel, adjuster[, adjuster]).
    """

    share_mean: Array
    share_doubt: Array
    middle_mean: Array
    middle_cov: Array
    mean: Array
    cov: Array


def informed_directions(table: Table, prior: Prior) -> Known:
    """Return which directions of c anything informs."""
    channels, adjusters = prior.var.shape
    told = np.where(prior.precision > 0, 1.0, 0.0)
    matrix = np.zeros((channels, adjusters, adjusters), dtype=table.xd.dtype)
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
    axes, _, _ = np.linalg.svd(vectors * alive[:, None, :] * unit[:, :, None])
    rank = alive.sum(axis=1)
    axes = axes * (np.arange(adjusters) < rank[:, None])[:, None, :]
    whole = (rank == adjusters)[:, None, None]
    return Known(np.where(whole, np.eye(adjusters), axes), rank, sure)


def solve_fleet(
    table: Table, run_var: Real, reading_var: Real, spread: Spread, prior: Prior, known: Known
) -> Fleet:
    """Solve the mixed model for all channels.

    run_var, reading_var: (channel,), q and r. prior: of c, in scaled columns. known: the informed
    directions for that prior.
    """
    live = table.count > 0
    weight = np.where(live, 1.0 / (run_var + reading_var * table.lam), 0.0)
    h = table.total(table.outer * weight[..., None, None])
    b = table.total(table.xd * weight[..., None])
    channels, adjusters = b.shape[1:]
    regimes = channels // max(table.groups, 1)
    told = tell(h, b, spread, table.groups)
    precision = prior.precision.reshape(table.groups, -1)
    information = information_of(told) + precision[:, :, None] * np.eye(precision.shape[1])
    right = told.right.sum(axis=0)
    right = right + precision * np.where(precision > 0, prior.mean.reshape(precision.shape), 0.0)
    joint, log_det = _inverse(information, known, (table.groups, regimes, adjusters))
    mean = np.einsum("sxy,sy->sx", joint, right)
    own = posterior_of(told, spread, mean[None], joint[None])
    return Fleet(
        weight, told, joint, right, mean.reshape(channels, adjusters),
        by_channel(joint, adjusters), log_det, own,
    )  # fmt: skip


def tell(h: Array, b: Array, spread: Spread, groups: int) -> Told:
    """Return what units say of the type; h, b: (unit, channel, adjuster[, adjuster])."""
    units, channels, adjusters = b.shape
    regimes = channels // max(groups, 1)
    eye = np.eye(adjusters)
    f = np.linalg.inv(eye + spread.rest[:, :, None] * h)
    told = h @ f
    told = 0.5 * (told + np.swapaxes(told, -1, -2).conj())
    heard = np.einsum("ijba,ijb->ija", f.conj(), b)
    loading = spread.loading
    lean = told * loading[:, None, :]
    inner = loading.conj()[:, :, None] * lean
    share_info = inner.reshape(units, groups, regimes, adjusters, adjusters).sum(axis=2)
    share_heard = (loading.conj() * heard).reshape(units, groups, regimes, adjusters).sum(axis=2)
    share_cov = np.linalg.inv(eye + spread.share @ share_info) @ spread.share
    share_cov = 0.5 * (share_cov + np.swapaxes(share_cov, -1, -2).conj())
    lean = lean.reshape(units, groups, regimes * adjusters, adjusters)
    return Told(
        h, b, f, f * spread.rest[:, None, :], told, heard, lean, share_info, share_cov, share_heard
    )


def information_of(told: Told) -> Array:
    """Return the information of all units together on c, (group, regime * adjuster, same)."""
    _, groups, _, adjusters = told.lean.shape
    regimes = told.told.shape[1] // max(groups, 1)
    blocks = told.told.sum(axis=0).reshape(groups, regimes, adjusters, adjusters)
    return np.asarray(_block_diagonal(blocks) - _gram(told.lean @ told.share_cov, told.lean))


def posterior_of(told: Told, spread: Spread, mean: Array, joint: Array) -> Own:
    """Return units' posteriors given that of c; mean: (unit or 1, group, regime * adjuster).

    joint: (unit or 1, group, regime * adjuster, same).
    """
    units, groups, size, adjusters = told.lean.shape
    regimes = size // max(adjusters, 1)
    channels = groups * regimes
    share_mean = told.share_heard - np.einsum("isxa,isx->isa", told.lean.conj(), np.broadcast_to(
        mean, (units, groups, size)))  # fmt: skip
    share_mean = np.einsum("isab,isb->isa", told.share_cov, share_mean)
    loading = spread.loading.reshape(groups, regimes, adjusters)
    moved = (loading * share_mean[:, :, None, :]).reshape(units, channels, adjusters)
    middle_mean = mean.reshape(-1, channels, adjusters) + moved
    middle_cov, share_doubt = _middle_cov(told, spread, joint)
    own_mean = np.einsum("ijab,ijb->ija", told.f, middle_mean)
    own_mean = own_mean + np.einsum("ijab,ijb->ija", told.w, told.b)
    own_cov = told.w + told.f @ middle_cov @ np.swapaxes(told.f, -1, -2).conj()
    return Own(share_mean, share_doubt, middle_mean, middle_cov, own_mean, own_cov)


def deviance(table: Table, fleet: Fleet, spread: Spread) -> tuple[Real, Real]:
    """Return the -log restricted likelihood: parts by channel, and by group.

    fleet: the solution with c flat.
    """
    groups, adjusters = table.groups, spread.share.shape[-1]
    eye = np.eye(adjusters)
    live = table.count > 0
    log_v = -(table.count * np.log(np.where(live, fleet.weight, 1.0))).sum(axis=0)
    log_rest = np.linalg.slogdet(eye + spread.rest[:, :, None] * fleet.told.h)[1].sum(axis=0)
    error = np.einsum("cj,cj->j", fleet.weight, table.dd)
    error = (
        error - np.einsum("ija,ijab,ijb->j", fleet.told.b.conj(), fleet.told.w, fleet.told.b).real
    )
    log_share = np.linalg.slogdet(eye + spread.share @ fleet.told.share_info)[1].sum(axis=0)
    shared = np.einsum(
        "isa,isab,isb->s",
        fleet.told.share_heard.conj(),
        fleet.told.share_cov,
        fleet.told.share_heard,
    ).real
    fitted = np.einsum("sx,sx->s", fleet.right.conj(), fleet.mean.reshape(groups, -1)).real
    half = table.half
    return half * (log_v + log_rest + error), half * (log_share + fleet.log_det - shared - fitted)


def joint_type(spread: Spread, joint: Array) -> Array:
    """Return the joint covariance of a rotor without runs, (group, regime * adjuster, same)."""
    groups, size = joint.shape[:2]
    loading = _stacked(spread, groups, size)
    rest = spread.rest.reshape(groups, size)
    shared = loading @ spread.share @ np.swapaxes(loading, -1, -2).conj()
    return np.asarray(joint + shared + rest[:, :, None] * np.eye(size))


def joint_cov(fleet: Fleet, spread: Spread, unit: Whole) -> Array:
    """Return the joint covariance of one rotor's coefficients at each sensor.

    unit: (group,), the rotor's unit at each sensor. Shape (group, regime * adjuster, same).
    """
    told = fleet.told.at(unit[None])
    groups, size, adjusters = told.lean.shape[1:]
    blocks = groups, size // max(adjusters, 1), adjusters, adjusters
    loading = _stacked(spread, groups, size)
    weighed = loading @ told.share_cov[0]
    through = np.eye(size) - weighed @ np.swapaxes(told.lean[0], -1, -2).conj()
    middle = weighed @ np.swapaxes(loading, -1, -2).conj()
    middle = middle + through @ fleet.joint @ np.swapaxes(through, -1, -2).conj()
    f = _block_diagonal(told.f[0].reshape(blocks))
    cov = f @ middle @ np.swapaxes(f, -1, -2).conj()
    cov = cov + _block_diagonal(told.w[0].reshape(blocks))
    return np.asarray(0.5 * (cov + np.swapaxes(cov, -1, -2).conj()))


def _stacked(spread: Spread, groups: int, size: int) -> Array:
    """Return L of every regime of a sensor, one below the other, (group, size, adjuster)."""
    adjusters = spread.share.shape[-1]
    loading = spread.loading.reshape(groups, size)
    repeated = np.tile(np.eye(adjusters), (size // max(adjusters, 1), 1))
    return np.asarray(loading[:, :, None] * repeated)


def _middle_cov(told: Told, spread: Spread, joint: Array) -> tuple[Array, Array]:
    """Return Cov(mu) of every unit by channel, and the doubt of s with that of c."""
    units, groups, size, adjusters = told.lean.shape
    regimes = size // max(adjusters, 1)
    channels = groups * regimes
    cov = by_channel(joint.reshape(-1, size, size), adjusters)
    cov = cov.reshape(-1, channels, adjusters, adjusters)
    if not spread.share.any():
        return np.broadcast_to(cov, (units, *cov.shape[1:])), told.share_cov
    v = told.share_cov
    bc = np.swapaxes(told.lean, -1, -2).conj() @ joint
    doubt = v @ (bc @ told.lean) @ v + v
    cross = (v @ bc).reshape(units, groups, adjusters, regimes, adjusters)
    cross = cross.transpose(0, 1, 3, 2, 4).reshape(units, channels, adjusters, adjusters)
    cross = spread.loading[:, :, None] * cross
    shared = np.repeat(doubt, regimes, axis=1)
    shared = spread.loading[:, :, None] * shared * spread.loading.conj()[:, None, :]
    return cov - cross - np.swapaxes(cross, -1, -2).conj() + shared, doubt


def _gram(left: Array, right: Array) -> Array:
    """Return sum_i left_i right_i', (group, size, size), of (unit, group, size, adjuster)."""
    groups, size = left.shape[1:3]
    a = left.transpose(1, 2, 0, 3).reshape(groups, size, -1)
    b = right.transpose(1, 2, 0, 3).reshape(groups, size, -1)
    found = a @ np.swapaxes(b, -1, -2).conj()
    return np.asarray(0.5 * (found + np.swapaxes(found, -1, -2).conj()))


def _block_diagonal(blocks: Array) -> Array:
    """Return (group, regime * adjuster, same) of blocks (group, regime, adjuster, adjuster)."""
    groups, regimes, rows, columns = blocks.shape
    whole = np.zeros((groups, regimes, rows, regimes, columns), dtype=blocks.dtype)
    at = np.arange(regimes)
    whole[:, at, :, at, :] = blocks.transpose(1, 0, 2, 3)
    return whole.reshape(groups, regimes * rows, regimes * columns)


def _inverse(
    information: Array, known: Known, of_group: tuple[int, int, int]
) -> tuple[Array, Real]:
    """Invert information matrices over their informed directions; return also log determinants.

    For what the data determine, any generalised inverse gives the same answer.
    """
    groups, regimes, adjusters = of_group
    alive = (np.arange(adjusters) < known.rank[:, None]).reshape(groups, -1)
    q = _block_diagonal(known.axes.reshape(groups, regimes, adjusters, adjusters))
    inner = np.swapaxes(q, -1, -2).conj() @ information @ q
    inner = 0.5 * (inner + np.swapaxes(inner, -1, -2).conj())
    inner = inner + np.eye(inner.shape[-1]) * ~alive[:, None, :]
    unit = np.sqrt(np.maximum(np.einsum("sxx->sx", inner).real, 1e-300))
    scaled = inner / (unit[:, :, None] * unit[:, None, :])
    inverse = np.linalg.inv(scaled) / (unit[:, :, None] * unit[:, None, :])
    log_det: Real = np.linalg.slogdet(scaled)[1] + 2.0 * np.log(unit).sum(axis=1)
    inverse = inverse * (alive[:, :, None] & alive[:, None, :])
    cov = q @ inverse @ np.swapaxes(q, -1, -2).conj()
    return 0.5 * (cov + np.swapaxes(cov, -1, -2).conj()), log_det
