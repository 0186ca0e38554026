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

from adapt.blocks import by_channel as cov_by_channel
from adapt.learning.kernel.model import (
    add_cells,
    add_information,
    fill_joint,
    fill_own,
    fill_told,
    invert_each,
)
from adapt.learning.rows.table import Table

__all__ = [
    "Fleet", "Known", "Own", "Prior", "Spread", "Told", "deviance", "flat", "information_of",
    "informed_directions", "joint_cov", "joint_type", "posterior_of", "solve_fleet", "tell",
    "type_mean",
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

    def each(self) -> tuple[Array, Array]:
        """Return every unit's information on c, and the right side that goes with it.

        Shapes (unit, group, regime * adjuster, same) and (unit, group, regime * adjuster).
        """
        return _summed(self, np.arange(len(self.b)), len(self.b))


@dataclass(frozen=True, eq=False)
class Fleet:
    """The solution at given variances, in scaled columns; letters as in the module's formulas.

    weight: (cell, channel), 1 / v, 0 where there is no such cell. told: by unit.
    joint: C, (group, regime * adjuster, same); mean, cov: of c, (channel, adjuster[, adjuster]).
    by_channel: (channel,), by_group: (group,): parts of -2 log restricted likelihood where c is
    flat (over informed directions). own: what follows for every unit.
    """

    weight: Real
    told: Told
    joint: Array
    mean: Array
    cov: Array
    by_channel: Real
    by_group: Real
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
    weight, told, by_channel, by_group = _hear(table, run_var, reading_var, spread)
    joint, right, log_det = _type(told, prior, known, table.groups)
    mean = np.einsum("sxy,sy->sx", joint, right)
    own = posterior_of(told, spread, mean[None], joint[None])
    by_group = by_group + log_det - np.einsum("sx,sx->s", right.conj(), mean).real
    return Fleet(
        weight, told, joint, mean.reshape(prior.mean.shape),
        cov_by_channel(joint, prior.mean.shape[1]), by_channel, by_group, own,
    )  # fmt: skip


def type_mean(
    table: Table, run_var: Real, reading_var: Real, spread: Spread, prior: Prior, known: Known
) -> Array:
    """Return the mean of c alone, (channel, adjuster); arguments as in `solve_fleet`."""
    _, told, _, _ = _hear(table, run_var, reading_var, spread)
    joint, right, _ = _type(told, prior, known, table.groups)
    return np.einsum("sxy,sy->sx", joint, right).reshape(prior.mean.shape)


def _hear(
    table: Table, run_var: Real, reading_var: Real, spread: Spread
) -> tuple[Real, Told, Real, Real]:
    """Return the cells' weights, what units say, and the likelihood's terms that go with it."""
    live = table.count > 0
    weight = np.where(live, 1.0 / (run_var + reading_var * table.lam), 0.0)
    by_channel = -(table.count * np.log(np.where(live, weight, 1.0))).sum(axis=0)
    channels, adjusters = table.fixed.shape
    h = np.zeros((table.rows.units, channels, adjusters, adjusters), table.xd.dtype)
    b = np.zeros(h.shape[:3], h.dtype)
    add_cells(table.unit, weight, table.outer, table.xd, table.dd, h, b, by_channel)
    told, more, by_group = _told(h, b, spread, table.groups)
    return weight, told, by_channel + more, by_group


def _type(told: Told, prior: Prior, known: Known, groups: int) -> tuple[Array, Array, Real]:
    """Return C of every sensor, the right side for c, and the log determinant of C^-1."""
    information, right = _summed(told, np.zeros(len(told.b), dtype=np.int64), 1)
    precision = prior.precision.reshape(groups, -1)
    matrix = information[0] + precision[:, :, None] * np.eye(precision.shape[1])
    expected = np.where(precision > 0, prior.mean.reshape(precision.shape), 0.0)
    channels, adjusters = prior.mean.shape
    joint, log_det = _inverse(matrix, known, (groups, channels // max(groups, 1), adjusters))
    return joint, right[0] + precision * expected, log_det


def tell(h: Array, b: Array, spread: Spread, groups: int) -> Told:
    """Return what units say of the type; h, b: (unit, channel, adjuster[, adjuster])."""
    return _told(h, b, spread, groups)[0]


def _told(h: Array, b: Array, spread: Spread, groups: int) -> tuple[Told, Real, Real]:
    """Return what units say, and the likelihood's terms by channel and group (see `compiled`)."""
    units, channels, adjusters = b.shape
    kind = np.result_type(h, b, spread.loading)
    h, b = np.ascontiguousarray(h, kind), np.ascontiguousarray(b, kind)
    size = channels // max(groups, 1) * adjusters
    share = np.broadcast_to(spread.share, (groups, adjusters, adjusters))
    values, vectors = np.linalg.eigh(share)
    root = np.ascontiguousarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :], kind)
    f, w, told = np.empty_like(h), np.empty_like(h), np.empty_like(h)
    heard, lean = np.empty_like(b), np.empty((units, groups, size, adjusters), kind)
    info = np.zeros((units, groups, adjusters, adjusters), kind)
    cov, share_heard = np.empty_like(info), np.zeros(info.shape[:3], kind)
    by_channel, by_group = np.zeros(channels), np.zeros(groups)
    fill_told(
        h, b, np.ascontiguousarray(spread.rest), np.ascontiguousarray(spread.loading, kind), root,
        f, w, told, heard, lean, info, cov, share_heard, by_channel, by_group,
    )  # fmt: skip
    return Told(h, b, f, w, told, heard, lean, info, cov, share_heard), by_channel, by_group


def _summed(told: Told, of: Whole, sets: int) -> tuple[Array, Array]:
    """Return information on c and its right side by set of units; of: (unit,), the set of each."""
    _, groups, size, _ = told.lean.shape
    information = np.zeros((sets, groups, size, size), told.lean.dtype)
    right = np.zeros((sets, groups, size), told.lean.dtype)
    add_information(
        told.told, told.heard, told.lean, told.share_cov, told.share_heard, of, information, right
    )
    return information, right


def information_of(told: Told) -> Array:
    """Return the information of all units together on c, (group, regime * adjuster, same)."""
    return _summed(told, np.zeros(len(told.b), dtype=np.int64), 1)[0][0]


def posterior_of(told: Told, spread: Spread, mean: Array, joint: Array) -> Own:
    """Return units' posteriors given that of c; mean: (unit or 1, group, regime * adjuster).

    joint: (unit or 1, group, regime * adjuster, same).
    """
    kind = told.b.dtype
    share_mean, share_doubt = np.zeros_like(told.share_heard), np.zeros_like(told.share_cov)
    middle_mean, middle_cov = np.empty_like(told.b), np.empty_like(told.h)
    own_mean, own_cov = np.empty_like(told.b), np.empty_like(told.h)
    fill_own(
        told.f, told.w, told.b, told.lean, told.share_cov, told.share_heard,
        np.ascontiguousarray(spread.loading, kind), np.ascontiguousarray(mean, kind),
        np.ascontiguousarray(joint, kind), bool(spread.share.any()), share_mean, share_doubt,
        middle_mean, middle_cov, own_mean, own_cov,
    )  # fmt: skip
    return Own(share_mean, share_doubt, middle_mean, middle_cov, own_mean, own_cov)


def deviance(table: Table, fleet: Fleet) -> tuple[Real, Real]:
    """Return the -log restricted likelihood: parts by channel, and by group.

    fleet: the solution with c flat.
    """
    return table.half * fleet.by_channel, table.half * fleet.by_group


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
    told = fleet.told
    kind = told.b.dtype
    cov = np.empty_like(fleet.joint, kind)
    fill_joint(
        np.ascontiguousarray(unit), told.f, told.w, told.lean, told.share_cov,
        np.ascontiguousarray(spread.loading, kind), np.ascontiguousarray(fleet.joint, kind), cov,
    )  # fmt: skip
    return cov


def _stacked(spread: Spread, groups: int, size: int) -> Array:
    """Return L of every regime of a sensor, one below the other, (group, size, adjuster)."""
    adjusters = spread.share.shape[-1]
    loading = spread.loading.reshape(groups, size)
    repeated = np.tile(np.eye(adjusters), (size // max(adjusters, 1), 1))
    return np.asarray(loading[:, :, None] * repeated)


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
    whole = bool((known.rank == adjusters).all())
    inner = information
    if not whole:
        alive = (np.arange(adjusters) < known.rank[:, None]).reshape(groups, -1)
        q = _block_diagonal(known.axes.reshape(groups, regimes, adjusters, adjusters))
        inner = np.swapaxes(q, -1, -2).conj() @ information @ q
        inner = inner + np.eye(inner.shape[-1]) * ~alive[:, None, :]
    inverse, log_det = np.array(inner, order="C"), np.zeros(groups)
    invert_each(inverse, log_det)
    if whole:
        return inverse, log_det
    inverse = inverse * (alive[:, :, None] & alive[:, None, :])
    cov = q @ inverse @ np.swapaxes(q, -1, -2).conj()
    return 0.5 * (cov + np.swapaxes(cov, -1, -2).conj()), log_det
