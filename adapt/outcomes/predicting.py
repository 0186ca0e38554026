"""Predictions of one stretch of the walk, by each method, beside what was then read.

Methods: no change (the channel's reading before), chart (that reading plus the chart's effect of
the moves since), early fit and learned (level and coefficients from the runs before, of this and
other rotors; the early fit knows of other jobs only what the first ones of the log taught). Nothing
from a run, or after it, enters its prediction. What the errors amount to lives in `scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from adapt.chart import Chart
from adapt.coefficients import Noise
from adapt.effects import contrasts
from adapt.learning.sequential import Inputs, Step
from adapt.level import predict_run
from adapt.outcomes.stated import Limits, reading_chances, run_chance, track_chances
from adapt.outcomes.walk import Known, Stretch

__all__ = ["CHART", "EARLY", "LEARNED", "NO_CHANGE", "Predicted", "methods_of", "predict"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

NO_CHANGE, CHART, EARLY, LEARNED = "no change", "chart", "early fit", "learned"
COVERAGE = 0.95
_RESOLVED = 2.0  # reading sds: below, an amplitude has no phase worth comparing


@dataclass(frozen=True, eq=False)
class Predicted:
    """One job's predictions: columns of equal length, by name, and columns of its runs."""

    job: str
    rows: Mapping[str, Array]
    runs: Mapping[str, Array]


def predict(stretch: Stretch, limits: Limits) -> list[Predicted]:
    """Return the predictions of every job of a stretch, in its order."""
    return [_Job(stretch, job, limits).predicted() for job in stretch.jobs]


def methods_of(chart: Chart | None) -> tuple[str, ...]:
    """Return the methods in the order of their codes in `Predicted`."""
    return tuple(m for m in (NO_CHANGE, CHART, EARLY, LEARNED) if m != CHART or chart is not None)


@dataclass(frozen=True, eq=False)
class _Before:
    """The last reading of every channel in this segment, and the moves since; track likewise."""

    readings: Array
    moves: Array
    track: Array
    track_moves: Array

    @classmethod
    def none(cls, inputs: Inputs) -> _Before:
        return cls(
            np.full_like(inputs.readings[0], np.nan),
            np.zeros_like(inputs.moves[0]),
            np.full_like(inputs.track_readings[0], np.nan),
            np.zeros_like(inputs.track_moves[0]),
        )

    def moved(self, inputs: Inputs, run: int) -> _Before:
        """Return the same with the moves made before a run."""
        return _Before(
            self.readings,
            self.moves + inputs.moves[run],
            self.track,
            self.track_moves + inputs.track_moves[run],
        )

    def read(self, inputs: Inputs, run: int) -> _Before:
        """Return the same after a run was read."""
        values, heights = inputs.readings[run], inputs.track_readings[run]
        got = ~np.isnan(values).any(axis=1)
        whole = ~np.isnan(heights).any(axis=1)
        return _Before(
            np.where(got[:, None], values, self.readings),
            np.where(got[:, None, None], 0.0, self.moves),
            np.where(whole[:, None], heights, self.track),
            np.where(whole[:, None, None], 0.0, self.track_moves),
        )


@dataclass(frozen=True, eq=False)
class _Foretold:
    """What one method says of a run. var, track_cov: None where it states no interval."""

    mean: Array
    var: Real | None
    track_mean: Real
    track_cov: Real | None


class _Follower:
    """Level and coefficients of one job followed run by run, from what was known before it."""

    def __init__(self, stretch: Stretch, known: Known) -> None:
        self._stretch, self._known = stretch, known
        self._parts = stretch.inputs.track_readings.shape[2]
        self._step = Step.begin(known.posterior, self._parts)

    @property
    def noise(self) -> Noise:
        """The noise, as it was known."""
        return self._known.coefficients.noise

    def foretell(self, run: int) -> _Foretold:
        """Return what is foretold of a run, from those before it."""
        stretch, noise = self._stretch, self.noise
        inputs, runs = stretch.inputs, stretch.runs
        known = replace(self._known, posterior=self._step.posterior())
        self._known = known.in_frame(stretch.rotor, runs.epoch[run])
        if runs.starts[run] or self._known is not known:
            self._step = Step.begin(self._known.posterior, self._parts)
        mean, cov = predict_run(
            self._step.level,
            inputs.moves[run],
            noise.reading_var / inputs.repeats[run],
            noise.run_var_after(inputs.moved[run]),
        )
        track_mean, track_cov = predict_run(
            self._step.track,
            inputs.track_moves[run],
            noise.track_reading_var,
            noise.track_run_var_after(inputs.moved[run]),
        )
        return _Foretold(mean[:, 0], cov[:, 0, 0].real, track_mean, track_cov)

    def run_chance(self, run: int, read: Truth, read_track: Truth, limits: Limits) -> float:
        """Return the chance that is stated of a whole run, see `stated`."""
        return run_chance(
            self._stretch.rotor,
            self._known.coefficients,
            self._step,
            self._stretch.runs.amounts[run],
            read,
            read_track,
            limits,
        )

    def read(self, run: int) -> None:
        """Take in what a run read."""
        self._step = self._step.follow(self._stretch.inputs, run, self.noise, True)


