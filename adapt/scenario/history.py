"""Two years of jobs on the demo's fleet: what was done, what was read, and what was written down.

What people got wrong on paper is here too. How the tables become files lives in `tables`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from adapt.rotor import Rotor
from adapt.scenario.fleet import Fleet
from adapt.scenario.technician import technician
from adapt.simulate import Flown, Machine, State, Weather

__all__ = ["FlownRun", "Job", "Line", "Mishap", "fleet_history", "tonight"]

Real = npt.NDArray[np.float64]

_FIRST_DAY = datetime(2024, 11, 26)
_LAST_DAY = datetime(2026, 11, 10)
_MOST_RUNS = 6
_USUAL_WEIGHT = 2750.0  # [kg]


@dataclass(frozen=True)
class Mishap:
    """What befell one job, or the papers of one job; runs and moves counted from 1.

    ground_only: run read on the ground only. repeated: run flown again with nothing changed.
    replaced: a blade was replaced after this run. turned_deg: the phase reference was re-fitted
    after the job's last run and turns phases by this from there on. neighbour, sign: the moves
    after this run were written down on the next blade, or with the wrong sign. excluded,
    track_excluded, bad_clock, spreadsheet_clock: run of which a reading is so marked or written.
    no_blade: run in which the tracker missed a blade. recounted: weights were counted again before
    the job, and the papers corrected without a word. unknown_fitted: nobody wrote down what was
    fitted. no_tracker: no track in this job.
    """

    ground_only: int = 0
    repeated: int = 0
    replaced: int = 0
    turned_deg: float = 0.0
    neighbour: int = 0
    sign: int = 0
    excluded: int = 0
    track_excluded: int = 0
    bad_clock: int = 0
    spreadsheet_clock: int = 0
    no_blade: int = 0
    recounted: bool = False
    unknown_fitted: bool = False
    no_tracker: bool = False


@dataclass(frozen=True, eq=False)
class FlownRun:
    """One run of a job with the moves made after it.

    read: regimes that were read, shape (regime,); sensors: sensors that worked, (sensor,).
    moves: as written down, shape (blade, adjuster).
    """

    started: datetime
    weight_kg: float
    wind_kt: float
    oat_c: float
    flown: Flown
    read: npt.NDArray[np.bool_]
    sensors: npt.NDArray[np.bool_]
    moves: Real


@dataclass(frozen=True, eq=False)
class Job:
    """One job as it went. fitted: as written down before it; after: the machine's true state."""

    serial: str
    aircraft: str
    runs: tuple[FlownRun, ...]
    fitted: Real
    after: State
    mishap: Mishap


@dataclass(frozen=True, eq=False)
class Line:
    """One rotor between two jobs: its true state, and what the papers say is fitted."""

    state: State
    fitted: Real


def fleet_history(
    fleet: Fleet, jobs: int, mishaps: dict[tuple[str, int], Mishap], wear: Real, seed: int
) -> tuple[list[Job], dict[str, Line]]:
    """Return the jobs of every rotor of a fleet, and the state each rotor was left in.

    jobs: jobs per rotor. wear: sd of what goes out of adjustment between two jobs, (adjuster,).
    mishaps: by (serial, number of the job on that rotor, from 1).
    """
    done: list[Job] = []
    left: dict[str, Line] = {}
    days = (_LAST_DAY - _FIRST_DAY).days
    for place, serial in enumerate(fleet.machines):
        machine = fleet.machines[serial]
        rng = np.random.default_rng([seed, place])  # what befalls one rotor leaves the others alone
        line = Line(machine.new(), _first_fitted(fleet.rotor, rng))
        for number in range(1, jobs + 1):
            share = (number - 1 + (place + rng.uniform(0.1, 0.9)) / len(fleet.machines)) / jobs
            day = _FIRST_DAY + timedelta(days=int(share * days), hours=float(rng.uniform(7, 10)))
            mishap = mishaps.get((serial, number), Mishap())
            if mishap.recounted:
                line = replace(line, fitted=_recounted(fleet.rotor, line.fitted))
            worn = _worn(machine, line.state, wear, rng)
            job, line = _balance(fleet, serial, replace(line, state=worn), day, mishap, rng)
            done.append(job)
        left[serial] = line
    return done, left


def tonight(
    fleet: Fleet, serial: str, line: Line, gone_wrong: Real, started: datetime, seed: int
) -> Job:
    """Return the open job of a rotor: one run read, nothing moved yet.

    gone_wrong: what went out of adjustment since the last job, shape (blade, adjuster).
    """
    rng = np.random.default_rng(seed)
    state = replace(line.state, amounts=line.state.amounts + gone_wrong)
    weight, wind, oat = 2780.0, 7.0, 6.0
    flown = fleet.machines[serial].run(state, rng, Weather(weight / _USUAL_WEIGHT, wind))
    every = np.ones(len(fleet.rotor.regimes), dtype=bool)
    working = np.ones(len(fleet.rotor.sensors), dtype=bool)
    run = FlownRun(started, weight, wind, oat, flown, every, working, np.zeros_like(gone_wrong))
    return Job(serial, fleet.aircraft[serial], (run,), line.fitted, flown.state, Mishap())


