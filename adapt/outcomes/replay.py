"""Walking forward through a log: every run predicted from what was known before it.

Methods: no change (the channel's reading before), chart (that reading plus the chart's effect of
the moves since), learned (level and coefficients from the runs before, of this and other rotors).
Nothing from a run, or after it, enters its prediction. What the errors amount to lives in `scores`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import chi2

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Posterior
from adapt.learning.rows.runs import Runs, history_of, runs_of
from adapt.learning.sequential import Inputs, Step, afresh, follow_job, inputs_of
from adapt.learning.suspects.screening import Screened
from adapt.learning.whole import Happened, learn_runs
from adapt.level import predict_run
from adapt.outcomes.outcome import Outcome
from adapt.outcomes.scores import chart_fit, summary
from adapt.rotor import Rotor

__all__ = ["compare"]

Array = npt.NDArray[Any]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]
Progress = Callable[[int, int], None]

GROWN = 1.35  # times the runs known before: then the fleet's coefficients are learned anew
MOVED = 1.1  # the same where a rotor's second job since its reference moved begins
LOOKS = 2  # for suspects at a time; what they hide is found the next time
COVERAGE = 0.95


def compare(
    rotor: Rotor,
    log: Any,
    chart: Chart | None = None,
    progress: Progress | None = None,
    grown: float = GROWN,
) -> Outcome:
    """Predict every run of a log from the runs before it, by each method, and score the errors.

    log: a log, its path, or a history that was checked already. chart: also the learner's start;
    without one there is no method "chart". progress: called with (jobs done, jobs in all). grown:
    the fleet's coefficients are learned anew at the start of a job before which so many times the
    runs of the last time are known; in between a rotor's own follow its runs one at a time. What is
    predicted of a run does not depend on how many come after it.

    Raises BadInput when the log cannot be read.
    """
    history = history_of(rotor, log)
    runs = runs_of(rotor, history)
    happened = Happened.of(rotor, runs, history)
    walk = _Walk(rotor, runs, happened, chart, inputs_of(rotor, runs), grown)
    rows: list[dict[str, Any]] = []
    report = progress or (lambda done, of: None)
    report(0, len(walk.jobs))
    for done, job in enumerate(walk.jobs):
        rows.extend(walk.predict(job))
        report(done + 1, len(walk.jobs))
    predictions = pd.DataFrame(rows, columns=_COLUMNS)
    table = summary(predictions, rotor)
    notes = []
    if chart is None:
        notes.append("no chart was given: its predictions are not among the methods")
    if predictions.empty:
        notes.append("no run could be predicted: the log has no two runs of a job in a row")
    return Outcome(
        summary=table,
        chart_fit=chart_fit(rotor, runs, chart, walk.last),
        predictions=predictions,
        jobs=predictions["job"].nunique(),
        runs=len(predictions[["job", "run"]].drop_duplicates()),
        jobs_left_out=len(history.set_aside),
        notes=tuple(notes),
    )


_COLUMNS = [
    "method", "rotor", "job", "run", "sensor", "regime", "moved", "predicted", "read", "error",
    "inside_95",
]  # fmt: skip


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


class _Walk:
    """The state of a walk: what was learned at each refit, and each job's predictions from it."""

    def __init__(
        self,
        rotor: Rotor,
        runs: Runs,
        happened: Happened,
        chart: Chart | None,
        inputs: Inputs,
        grown: float,
    ) -> None:
        self._happened = happened
        self._rotor, self._runs, self._chart, self._inputs = rotor, runs, chart, inputs
        self._rank = _time_rank(runs)
        first = np.full(len(runs.jobs), np.iinfo(np.int64).max)
        np.minimum.at(first, runs.job, self._rank)
        present = np.unique(runs.job)
        self.jobs = present[np.argsort(first[present], kind="stable")]
        self._first = first
        self._cuts = _cuts(first[self.jobs], self._frame_known(), grown)
        self._fits: dict[int, Screened] = {}

    def _frame_known(self) -> Truth:
        """Return which jobs are a rotor's second in a new frame: only then is its angle known.

        Shape (job,), in the order of `jobs`.
        """
        runs, found = self._runs, []
        last: dict[int, list[Array]] = {}
        for job in self.jobs:
            members = np.flatnonzero(runs.job == job)
            code, epoch = int(runs.rotor[members[0]]), runs.epoch[members].max(axis=0)
            before = last.setdefault(code, [np.zeros_like(epoch)])
            found.append(len(before) > 1 and bool((before[-1] > before[-2]).any()))
            before.append(epoch)
        return np.array(found, dtype=bool)

    @property
    def last(self) -> Screened | None:
        """What was learned the last time."""
        return self._fits[max(self._fits)] if self._fits else None

    def predict(self, job: int) -> Iterator[dict[str, Any]]:
        """Yield the rows of one job's runs."""
        runs, inputs, rotor = self._runs, self._inputs, self._rotor
        code = int(runs.rotor[np.flatnonzero(runs.job == job)[0]])
        coefficients, posterior, seen = self._known_before(code, int(self._first[job]))
        contrasts = inputs.track_readings.shape[2]
        step = Step.begin(posterior, contrasts)
        before = _Before.none(inputs)
        for run in np.flatnonzero(runs.job == job).tolist():
            if (runs.epoch[run] > seen).any():
                posterior = afresh(
                    step.posterior(), coefficients.unseen, rotor, runs.epoch[run] > seen
                )
                seen = runs.epoch[run]
                step = Step.begin(posterior, contrasts)
            if runs.starts[run]:
                step = Step.begin(step.posterior(), contrasts)
                before = _Before.none(inputs)
            before = before.moved(inputs, run)
            yield from self._rows(run, before, step, coefficients)
            step = step.follow(inputs, run, coefficients.noise, True)
            before = before.read(inputs, run)

    def _known_before(self, code: int, rank: int) -> tuple[Coefficients, Posterior, Whole]:
        """What is known of a rotor when a job starts: the last refit and its own runs since."""
        runs = self._runs
        cut = int(self._cuts[self._cuts <= rank].max())
        if cut not in self._fits:
            earlier = self._rank < cut
            last = self.last
            self._fits[cut] = learn_runs(
                self._rotor,
                runs.only(earlier),
                self._happened.only(runs, earlier),
                self._chart,
                held=last.coefficients.withheld if last else frozenset(),
                start=last.fitted if last else None,
                rounds=LOOKS,
            )
        coefficients = self._fits[cut].coefficients
        posterior = coefficients.of(runs.serials[code])
        mine = (runs.rotor == code) & (self._rank < rank)
        known = np.flatnonzero(mine & (self._rank < cut))
        seen = runs.epoch[known].max(axis=0) if len(known) else np.zeros_like(runs.epoch[0])
        since = mine & (self._rank >= cut)
        for job in dict.fromkeys(runs.job[since]):
            members = np.flatnonzero((runs.job == job) & mine)
            fresh = since & ~runs.starts
            latest = runs.epoch[members].max(axis=0)
            if (latest > seen).any():
                posterior = afresh(posterior, coefficients.unseen, self._rotor, latest > seen)
                seen = np.maximum(latest, seen)
            posterior = follow_job(
                posterior, self._rotor, runs, self._inputs, members, fresh, coefficients.noise, seen
            )
        return coefficients, posterior, seen

    def _rows(
        self, run: int, before: _Before, step: Step, coefficients: Coefficients
    ) -> Iterator[dict[str, Any]]:
        runs, inputs, rotor, noise = self._runs, self._inputs, self._rotor, coefficients.noise
        label = {
            "rotor": runs.serials[runs.rotor[run]],
            "job": runs.jobs[runs.job[run]],
            "run": runs.names[run],
        }
        mean, cov = predict_run(
            step.level,
            inputs.moves[run],
            noise.reading_var / inputs.repeats[run],
            noise.run_var_after(inputs.moved[run]),
        )
        ways: dict[str, Array] = {"no change": before.readings}
        if self._chart is not None:
            ways["chart"] = before.readings + _effect(before.moves, self._chart.mean)
        ways["learned"] = mean
        read = inputs.readings[run]
        reach = chi2.ppf(COVERAGE, 2)
        usable = ~np.isnan(read).any(axis=1)
        for predicted in ways.values():
            usable &= ~np.isnan(predicted).any(axis=1)
        for j in np.flatnonzero(usable):
            sensor, regime = rotor.channels[j]
            for method, predicted in ways.items():
                error = abs(complex(read[j, 0] - predicted[j, 0]))
                inside = None
                if method == "learned":
                    inside = bool(2.0 * error**2 / cov[j, 0, 0].real <= reach)
                yield {
                    **label,
                    "method": method,
                    "sensor": sensor,
                    "regime": regime,
                    "moved": bool((before.moves[j] != 0).any()),
                    "predicted": complex(predicted[j, 0]),
                    "read": complex(read[j, 0]),
                    "error": error,
                    "inside_95": inside,
                }
        if rotor.has_track:
            yield from self._track_rows(run, before, step, coefficients, label)

    def _track_rows(
        self,
        run: int,
        before: _Before,
        step: Step,
        coefficients: Coefficients,
        label: dict[str, str],
    ) -> Iterator[dict[str, Any]]:
        inputs, noise = self._inputs, coefficients.noise
        contrasts = inputs.track_readings.shape[2]
        if contrasts == 0:
            return
        mean, cov = predict_run(
            step.track,
            inputs.track_moves[run],
            noise.track_reading_var,
            noise.track_run_var_after(inputs.moved[run]),
        )
        ways: dict[str, Array] = {"no change": before.track}
        if self._chart is not None:
            ways["chart"] = before.track + _effect(before.track_moves, self._chart.track_mean)
        ways["learned"] = mean
        read = inputs.track_readings[run]
        reach = chi2.ppf(COVERAGE, contrasts)
        usable = ~np.isnan(read).any(axis=1)
        for predicted in ways.values():
            usable &= ~np.isnan(predicted).any(axis=1)
        for g in np.flatnonzero(usable):
            for method, predicted in ways.items():
                miss = read[g] - predicted[g]
                inside = None
                if method == "learned":
                    distance = float(miss @ np.linalg.solve(cov[g], miss))
                    inside = bool(distance <= reach)
                yield {
                    **label,
                    "method": method,
                    "sensor": None,
                    "regime": self._rotor.regime_names[g],
                    "moved": bool((before.track_moves[g] != 0).any()),
                    "predicted": None,
                    "read": None,
                    "error": float(np.sqrt((miss**2).sum() / (contrasts + 1))),
                    "inside_95": inside,
                }


