"""The level of a job's channels beside its rotor's coefficients, followed run by run.

Model of design section 5, for each channel: y_k = u_k + e_k, u_k = u_(k-1) + X_k c + w_k, with a
flat prior on the first level of a job. Given c, the level is a local-level filter whose mean is
linear in c: u_k | c, y ~ (offset + slope c, own_var). Keeping it so beside N(c; mean, cov) makes
one code path serve pairs that already taught c (c is left alone) and pairs that have not
(c is updated by the innovation), with their correlation exact in both cases.

Source of the recursions: Harvey, Forecasting, Structural Time Series Models and the Kalman Filter
(Cambridge 1989), sections 3.2 and 3.4 (diffuse start), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.blocks import by_channel

__all__ = ["Level", "follow_run", "predict_run", "start"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Level:
    """Joint posterior of levels and coefficients after some runs of one job.

    Axes: channel = (sensor, regime), or a regime for track; part = 1 for vibration, the N - 1
    contrasts for track, which share one set of coefficients.

    mean: (channel, adjuster); joint: (group, regime * adjuster, same): of the coefficients; the
    channels of a group (a sensor's regimes; all regimes of track) are known together.
    offset: (channel, part); slope: (channel, part, adjuster): level = offset + slope @ c + own.
    own_var: (channel,): variance of `own`, which is independent of c; inf before the first reading.
    age: (channel,): runs since the channel was last read; -1 when it was never read.
    """

    mean: Array
    joint: Array
    offset: Array
    slope: Array
    own_var: Real
    age: npt.NDArray[np.int64]

    @property
    def cov(self) -> Array:
        """Covariance of each channel's coefficients, (channel, adjuster, adjuster)."""
        return by_channel(self.joint, self.mean.shape[1])

    @property
    def level_mean(self) -> Array:
        """Posterior mean of the level, shape (channel, part); NaN where never read."""
        known = np.where(np.isnan(self.mean), 0.0, self.mean)
        level = self.offset + np.einsum("jma,ja->jm", self.slope, known)
        return np.where(np.isinf(self.own_var)[:, None], np.nan, level)


def start(mean: Array, joint: Array, parts: int = 1) -> Level:
    """Return the state before a job's first run: levels unknown, coefficients as given.

    mean: (channel, adjuster), NaN where nothing is known; joint: (group, regime * adjuster, same).
    parts: numbers read in one channel of one run (1, or N - 1 contrasts of track heights).
    """
    channels, adjusters = mean.shape
    return Level(
        mean=mean.copy(),
        joint=joint.copy(),
        offset=np.zeros((channels, parts), mean.dtype),
        slope=np.zeros((channels, parts, adjusters), mean.dtype),
        own_var=np.full(channels, np.inf),
        age=np.full(channels, -1, dtype=np.int64),
    )


def follow_run(
    state: Level,
    moves: Array,
    readings: Array,
    reading_var: Real,
    run_var: Real,
    teach: bool = True,
    speaking: Real | None = None,
) -> Level:
    """Return the state after one more run.

    moves: (channel, part, adjuster): X of the moves made since the run before (zeros at the first).
    readings: (channel, part), NaN where the channel was not read in this run.
    reading_var, run_var: (channel,): r of this run's readings and q for each run step.
    teach: False when the pair that ends here is already in the coefficients. speaking: (channel,),
    the share of the reading's word that counts for the coefficients; None = all of it.

    A move of an adjuster whose coefficient is unknown (NaN) cuts the level: it starts afresh at the
    next reading, which is what a flat prior on that coefficient gives.
    """
    unknown = np.isnan(state.mean)
    cut = ((moves != 0) & unknown[:, None, :]).any(axis=(1, 2))
    slope = state.slope + np.where(unknown[:, None, :], 0.0, moves)
    own_var = np.where(cut, np.inf, state.own_var + run_var)
    read = np.asarray(~np.isnan(readings).any(axis=1), dtype=bool)
    fresh = read & np.isinf(own_var)
    follow = read & ~np.isinf(own_var)
    innovation_free = readings - state.offset

    mean, joint = state.mean.copy(), state.joint.copy()
    share = 1.0 if speaking is None else speaking
    if teach and follow.any():
        for part in range(readings.shape[1]):
            _teach(
                mean,
                joint,
                slope[:, part],
                innovation_free[:, part],
                (own_var + reading_var) / share,
                follow,
            )

    level_var = np.where(follow, own_var, 0.0)
    total = level_var + reading_var
    gain = np.where(follow & (total > 0), level_var / np.where(total > 0, total, 1.0), 0.0)
    gain[fresh] = 1.0
    offset = state.offset + gain[:, None] * np.where(read[:, None], innovation_free, 0.0)
    slope = np.where(fresh[:, None, None], 0.0, (1.0 - gain)[:, None, None] * slope)
    own_var = np.where(fresh, reading_var, np.where(follow, gain * reading_var, own_var))
    age = np.where(read, 0, np.where(cut | (state.age < 0), -1, state.age + 1))
    return replace(
        state, mean=mean, joint=joint, offset=offset, slope=slope, own_var=own_var, age=age
    )


def predict_run(
    state: Level, moves: Array, reading_var: Real, run_var: Real
) -> tuple[Array, Array]:
    """Return mean and covariance of the next run's readings, given the moves made before it.

    moves, reading_var, run_var: as in `follow_run`. mean: (channel, part); cov: (channel, part,
    part). NaN where the channel was not read since its level was cut, or where a move rests on an
    unknown coefficient.
    """
    unknown = np.isnan(state.mean)
    lost = np.isinf(state.own_var) | ((moves != 0) & unknown[:, None, :]).any(axis=(1, 2))
    slope = state.slope + np.where(unknown[:, None, :], 0.0, moves)
    known = np.where(unknown, 0.0, state.mean)
    cov = np.where(unknown[:, :, None] | unknown[:, None, :], 0.0, state.cov)
    mean = state.offset + np.einsum("jma,ja->jm", slope, known)
    own = np.where(lost, 0.0, state.own_var) + run_var + reading_var
    spread = np.einsum("jma,jab,jnb->jmn", slope, cov, slope.conj())
    spread = spread + own[:, None, None] * np.eye(mean.shape[1])
    return (
        np.where(lost[:, None], np.nan, mean),
        np.where(lost[:, None, None], np.nan, spread),
    )


def _teach(
    mean: Array, joint: Array, slope: Array, target: Array, noise: Real, follow: Array
) -> None:
    """Update mean and joint in place by target = slope @ c + noise, regime by regime.

    One regime's reading tells of all coefficients of its sensor, as far as they are known together.
    """
    groups, size = joint.shape[:2]
    adjusters = mean.shape[1]
    regimes = size // max(adjusters, 1)
    stacked = mean.reshape(groups, size)
    known = ~np.isnan(stacked)
    m = np.where(known, stacked, 0.0)
    v = np.where(known[:, :, None] & known[:, None, :], joint, 0.0)
    h = np.where(np.isnan(mean), 0.0, slope).reshape(groups, regimes, adjusters)
    target, noise = target.reshape(groups, regimes), noise.reshape(groups, regimes)
    told = follow.reshape(groups, regimes)
    for g in np.flatnonzero(told.any(axis=0)):
        at = slice(g * adjusters, (g + 1) * adjusters)
        row, use = h[:, g], told[:, g]
        vh = np.einsum("sxa,sa->sx", v[:, :, at], row.conj())
        spread = np.einsum("sa,sa->s", row, vh[:, at]).real + np.where(use, noise[:, g], 1.0)
        use = use & (spread > 0)
        error = np.where(use, target[:, g] - np.einsum("sa,sa->s", row, m[:, at]), 0.0)
        step = vh * np.where(use, 1.0 / np.where(use, spread, 1.0), 0.0)[:, None]
        m += step * error[:, None]
        v -= step[:, :, None] * vh.conj()[:, None, :]
    stacked[...] = np.where(known, m, stacked)
    joint[...] = np.where(known[:, :, None] & known[:, None, :], v, joint)
