"""What each sensor read of a log and how it varies, as it counts where coefficients are learned.

Differences of a segment's readings with their covariance; what they say is asked elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Noise
from adapt.learning.rows.runs import Runs, orders, track_contrasts, track_moves, vibration_moves
from adapt.learning.rows.weights import EVEN, Weight, Weights
from adapt.rotor import Rotor

__all__ = ["Differences", "Sensed", "differences", "sensed"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Sensed:
    """What one sensor read, and how it varies; track is one sensor more, of N - 1 parts.

    at: its number, None for track. read: (run, regime, part), NaN where not read; moves: (run,
    part, adjuster), X since the run before; scatter, step: (run, regime), variance of a reading and
    of the change since the run before. earlier: (run,), True where the frame no longer holds.
    """

    at: int | None
    read: Array
    moves: Array
    scatter: Real
    step: Real
    earlier: Truth


@dataclass(frozen=True, eq=False)
class Differences:
    """Differences of neighbouring readings of one regime in a segment.

    x: (row, part, adjuster), y: (row, part), v: (row, row), of each part; first, last: (row,), the
    runs that each lies between.
    """

    x: Array
    y: Array
    v: Real
    first: Whole
    last: Whole


def sensed(rotor: Rotor, runs: Runs, noise: Noise, weights: Weights = EVEN) -> list[Sensed]:
    """Return all sensors, and track last where the design has it; weights: of single runs."""
    regimes = len(rotor.regimes)
    moves = vibration_moves(rotor, runs)[orders(rotor)[1]]
    share = 1.0 if noise.speaking is None else noise.speaking
    step = _step(noise.run_var_after(runs.moved), noise.run_var, weights.vibration) / share
    scatter = _scatter(noise.reading_var / runs.repeats, weights.vibration) / share
    found = [
        Sensed(
            at=s,
            read=runs.readings[:, channels, None],
            moves=moves[channels.start][:, None, :],
            scatter=scatter[:, channels],
            step=step[:, channels],
            earlier=runs.epoch[:, s] < runs.epoch_now[runs.rotor, s],
        )
        for s in range(len(rotor.sensors))
        for channels in [slice(s * regimes, (s + 1) * regimes)]
    ]
    if rotor.has_track and not np.isnan(noise.track_run_var).all():
        share = 1.0 if noise.track_speaking is None else noise.track_speaking
        step = noise.track_run_var_after(runs.moved)
        step = _step(step, noise.track_run_var, weights.track) / share
        scatter = np.broadcast_to(noise.track_reading_var, step.shape)
        scatter = _scatter(scatter, weights.track) / share
        never = np.zeros(len(runs), dtype=bool)
        found.append(Sensed(None, track_contrasts(runs), track_moves(runs), scatter, step, never))
    return found


def differences(sensor: Sensed, low: int, high: int, regime: int) -> Differences:
    """Return a regime's differences between the runs `low` and `high` - 1 of one segment."""
    values = sensor.read[low:high, regime]
    parts = values.shape[1]
    at = np.flatnonzero(~np.isnan(values).any(axis=1)) if parts else np.zeros(0, dtype=np.int64)
    moved = np.cumsum(sensor.moves[low:high], axis=0)
    walk = np.diff(np.cumsum(sensor.step[low:high, regime])[at])
    r = sensor.scatter[low:high, regime][at]
    v = np.zeros((0, 0))
    if len(at) > 1:
        v = np.diag(walk + r[1:] + r[:-1]) - np.diag(r[1:-1], 1) - np.diag(r[1:-1], -1)
    run = low + at
    return Differences(
        np.diff(moved[at], axis=0), np.diff(values[at], axis=0), v, run[:-1], run[1:]
    )


def _step(var: Real, run_var: Real, weight: Weight) -> Real:
    """Return the variance of steps, (run, channel), of which the share run_var is weighed."""
    if weight.step is None:
        return var
    return np.asarray(var + (1.0 / weight.step - 1.0)[:, None] * run_var)


def _scatter(var: Real, weight: Weight) -> Real:
    return var if weight.reading is None else np.asarray(var / weight.reading[:, None])
