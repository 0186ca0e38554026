"""Jobs as arrays, and the checked history that learning and planning take, made in memory.

What a job went through lives in `closed_loop`, which rotors there are in `loop_worlds`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from adapt.log import History
from adapt.rotor import Rotor
from adapt.scenario.history import Job

__all__ = ["LogJob", "first_pairs", "history_of_jobs", "logged", "pairs_in"]

REFERENCE_MOVED = "reference moved"


@dataclass(frozen=True, eq=False)
class LogJob:
    """One job as it stands in the log; runs are named 1, 2, ...

    readings: (run, sensor, regime), complex lag, NaN where not read; heights: (run, regime, blade)
    [track unit], likewise. moves: (run - 1, blade, adjuster), between the runs. fitted: (blade,
    adjuster), when the job began. reference_moved: whether the log says so after its last run.
    """

    serial: str
    name: str
    started: datetime
    readings: np.ndarray
    heights: np.ndarray
    moves: np.ndarray
    fitted: np.ndarray
    reference_moved: bool = False


def logged(rotor: Rotor, name: str, job: Job) -> LogJob:
    """Return a job of `adapt.scenario` as arrays; moves as somebody wrote them down."""
    read = [run.read for run in job.runs]
    readings = [
        np.where(ok & run.sensors[:, None], run.flown.readings, np.nan)
        for ok, run in zip(read, job.runs, strict=True)
    ]
    heights = [
        np.where(ok[:, None], run.flown.track, np.nan)
        for ok, run in zip(read, job.runs, strict=True)
    ]
    shape = (0, len(rotor.blades), len(rotor.adjusters))
    moves = np.array([run.moves for run in job.runs[:-1]]).reshape(-1, *shape[1:])
    return LogJob(
        job.serial, name, job.runs[0].started, np.array(readings), np.array(heights), moves,
        job.fitted,
    )  # fmt: skip


def pairs_in(jobs: Sequence[LogJob]) -> int:
    """Return how many pairs there are in all."""
    return sum(len(job.moves) for job in jobs)


def first_pairs(jobs: Sequence[LogJob], count: int) -> tuple[LogJob, ...]:
    """Return the first so many pairs of jobs in order; the last job is cut after its run."""
    kept: list[LogJob] = []
    for job in jobs:
        left = min(count - pairs_in(kept), len(job.moves))
        if left > 0:
            kept.append(
                replace(
                    job,
                    readings=job.readings[: left + 1],
                    heights=job.heights[: left + 1],
                    moves=job.moves[:left],
                )
            )
    return tuple(kept)


def history_of_jobs(rotor: Rotor, jobs: Sequence[LogJob], all_kept: bool = False) -> History:
    """Return the history of jobs; all_kept: a specialist has found every pair right as entered."""
    runs, readings, track, moves, fitted, events = [], [], [], [], [], []
    for job in jobs:
        names = [str(k + 1) for k in range(len(job.readings))]
        runs += [(job.serial, job.name, run, job.started, k) for k, run in enumerate(names)]
        readings += _reading_rows(rotor, job, names)
        track += _track_rows(rotor, job, names) if rotor.has_track else []
        moves += [
            (job.name, names[k], rotor.blades[b], rotor.adjuster_names[a], job.moves[k, b, a])
            for k, b, a in np.argwhere(job.moves != 0.0)
        ]
        fitted += [
            (job.name, blade, adjuster, job.fitted[b, a])
            for b, blade in enumerate(rotor.blades)
            for a, adjuster in enumerate(rotor.adjuster_names)
        ]
        if job.reference_moved:
            events.append((job.name, names[-1], REFERENCE_MOVED, "", "phase pickup refitted"))
    pairs = [(job.name, str(k + 1)) for job in jobs for k in range(len(job.moves))]
    place = ["job", "run", "regime"]
    run_table = pd.DataFrame(runs, columns=["rotor", "job", "run", "started", "order"])
    run_table["started"] = pd.to_datetime(run_table["started"])
    return History(
        runs=run_table,
        readings=_table(readings, [*place, "sensor", "value", "spread", "repeats"]),
        track=_table(track, [*place, "blade", "height", "lag"]),
        moves=_table(moves, ["job", "after_run", "blade", "adjuster", "amount"]),
        fitted=_table(fitted, ["job", "blade", "adjuster", "amount"]),
        events=_table(events, ["job", "after_run", "kind", "sensor", "note"]),
        excluded=_table(
            [], ["table", "row", "job", "run", "regime", "sensor", "blade", "reason"]
        ),
        faults=(),
        doubts=(),
        set_aside={},
        source="simulated",
        kept=frozenset(pairs if all_kept else []),
    )  # fmt: skip


def _reading_rows(rotor: Rotor, job: LogJob, names: Sequence[str]) -> list[tuple]:
    return [
        (job.name, names[k], regime, sensor, z, np.nan, 1)
        for k, run in enumerate(job.readings)
        for (sensor, regime), z in zip(rotor.channels, run.ravel(), strict=True)
        if not np.isnan(z)
    ]


def _track_rows(rotor: Rotor, job: LogJob, names: Sequence[str]) -> list[tuple]:
    centred = job.heights - job.heights.mean(axis=-1, keepdims=True)
    return [
        (job.name, names[k], regime, blade, centred[k, g, b], np.nan)
        for k in range(len(names))
        for g, regime in enumerate(rotor.regime_names)
        for b, blade in enumerate(rotor.blades)
        if not np.isnan(centred[k, g]).any()
    ]


def _table(rows: list[tuple], columns: list[str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=columns)
