"""What was known of a rotor before some of its runs taught: their word taken off its posterior.

With rows y = X c + e, e of covariance V, that are in a posterior (m, P),

    S = V - X P X',   m_before = m - P X' S^-1 (y - X m),   P_before = P + P X' S^-1 X P

(' = conjugate transpose): the update of a normal with known variances, run backwards. The word
that the rows had on the type, and through it on the rotor, stays: little in a fleet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from adapt.coefficients import Posterior
from adapt.learning.rows.pairs import MOVED
from adapt.learning.sensed import Sensed, differences

__all__ = ["ALONE", "without_runs"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

ALONE = 1e-9  # smallest eigenvalue of S over V: below this nothing else was known


def without_runs(
    posterior: Posterior,
    unseen: Posterior,
    sensors: Sequence[Sensed],
    stretches: Sequence[tuple[int, int]],
) -> Posterior:
    """Return a posterior as it was before stretches of runs taught.

    unseen: of a rotor with no runs, used where nothing but these runs is known. stretches: first
    run and one past the last, each with a level of its own.
    """
    mean, joint = posterior.mean.copy(), posterior.joint.copy()
    track_mean, track_joint = posterior.track_mean.copy(), posterior.track_joint.copy()
    for sensor in sensors:
        regimes = sensor.read.shape[1]
        if sensor.at is None:
            shape = track_mean.shape
            m, p = _without(track_mean.ravel(), track_joint[0], sensor, stretches) or (
                unseen.track_mean.ravel(), unseen.track_joint[0]
            )  # fmt: skip
            track_mean, track_joint[0] = m.reshape(shape), p
            continue
        at = slice(sensor.at * regimes, (sensor.at + 1) * regimes)
        m, p = _without(mean[at].ravel(), joint[sensor.at], sensor, stretches) or (
            unseen.mean[at].ravel(), unseen.joint[sensor.at]
        )  # fmt: skip
        mean[at], joint[sensor.at] = m.reshape(regimes, -1), p
    return replace(
        posterior, mean=mean, joint=joint, track_mean=track_mean, track_joint=track_joint
    )


def _without(
    mean: Array, cov: Array, sensor: Sensed, stretches: Sequence[tuple[int, int]]
) -> tuple[Array, Array] | None:
    """Return mean and covariance of one sensor before; None where nothing else was known."""
    known = ~np.isnan(mean)
    x, y, v = _rows(sensor, stretches, known)
    if not len(y):
        return mean, cov
    m, p = np.where(known, mean, 0.0), np.where(known[:, None] & known, cov, 0.0)
    if not (np.diag(v) > 0).all():
        return None
    root = np.linalg.inv(np.linalg.cholesky(v))
    x, y = root @ x, root @ y
    left = np.eye(len(y)) - x @ p @ x.conj().T
    if np.linalg.eigvalsh(left)[0] < ALONE:
        return None
    gain = p @ x.conj().T @ np.linalg.inv(left)
    before = p + gain @ x @ p
    before = 0.5 * (before + before.conj().T)
    return (
        np.where(known, m - gain @ (y - x @ m), np.nan),
        np.where(known[:, None] & known, before, np.nan),
    )


def _rows(
    sensor: Sensed, stretches: Sequence[tuple[int, int]], known: npt.NDArray[np.bool_]
) -> tuple[Array, Array, Real]:
    """Return X, y and V of all regimes; rows that rest on what is not known are left out."""
    regimes, parts = sensor.read.shape[1:]
    adjusters = sensor.moves.shape[2]
    xs: list[Array] = [np.zeros((0, regimes * adjusters))]
    ys: list[Array] = [np.zeros(0)]
    vs: list[Real] = [np.zeros((0, 0))]
    for low, high in stretches:
        if sensor.earlier[low:high].any():
            continue
        for regime in range(regimes):
            told = differences(sensor, low, high, regime)
            place = slice(regime * adjusters, (regime + 1) * adjusters)
            for part in range(parts):
                x = np.zeros((len(told.y), regimes * adjusters), dtype=told.x.dtype)
                x[:, place] = told.x[:, part]
                sure = ~(np.abs(x[:, ~known]) > MOVED).any(axis=1)
                xs.append(x[sure])
                ys.append(told.y[sure, part])
                vs.append(told.v[np.ix_(sure, sure)])
    return np.concatenate(xs), np.concatenate(ys), block_diag(*vs)
