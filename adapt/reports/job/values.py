"""What the report of a job is made from, brought together by whoever asks for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from adapt.log import History
from adapt.log.jobs import runs_of_job
from adapt.logbook.ordering import Order
from adapt.outcomes.one_job import JobOutcome
from adapt.planning.plan import Plan
from adapt.reports.records import records
from adapt.rotor import Limit, Rotor

__all__ = ["JobRecord", "Status"]

INSIDE = 1.0 + 1e-9


@dataclass(frozen=True)
class Status:
    """What a logbook says of a job: open, closed with a run and released by somebody, stopped."""

    status: str
    closing_run: str = ""
    released_by: str = ""
    note: str = ""


@dataclass(frozen=True, eq=False)
class JobRecord:
    """One job with all that a report of it shows.

    outcome: what was foretold of its runs, None where nobody looked. plan: for the next run, None
    where there is none; why_no_plan says why then. coefficients_from: what the plan rests on.
    status: None where the log is no logbook; ordered: by run, what was ordered after it. data: what
    the log was read from, and as of when. limit_set: the named set of limits, None for the unnamed
    ones.
    """

    rotor: Rotor
    history: History
    job: str
    outcome: JobOutcome | None
    plan: Plan | None
    why_no_plan: str
    coefficients_from: str
    status: Status | None
    data: str
    limit_set: str | None = None
    concerns: tuple[str, ...] = ()
    ordered: Mapping[str, Order] = field(default_factory=dict)

    @cached_property
    def runs(self) -> list[dict[str, Any]]:
        """The job's runs in order, as in `History.runs`."""
        return records(runs_of_job(self.history, self.job))

    @cached_property
    def run_names(self) -> list[str]:
        return [str(run["run"]) for run in self.runs]

    @property
    def serial(self) -> str:
        return str(self.runs[0]["rotor"])

    def readings(self, run: str) -> Mapping[tuple[str, str], complex]:
        """Return what a run read, complex, lag, by (sensor, regime)."""
        return self._readings.get(run, {})

    def heights(self, run: str) -> Mapping[str, dict[str, float]]:
        """Return the heights of the blades that a run read, by regime, then blade."""
        return self._heights.get(run, {})

    def moves(self, run: str) -> list[dict[str, Any]]:
        """Return the moves made after a run."""
        return self._moves.get(run, [])

    @cached_property
    def _readings(self) -> dict[str, dict[tuple[str, str], complex]]:
        mine = _of_job(self.history.readings, self.job)
        found: dict[str, dict[tuple[str, str], complex]] = {}
        columns = (mine[c] for c in ("run", "sensor", "regime", "value"))
        for run, sensor, regime, value in zip(*columns, strict=True):
            found.setdefault(str(run), {})[str(sensor), str(regime)] = complex(value)
        return found

    @cached_property
    def _heights(self) -> dict[str, dict[str, dict[str, float]]]:
        mine = _of_job(self.history.track, self.job)
        found: dict[str, dict[str, dict[str, float]]] = {}
        columns = (mine[c] for c in ("run", "regime", "blade", "height"))
        for run, regime, blade, height in zip(*columns, strict=True):
            if np.isfinite(height):
                of_run = found.setdefault(str(run), {})
                of_run.setdefault(str(regime), {})[str(blade)] = float(height)
        return found

    @cached_property
    def _moves(self) -> dict[str, list[dict[str, Any]]]:
        found: dict[str, list[dict[str, Any]]] = {}
        for move in records(_of_job(self.history.moves, self.job)):
            found.setdefault(str(move["after_run"]), []).append(move)
        return found

    def limit(self, sensor: str | None, regime: str) -> float | None:
        """Return the limit in force on a sensor (None: track spread), None where there is none."""
        found: Limit | None = self.rotor.limit_for(sensor, regime, self.limit_set)
        return None if found is None else found.limit

    def over(self, run: str) -> list[tuple[str | None, str, float]]:
        """Return what a run read over its limit: sensor (None: track), regime, ratio."""
        found: list[tuple[str | None, str, float]] = []
        for (sensor, regime), value in self.readings(run).items():
            limit = self.limit(sensor, regime)
            if limit is not None and abs(value) > INSIDE * limit:
                found.append((sensor, regime, abs(value) / limit))
        for regime, heights in self.heights(run).items():
            limit, spread = self.limit(None, regime), spread_of(heights)
            if limit is not None and spread > INSIDE * limit:
                found.append((None, regime, spread / limit))
        return found

    def limited_and_unread(self, run: str) -> list[tuple[str | None, str]]:
        """Return what has a limit and was not read in a run."""
        read, track = self.readings(run), self.heights(run)
        keys: list[tuple[str | None, str]] = [k for k in self.rotor.channels if k not in read]
        if self.rotor.has_track:
            keys += [(None, r) for r in self.rotor.regime_names if r not in track]
        return [key for key in keys if self.limit(*key) is not None]


def spread_of(heights: Mapping[str, float]) -> float:
    return max(heights.values()) - min(heights.values())


def _of_job(table: pd.DataFrame, job: str) -> pd.DataFrame:
    return table[table["job"] == job]