def _balance(
    fleet: Fleet,
    serial: str,
    line: Line,
    day: datetime,
    mishap: Mishap,
    rng: np.random.Generator,
) -> tuple[Job, Line]:
    """Return one job from its first reading to inside limits, or to the end of patience."""
    machine, rotor = fleet.machines[serial], fleet.rotor
    state, fitted, started = line.state, line.fitted, day
    weight = float(np.clip(rng.normal(_USUAL_WEIGHT, 80.0), 2550.0, 2950.0))
    wind = float(rng.uniform(3.0, 14.0))
    oat = 11.0 - 9.0 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 20) / 365) + rng.normal(0, 3)
    sensors = rng.random(len(rotor.sensors)) > np.where(np.arange(len(rotor.sensors)) == 2, 0.1, 0)
    tracked = rotor.has_track and not mishap.no_tracker
    runs: list[FlownRun] = []
    for number in range(1, _MOST_RUNS + 1):
        load = float(rng.normal(weight, 25.0))
        gusty = max(0.0, float(rng.normal(wind, 1.5)))
        flown = machine.run(state, rng, Weather(load / _USUAL_WEIGHT, gusty))
        state = flown.state
        read = _regimes_read(rotor, mishap.ground_only == number, rng)
        moves = np.zeros_like(fitted)
        if mishap.repeated != number and number < _MOST_RUNS:
            seen = np.where(read & sensors[:, None], flown.readings, np.nan)
            track = np.where(read[:, None], flown.track, np.nan) if tracked else None
            moves = technician(
                rotor, fleet.chart, seen, track, fitted, rng, state.turned_deg, number > 2
            )
        written = _written(moves, number, mishap)
        runs.append(FlownRun(started, load, gusty, float(oat), flown, read, sensors, written))
        if not moves.any() and number not in (mishap.repeated, mishap.ground_only):
            break
        if number == _MOST_RUNS:
            break
        state = machine.move(state, moves, rng)
        fitted = fitted + written
        if mishap.replaced == number:
            state = _blade_replaced(state, rng)
        started += timedelta(hours=float(rng.uniform(1.5, 4.0)))
        if started.hour >= 17:
            started = started.replace(hour=8) + timedelta(days=1)
    state = replace(state, turned_deg=state.turned_deg + mishap.turned_deg)
    job = Job(serial, fleet.aircraft[serial], tuple(runs), line.fitted, state, mishap)
    return job, Line(state, fitted)


def _regimes_read(
    rotor: Rotor, ground_only: bool, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Return which regimes were read: weather and time keep some from being flown."""
    missed = [
        0.03 if r.on_ground else 0.15 if r.name in ("descent", "120 kt") else 0.02
        for r in rotor.regimes
    ]
    read = rng.random(len(missed)) > np.array(missed)
    if ground_only:
        return np.array([r.on_ground for r in rotor.regimes])
    if not read[1:].any():
        read[-1] = True
    return read


def _written(moves: Real, number: int, mishap: Mishap) -> Real:
    """Return the moves as somebody wrote them down."""
    if mishap.neighbour == number:
        return np.roll(moves, 1, axis=0)
    return -moves if mishap.sign == number else moves


def _first_fitted(rotor: Rotor, rng: np.random.Generator) -> Real:
    """Return what is fitted when the history begins: whole steps near the middle of the range."""
    columns = []
    for adjuster in rotor.adjusters:
        low, high = adjuster.fitted_range
        middle, span = (low + high) / 2, (high - low) / 6
        amounts = rng.normal(middle, span / 2, len(rotor.blades)).clip(middle - span, middle + span)
        columns.append(np.round(amounts / adjuster.step) * adjuster.step)
    return np.column_stack(columns)


def _recounted(rotor: Rotor, fitted: Real) -> Real:
    """Return the fitted amounts after a count found three steps less or more on one blade."""
    adjuster = rotor.adjusters[0]
    found = fitted.copy()
    found[2, 0] += 3 * adjuster.step * (1 if found[2, 0] < np.mean(adjuster.fitted_range) else -1)
    return found


_LEAST_WEAR = 0.01  # of the usual: less changes nothing


def _worn(machine: Machine, state: State, wear: Real, rng: np.random.Generator) -> State:
    """Return the state in which the next job finds the rotor: out of limits somewhere."""
    rotor = machine.rotor
    limits = np.array(
        [[_limit(rotor, s.name, r.name) for r in rotor.regimes] for s in rotor.sensors]
    )
    size = wear
    while True:
        where = rng.random((len(rotor.blades), len(wear))) < 0.5
        gone = where * size * rng.standard_normal((len(rotor.blades), len(wear)))
        worn = replace(
            state,
            amounts=state.amounts + gone,
            walk=0.5 * state.walk,
            track_walk=0.5 * state.track_walk,
        )
        worst = (np.abs(machine.vibration(worn)) / limits).max()
        # A rotor that was left far out by its last job stays so, however little is worn.
        if worst > 3.5 and np.any(size > _LEAST_WEAR * wear):
            size = 0.9 * size
        elif worst > 1.5:
            return worn


def _limit(rotor: Rotor, sensor: str, regime: str) -> float:
    limit = rotor.limit_for(sensor, regime)
    return np.inf if limit is None else limit.limit


def _blade_replaced(state: State, rng: np.random.Generator) -> State:
    """Return the state after another blade was fitted: its faults are new."""
    amounts = state.amounts.copy()
    amounts[1] = rng.standard_normal(3) * np.array([60.0, 0.5, 1.0])
    return replace(state, amounts=amounts)