def _effect(moves: Array, chart: Array) -> Array:
    """Effect of moves (channel, part, adjuster) by the chart; NaN where it lacks a row for one."""
    effect = np.where(moves != 0, chart[:, None, :] * moves, 0.0)
    return np.asarray(effect.sum(axis=2))


def _cuts(first: Whole, frame_known: Truth, grown: float) -> Whole:
    """Return how many runs are known each time that coefficients are learned anew, ascending.

    first: (job,), how many runs are known when each job starts, in that order; frame_known: (job,),
    True where a moved reference's angle can be known for the first time. Each depends on what came
    before it alone.
    """
    cuts: list[int] = []
    for known, moved in zip(first.tolist(), frame_known.tolist(), strict=True):
        if not cuts or known >= max((MOVED if moved else grown) * cuts[-1], cuts[-1] + 1):
            cuts.append(known)
    return np.array(cuts, dtype=np.int64)


def _time_rank(runs: Runs) -> Whole:
    """Rank of each run by when it was started; a run without a date stands with the one before."""
    times = pd.Series(runs.started).groupby(runs.rotor).ffill().bfill()
    order = np.lexsort((np.arange(len(runs)), times.to_numpy(dtype="datetime64[ns]")))
    rank = np.empty(len(runs), dtype=np.int64)
    rank[order] = np.arange(len(runs))
    return rank
