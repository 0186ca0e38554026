"""Segments of jobs of one length, many at a time, as arrays: lines of readings and moves.

A line is one vibration channel, or one contrast of the track heights of one regime: real numbers,
kept as complex ones, with half the weight. Lines that answer to moves in the same way (sensors of
one order; one contrast in all regimes) share a motion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Noise
from adapt.effects import contrast_changes, contrasts, harmonic_sums
from adapt.learning.rows.runs import Runs, orders
from adapt.rotor import Rotor

__all__ = ["Known", "Segments"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Known:
    """What the rest of the log says of each segment's rotor: coefficients, and the noise of all.

    mean: (segment, channel, adjuster), cov: (segment, channel, adjuster, adjuster); track
    likewise by regime. noise: of all. share: of the lines that speaks for itself, 0..1.
    """

    mean: Array
    cov: Array
    track_mean: Real
    track_cov: Real
    noise: Noise
    share: float

    def only(self, chosen: Truth | Whole) -> Known:
        """Return what is known for some of the segments."""
        names = ("mean", "cov", "track_mean", "track_cov")
        return replace(self, **{name: getattr(self, name)[chosen] for name in names})


@dataclass(frozen=True, eq=False)
class Segments:
    """Segments of the same number of runs.

    first: (segment,) row of the first run. readings: (segment, run, line), NaN where not read;
    repeats: likewise; amounts: (segment, run, blade, adjuster), moves that led to each run; extra:
    (segment, run, line), what inexact moves add to the variance of each step, or that it was given
    up as unexplained, in units of run_var; kept: (segment, run), the pair that ends there was found
    right by somebody. motion: (line,); channels: how many lines are vibration. half: (line,), 1 for
    circular complex numbers, 1/2 for real ones. mean, cov:
    (segment, line, adjuster[, adjuster]). run_var, reading_var: (line,).
    """

    rotor: Rotor
    first: Whole
    readings: Array
    repeats: Real
    amounts: Real
    extra: Real
    kept: Truth
    motion: Whole
    channels: int
    half: Real
    mean: Array
    cov: Array
    run_var: Real
    reading_var: Real
    share: float

    @classmethod
    def of(cls, rotor: Rotor, runs: Runs, first: Whole, length: int, known: Known) -> Segments:
        """Gather segments of `length` runs that start at these rows."""
        rows = first[:, None] + np.arange(length)
        amounts = runs.amounts[rows].copy()
        amounts[:, 0] = 0.0
        listed, of_channel = orders(rotor)
        readings, repeats = runs.readings[rows], runs.repeats[rows]
        mean, cov = known.mean, known.cov
        motion, half = of_channel, np.ones(len(of_channel))
        noise = known.noise
        run_var, reading_var = noise.run_var, noise.reading_var
        moved = runs.moved[rows]
        moved[:, 0] = 0
        extra = _extra(run_var, noise.run_var_after(moved))
        basis = contrasts(len(rotor.blades))
        if len(basis) and rotor.has_track and not np.isnan(noise.track_run_var).all():
            heights = np.einsum("kb,nrgb->nrkg", basis, runs.heights[rows])
            parts, regimes = len(basis), heights.shape[-1]
            lines = heights.reshape(*rows.shape, parts * regimes)
            readings = np.concatenate([readings, lines], axis=2)
            repeats = np.concatenate([repeats, np.ones(lines.shape)], axis=2)
            motion = np.concatenate([motion, len(listed) + np.repeat(np.arange(parts), regimes)])
            half = np.concatenate([half, np.full(parts * regimes, 0.5)])
            mean = np.concatenate([mean, np.tile(known.track_mean, (1, parts, 1))], axis=1)
            cov = np.concatenate([cov, np.tile(known.track_cov, (1, parts, 1, 1))], axis=1)
            lifted = _extra(noise.track_run_var, noise.track_run_var_after(moved))
            extra = np.concatenate([extra, np.tile(lifted, (1, 1, parts))], axis=2)
            run_var = np.concatenate([run_var, np.tile(noise.track_run_var, parts)])
            reading_var = np.concatenate([reading_var, np.tile(noise.track_reading_var, parts)])
        return cls(
            rotor, first, readings, repeats, amounts, extra,
            runs.kept[rows], motion, len(of_channel), half, mean, cov, run_var, reading_var,
            known.share,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.first)

    @property
    def length(self) -> int:
        """How many runs each has."""
        return int(self.readings.shape[1])

    @property
    def weight(self) -> Real:
        """Weight of a line's log likelihood, (line,)."""
        return self.half * self.share

    def only(self, chosen: Truth | Whole) -> Segments:
        """Return some of the segments."""
        names = ("first", "readings", "repeats", "amounts", "extra", "kept", "mean", "cov")
        return replace(self, **{name: getattr(self, name)[chosen] for name in names})

    def effects(self, amounts: Real) -> Array:
        """Return X of moves (..., blade, adjuster) for each motion, (..., motion, adjuster)."""
        listed, _ = orders(self.rotor)
        x = [harmonic_sums(self.rotor, amounts, n) for n in listed]
        if len(self.motion) > self.channels:
            lift = np.moveaxis(contrast_changes(amounts), -2, 0)
            x += [part.astype(complex) for part in lift]
        return np.stack(x, axis=-2)


def _extra(run_var: Real, after: Real) -> Real:
    """Return what inexact moves add to run_var, in units of it, (segment, run, channel)."""
    return np.asarray((after - run_var) / np.where(run_var > 0, run_var, np.inf))
