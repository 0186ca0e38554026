"""What the methods say of one run beside what was read: columns, channel by channel, by method."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from adapt.chart import Chart
from adapt.coefficients import Noise
from adapt.effects import contrasts
from adapt.learning.sequential import Inputs
from adapt.outcomes.stated import Limits, reading_chances, track_chances

__all__ = [
    "CHART", "EARLY", "LEARNED", "NO_CHANGE", "Before", "Foretold", "by_chart", "methods_of",
    "spread_between", "track_columns", "vibration_columns",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

NO_CHANGE, CHART, EARLY, LEARNED = "no change", "chart", "early fit", "learned"
_RESOLVED = 2.0  # reading sds: below, an amplitude has no phase worth comparing


def methods_of(chart: Chart | None) -> tuple[str, ...]:
    """Return the methods in the order of their codes in `Predicted`."""
    return tuple(m for m in (NO_CHANGE, CHART, EARLY, LEARNED) if m != CHART or chart is not None)


@dataclass(frozen=True, eq=False)
class Before:
    """The last reading of every channel in this segment, and the moves since; track likewise."""

    readings: Array
    moves: Array
    track: Array
    track_moves: Array

    @classmethod
    def none(cls, inputs: Inputs) -> Before:
        return cls(
            np.full_like(inputs.readings[0], np.nan),
            np.zeros_like(inputs.moves[0]),
            np.full_like(inputs.track_readings[0], np.nan),
            np.zeros_like(inputs.track_moves[0]),
        )

    def moved(self, inputs: Inputs, run: int) -> Before:
        """Return the same with the moves made before a run."""
        return Before(
            self.readings,
            self.moves + inputs.moves[run],
            self.track,
            self.track_moves + inputs.track_moves[run],
        )

    def read(self, inputs: Inputs, run: int) -> Before:
        """Return the same after a run was read."""
        values, heights = inputs.readings[run], inputs.track_readings[run]
        got = ~np.isnan(values).any(axis=1)
        whole = ~np.isnan(heights).any(axis=1)
        return Before(
            np.where(got[:, None], values, self.readings),
            np.where(got[:, None, None], 0.0, self.moves),
            np.where(whole[:, None], heights, self.track),
            np.where(whole[:, None, None], 0.0, self.track_moves),
        )


@dataclass(frozen=True, eq=False)
class Foretold:
    """What one method says of a run. var, track_cov: None where it states no interval."""

    mean: Array
    var: Real | None
    track_mean: Real
    track_cov: Real | None


def by_chart(before: Before, chart: Chart) -> Foretold:
    return Foretold(
        (before.readings + _effect(before.moves, chart.mean))[:, 0],
        None,
        before.track + _effect(before.track_moves, chart.track_mean),
        None,
    )


def _effect(moves: Array, chart: Array) -> Array:
    """Effect of moves (channel, part, adjuster) by the chart; NaN where it lacks a row for one."""
    effect = np.where(moves != 0, chart[:, None, :] * moves, 0.0)
    return np.asarray(effect.sum(axis=2))


def vibration_columns(
    run: int,
    usable: Truth,
    before: Before,
    ways: Mapping[str, Foretold],
    read: Array,
    limits: Limits,
    noise: Noise,
) -> dict[str, Array]:
    """Return columns of the sensors' predictions of one run, channel by channel, by method."""
    at = np.flatnonzero(usable)
    got = read[at, None]
    foretold = np.stack([way.mean[at] for way in ways.values()], axis=1)
    limit = limits.of_channels[at]
    tail, chance = (np.full(foretold.shape, np.nan) for _ in range(2))
    for m, way in enumerate(ways.values()):
        if way.var is not None:
            tail[:, m] = chi2.sf(2.0 * np.abs(read[at] - way.mean[at]) ** 2 / way.var[at], 2)
            chance[:, m] = reading_chances(way.mean[at], way.var[at], limit)
    least = _RESOLVED * np.sqrt(noise.reading_var[at] / 2.0)[:, None]
    turn = np.degrees(np.angle(got * foretold.conj()))
    resolved = (np.abs(got) > least) & (np.abs(foretold) > least)
    last = list(ways).index(LEARNED)
    change = np.abs(foretold[:, last] - before.readings[at, 0])
    each = {
        "at": np.full(len(at), run),
        "channel": at,
        "moved": (before.moves[at, 0] != 0).any(axis=1),
        "size": change / limit,
        "limit": limit,
        "before": before.readings[at, 0],
        "read": read[at],
        "inside_limit": np.where(np.isnan(limit), np.nan, np.abs(read[at]) <= limit),
    }
    return {
        **{name: np.repeat(values, len(ways)) for name, values in each.items()},
        "method": np.tile(np.arange(len(ways)), len(at)),
        "predicted": foretold.ravel(),
        "error": np.abs(got - foretold).ravel(),
        "amplitude_error": (np.abs(got) - np.abs(foretold)).ravel(),
        "phase_error_deg": np.where(resolved, turn, np.nan).ravel(),
        "tail": tail.ravel(),
        "chance": chance.ravel(),
    }


def track_columns(
    run: int,
    whole: Truth,
    before: Before,
    ways: Mapping[str, Foretold],
    heights: Real,
    limits: Limits,
) -> dict[str, Array]:
    """Return columns of the track's predictions of one run, regime by regime, by method."""
    at = np.flatnonzero(whole)
    parts = heights.shape[1]
    foretold = np.stack([way.track_mean[at] for way in ways.values()], axis=1)
    limit = limits.of_track[at]
    tail, chance = (np.full(foretold.shape[:2], np.nan) for _ in range(2))
    for m, way in enumerate(ways.values()):
        if way.track_cov is not None and len(at):
            miss = heights[at] - way.track_mean[at]
            weighed = np.linalg.solve(way.track_cov[at], miss[:, :, None])[:, :, 0]
            tail[:, m] = chi2.sf((miss * weighed).sum(axis=1), parts)
            chance[:, m] = track_chances(way.track_mean[at], way.track_cov[at], limit)
    miss = heights[at, None] - foretold
    spread = spread_between(heights[at])
    last = foretold[:, list(ways).index(LEARNED)]
    change = np.abs(spread_between(last) - spread_between(before.track[at]))
    each = {
        "at": np.full(len(at), run),
        "channel": -1 - at,
        "moved": (before.track_moves[at] != 0).any(axis=(1, 2)),
        "size": change / limit,
        "limit": limit,
        "before": np.full(len(at), np.nan + 0j),
        "read": np.full(len(at), np.nan + 0j),
        "inside_limit": np.where(np.isnan(limit), np.nan, spread <= limit),
    }
    return {
        **{name: np.repeat(values, len(ways)) for name, values in each.items()},
        "method": np.tile(np.arange(len(ways)), len(at)),
        "predicted": np.full(foretold.shape[:2], np.nan + 0j).ravel(),
        "error": np.sqrt((miss**2).sum(axis=2) / (parts + 1)).ravel(),
        "amplitude_error": (spread[:, None] - spread_between(foretold)).ravel(),
        "phase_error_deg": np.full(foretold.shape[:2], np.nan).ravel(),
        "tail": tail.ravel(),
        "chance": chance.ravel(),
    }


def spread_between(heights: Real) -> Real:
    """Return the spread between the blades of height contrasts (..., contrast)."""
    parts = heights.shape[-1]
    if parts == 0:
        return np.zeros(heights.shape[:-1])
    return np.asarray(np.ptp(heights @ contrasts(parts + 1), axis=-1))
