"""Plain Gaussian algebra of a fleet for the studies, written from the model and nothing else.

The mixed model y = X (c + d_i) + noise of one sensor's regimes together, with any covariance of d_i
and noise that regimes may have in common. The program's own learner is not used: it is what is
being judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from invented_fleets import Fleet, Job
from scipy.linalg import block_diag


@dataclass(frozen=True, eq=False)
class Stack:
    """One sensor's differences, job by job, all regimes one after another, padded to one length.

    rotor: (job,); x: (job, row, regimes x adjusters); y: (job, row); regime: (job, row), -1 where a
    row is padding (x and y are 0). steps: (job, row, step), 1 where the row spans the run-to-run
    change before run step + 1; ends: (job, row, run), +1 and -1 at the readings that it is made of.
    walk, scatter: (job, row, row), what q and r multiply within a regime; walk_all, scatter_all:
    the same between all regimes.
    """

    rotors: int
    regimes: int
    rotor: np.ndarray
    x: np.ndarray
    y: np.ndarray
    regime: np.ndarray
    steps: np.ndarray
    ends: np.ndarray
    walk: np.ndarray
    scatter: np.ndarray
    walk_all: np.ndarray
    scatter_all: np.ndarray

    @property
    def count(self) -> int:
        """Rows that are no padding."""
        return int((self.regime >= 0).sum())

    def weighted(self, step: np.ndarray, reading: np.ndarray) -> Stack:
        """Return the same rows with q and r of each run multiplied.

        step: (job, step), of q; reading: (job, run), of r.
        """
        same = (self.regime[:, :, None] == self.regime[:, None, :]) & (self.regime >= 0)[:, None]
        walk_all = (self.steps * step[:, None]) @ self.steps.transpose(0, 2, 1)
        scatter_all = (self.ends * reading[:, None]) @ self.ends.transpose(0, 2, 1)
        return replace(
            self, walk=walk_all * same, scatter=scatter_all * same, walk_all=walk_all,
            scatter_all=scatter_all,
        )  # fmt: skip


def stack(fleet: Fleet, sensor: int, jobs: Sequence[Job]) -> Stack:
    """Return the differences of some jobs; levels are removed by differencing what was read."""
    regimes, adjusters = fleet.chart.shape[1:]
    runs = max((len(job.readings) for job in jobs), default=1)
    shape = (len(jobs), regimes * (runs - 1))
    x = np.zeros((*shape, regimes * adjusters), dtype=complex)
    y = np.zeros(shape, dtype=complex)
    regime = np.full(shape, -1)
    steps, ends = np.zeros((*shape, runs - 1)), np.zeros((*shape, runs))
    for j, job in enumerate(jobs):
        moved = np.concatenate([np.zeros((1, adjusters)), np.cumsum(job.moves, axis=0)])
        at = 0
        for g in range(regimes):
            read = np.flatnonzero(~np.isnan(job.readings[:, sensor, g]))
            for low, high in pairwise(read):
                x[j, at, g * adjusters : (g + 1) * adjusters] = moved[high] - moved[low]
                y[j, at] = job.readings[high, sensor, g] - job.readings[low, sensor, g]
                regime[j, at] = g
                steps[j, at, low:high] = 1.0
                ends[j, at, [low, high]] = -1.0, 1.0
                at += 1
    rotor = np.array([job.rotor for job in jobs], dtype=int)
    none = np.zeros((*shape, shape[1]))
    rows = Stack(fleet.rotors, regimes, rotor, x, y, regime, steps, ends, none, none, none, none)
    return rows.weighted(np.ones((len(jobs), runs - 1)), np.ones((len(jobs), runs)))


@dataclass(frozen=True, eq=False)
class Solution:
    """The joint posterior at given variances; vectors are regimes x adjusters.

    log_likelihood: of the differences, with c integrated over its prior. mean, cov: of c; own,
    own_cov: of each c_i, (rotor, ...). score_spread: M with d log L = tr(M dSigma). score_noise:
    d log L by the logarithm of each variance of the noise. by_noise: N, (job, row, row), with
    d log L = tr(N dV).
    """

    log_likelihood: float
    mean: np.ndarray
    cov: np.ndarray
    own: np.ndarray
    own_cov: np.ndarray
    score_spread: np.ndarray
    score_noise: np.ndarray
    by_noise: np.ndarray


def solve(
    rows: Stack, noise: np.ndarray, sigma: np.ndarray, mean0: np.ndarray, var0: np.ndarray
) -> Solution:
    """Return the posterior.

    noise: q and r of each regime's own, then of what all regimes of a run have in common. sigma:
    of d_i; mean0, var0: of c, circular, (regime, adjuster). Henderson's equations (Searle, Casella
    and McCulloch, Variance Components, Wiley 1992, chapter 7, from memory).
    """
    n, size = rows.rotors, rows.x.shape[2]
    parts = [rows.walk, rows.scatter, rows.walk_all, rows.scatter_all]
    v = (rows.regime < 0)[:, :, None] * np.eye(rows.x.shape[1])
    for variance, part in zip(noise, parts, strict=True):
        v = v + variance * part
    inverse = np.linalg.inv(v)
    vx, vy = inverse @ rows.x, np.einsum("jmn,jn->jm", inverse, rows.y)
    h = np.zeros((n, size, size), dtype=complex)
    np.add.at(h, rows.rotor, rows.x.conj().transpose(0, 2, 1) @ vx)
    b = np.zeros((n, size), dtype=complex)
    np.add.at(b, rows.rotor, np.einsum("jma,jm->ja", rows.x.conj(), vy))
    inside = np.eye(size) + sigma @ h
    f = np.linalg.inv(inside)
    k, w = h @ f, f @ sigma
    p0, m0 = 1.0 / var0.reshape(-1), mean0.reshape(-1)
    information = k.sum(axis=0) + np.diag(p0)
    information = 0.5 * (information + information.conj().T)
    cov = np.linalg.inv(information)
    mean = cov @ (np.einsum("iba,ib->a", f.conj(), b) + p0 * m0)
    left = b - h @ mean
    own = mean + np.einsum("iab,ib->ia", w, left)
    own_cov = w + f @ cov @ f.conj().transpose(0, 2, 1)
    quadratic = (rows.y.conj() * vy).sum().real - np.einsum("ia,iab,ib->", b.conj(), w, b).real
    quadratic += (p0 * np.abs(m0) ** 2).sum() - (mean.conj() @ information @ mean).real
    log_det = np.linalg.slogdet(v)[1].sum() + np.linalg.slogdet(inside)[1].sum()
    log_det += np.linalg.slogdet(information)[1] - np.log(p0).sum()
    told = np.einsum("iba,ib->ia", f.conj(), left)  # (1 + H Sigma)^-1 (b - H c)
    score = np.einsum("ia,ib->ab", told, told.conj()) - k.sum(axis=0)
    score += (k @ cov @ k.conj().transpose(0, 2, 1)).sum(axis=0)
    error = rows.y - np.einsum("jma,ja->jm", rows.x, own[rows.rotor])
    pull = np.einsum("jmn,jn->jm", inverse, error)
    turned = vx @ own_cov[rows.rotor] @ vx.conj().transpose(0, 2, 1) - inverse
    by_noise = (pull[:, :, None] * pull[:, None, :].conj() + turned).real
    return Solution(
        log_likelihood=float(-log_det - quadratic - rows.count * np.log(np.pi)),
        mean=mean.reshape(rows.regimes, -1),
        cov=cov,
        own=own.reshape(n, rows.regimes, -1),
        own_cov=own_cov,
        score_spread=score,
        score_noise=np.array(
            [x * (by_noise * part).sum() for x, part in zip(noise, parts, strict=True)]
        ),
        by_noise=by_noise,
    )


def dense_log_likelihood(
    rows: Stack, noise: np.ndarray, sigma: np.ndarray, mean0: np.ndarray, var0: np.ndarray
) -> float:
    """Return the same log-likelihood from one covariance of all rows: slow, to check `solve` by."""
    real = rows.regime >= 0
    blocks = [
        np.tensordot(noise, [p[j][np.ix_(at, at)] for p in
                             (rows.walk, rows.scatter, rows.walk_all, rows.scatter_all)], 1)
        for j, at in enumerate(np.flatnonzero(row) for row in real)
    ]  # fmt: skip
    x, y = rows.x[real], rows.y[real]
    owner = np.repeat(rows.rotor, real.sum(axis=1))
    total = block_diag(*blocks) + (x @ sigma @ x.conj().T) * (owner[:, None] == owner)
    total = total + x @ np.diag(var0.reshape(-1)) @ x.conj().T
    error = y - x @ mean0.reshape(-1)
    return float(
        -np.linalg.slogdet(total)[1]
        - (error.conj() @ np.linalg.solve(total, error)).real
        - len(y) * np.log(np.pi)
    )