class _Job:
    """The predictions of one job, run by run."""

    def __init__(self, stretch: Stretch, job: int, limits: Limits) -> None:
        self._stretch, self._limits = stretch, limits
        self._job, self._pairs = job, stretch.pairs
        self._learned = _Follower(stretch, stretch.known_before(job))
        self._early = self._learned
        if stretch.early is not None:
            self._early = _Follower(stretch, stretch.known_before(job, early=True))
        self._before = _Before.none(stretch.inputs)
        self._rows: list[dict[str, Array]] = []
        self._runs: list[dict[str, Any]] = []

    def predicted(self) -> Predicted:
        """Return the job's predictions."""
        runs, inputs = self._stretch.runs, self._stretch.inputs
        for run in np.flatnonzero(runs.job == self._job).tolist():
            if runs.starts[run]:
                self._before = _Before.none(inputs)
            self._before = self._before.moved(inputs, run)
            self._foretell(run)
            self._learned.read(run)
            if self._early is not self._learned:
                self._early.read(run)
            self._before = self._before.read(inputs, run)
        rows = {
            name: np.concatenate([r[name] for r in self._rows]) for name in (self._rows or [{}])[0]
        }
        of_runs = {
            name: np.array([r[name] for r in self._runs]) for name in (self._runs or [{}])[0]
        }
        return Predicted(runs.jobs[self._job], rows, of_runs)

    def _foretell(self, run: int) -> None:
        """Note what each method says of a run, and what was read."""
        stretch = self._stretch
        inputs, chart = stretch.inputs, stretch.chart
        learned = self._learned.foretell(run)
        early = learned if self._early is self._learned else self._early.foretell(run)
        before = self._before
        ways = {NO_CHANGE: _Foretold(before.readings[:, 0], None, before.track, None)}
        if chart is not None:
            ways[CHART] = _by_chart(before, chart)
        ways |= {EARLY: early, LEARNED: learned}
        read = inputs.readings[run, :, 0]
        usable = ~np.isnan(read) & ~np.isnan([w.mean for w in ways.values()]).any(axis=0)
        heights = inputs.track_readings[run]
        whole = ~np.isnan(heights).any(axis=1)
        whole &= ~np.isnan([w.track_mean for w in ways.values()]).any(axis=(0, 2))
        whole &= heights.shape[1] > 0
        if not (usable.any() or whole.any()):
            return
        noise = self._learned.noise
        for rows in (
            _vibration(run, usable, before, ways, read, self._limits, noise),
            _track(run, whole, before, ways, heights, self._limits),
        ):
            pairs = np.full(len(rows["at"]), self._pairs[run])
            self._rows.append({**rows, "pairs": pairs})
        self._runs.append(self._whole_run(run, early is learned, read, heights))

    def _whole_run(self, run: int, same: bool, read: Array, heights: Real) -> dict[str, Any]:
        """Return what was stated of the run as a whole, and whether it came inside."""
        got, got_track = ~np.isnan(read), ~np.isnan(heights).any(axis=1)
        got_track &= heights.shape[1] > 0
        chance = self._learned.run_chance(run, got, got_track, self._limits)
        early = chance if same else self._early.run_chance(run, got, got_track, self._limits)
        inside = (np.abs(read) <= self._limits.of_channels) | np.isnan(self._limits.of_channels)
        inside_track = (_spread(heights) <= self._limits.of_track) | np.isnan(self._limits.of_track)
        return {
            "at": run,
            "pairs": self._pairs[run],
            "chance": chance,
            "chance_early": early,
            "came_inside": bool(inside[got].all() and inside_track[got_track].all()),
        }


def _by_chart(before: _Before, chart: Chart) -> _Foretold:
    return _Foretold(
        (before.readings + _effect(before.moves, chart.mean))[:, 0],
        None,
        before.track + _effect(before.track_moves, chart.track_mean),
        None,
    )


def _effect(moves: Array, chart: Array) -> Array:
    """Effect of moves (channel, part, adjuster) by the chart; NaN where it lacks a row for one."""
    effect = np.where(moves != 0, chart[:, None, :] * moves, 0.0)
    return np.asarray(effect.sum(axis=2))


def _vibration(
    run: int,
    usable: Truth,
    before: _Before,
    ways: Mapping[str, _Foretold],
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


def _track(
    run: int,
    whole: Truth,
    before: _Before,
    ways: Mapping[str, _Foretold],
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
    spread = _spread(heights[at])
    change = np.abs(_spread(foretold[:, list(ways).index(LEARNED)]) - _spread(before.track[at]))
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
        "amplitude_error": (spread[:, None] - _spread(foretold)).ravel(),
        "phase_error_deg": np.full(foretold.shape[:2], np.nan).ravel(),
        "tail": tail.ravel(),
        "chance": chance.ravel(),
    }


def _spread(heights: Real) -> Real:
    """Return the spread between the blades of height contrasts (..., contrast)."""
    parts = heights.shape[-1]
    if parts == 0:
        return np.zeros(heights.shape[:-1])
    return np.asarray(np.ptp(heights @ contrasts(parts + 1), axis=-1))
