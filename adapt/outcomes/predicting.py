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

from adapt.coefficients import Noise
from adapt.learning.sequential import Step
from adapt.level import predict_run
from adapt.outcomes.columns import (
    CHART,
    EARLY,
    LEARNED,
    NO_CHANGE,
    Before,
    Foretold,
    by_chart,
    track_columns,
    vibration_columns,
)
from adapt.outcomes.stated import Limits, run_chance
from adapt.outcomes.walk import Known, Stretch

__all__ = ["Predicted", "predict"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Predicted:
    """One job's predictions: columns of equal length, by name, and columns of its runs."""

    job: str
    rows: Mapping[str, Array]
    runs: Mapping[str, Array]


def predict(stretch: Stretch, limits: Limits) -> list[Predicted]:
    """Return the predictions of every job of a stretch, in its order."""
    return [_Job(stretch, job, limits).predicted() for job in stretch.jobs]


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

    def foretell(self, run: int) -> Foretold:
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
        return Foretold(mean[:, 0], cov[:, 0, 0].real, track_mean, track_cov)

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
        self._before = Before.none(stretch.inputs)
        self._rows: list[dict[str, Array]] = []
        self._runs: list[dict[str, Any]] = []

    def predicted(self) -> Predicted:
        """Return the job's predictions."""
        runs, inputs = self._stretch.runs, self._stretch.inputs
        for run in np.flatnonzero(runs.job == self._job).tolist():
            if runs.starts[run]:
                self._before = Before.none(inputs)
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
        ways = {NO_CHANGE: Foretold(before.readings[:, 0], None, before.track, None)}
        if chart is not None:
            ways[CHART] = by_chart(before, chart)
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
            vibration_columns(run, usable, before, ways, read, self._limits, noise),
            track_columns(run, whole, before, ways, heights, self._limits),
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
        return {
            "at": run,
            "pairs": self._pairs[run],
            "chance": chance,
            "chance_early": early,
            "came_inside": self._limits.all_inside(self._stretch.runs, run),
        }
