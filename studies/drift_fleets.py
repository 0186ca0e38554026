"""Fleets for the study of drift: changes put into readings, written as logs, learned, looked at."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from invented_fleets import AIRSPEED, BLADES, Fleet, machine_fleet, model_fleet, relative_spread

import adapt
from adapt.learning.fitting.learner import fit
from adapt.learning.health import find_changes
from adapt.learning.rows.runs import history_of, runs_of
from adapt.rotor import Rotor
from adapt.scenario.fleet import main_fleet

SENSORS = 3
JOBS = (4, 4, 4, 4)  # pairs of each job
TRACK_SIZE = np.array([0.0, 4.0, 6.0])  # [mm per g, flat, deg]
TRACK_RUN_SD, TRACK_READING_SD, TRACK_SPREAD = 0.8, 1.0, 0.12
MACHINE = main_fleet().rotor
MODEL = replace(MACHINE, blades=MACHINE.blades[:BLADES])


@dataclass(frozen=True)
class Change:
    """What is other on a rotor: moves from a pair on (counted over all its jobs), or of a blade."""

    rotor: int
    factor: complex
    since: int = 0
    sensor: int | None = None
    adjuster: int | None = None
    blade: int | None = None
    a_pair: float = 0.0  # less from one pair to the next, beside factor

    def factors(self, first: int, count: int) -> np.ndarray:
        """Return what moves of pairs act by, (pair,), given the number of the first."""
        number = first + np.arange(count) - self.since
        gradual = np.maximum(1.0 - self.a_pair * (number + 1), 0.0)
        return np.where(number >= 0, self.factor * gradual, 1.0)


def turn(blades: int) -> np.ndarray:
    """Return exp(i psi), (blade,)."""
    return np.exp(2j * np.pi * np.arange(blades) / blades)


def with_changes(fleet: Fleet, changes: Sequence[Change]) -> Fleet:
    """Return a fleet with the changes in its readings; what a move does is taken as proportional.

    fleet.own is what moves do; a job's readings follow from its cumulated moves.
    """
    assert fleet.own is not None
    jobs = list(fleet.jobs)
    for change in changes:
        before = 0
        for k, job in enumerate(jobs):
            if job.rotor != change.rotor:
                continue
            more = change.factors(before, len(job.amounts)) - 1.0
            amounts = job.amounts * more[:, None, None]
            if change.blade is not None:
                amounts[:, np.arange(amounts.shape[1]) != change.blade] = 0.0
            if change.adjuster is not None:
                amounts[:, :, np.arange(amounts.shape[2]) != change.adjuster] = 0.0
            moved = np.cumsum(np.einsum("b,kba->ka", turn(amounts.shape[1]), amounts), axis=0)
            extra = np.einsum("ka,sga->ksg", moved, fleet.own[job.rotor])
            if change.sensor is not None:
                extra[:, np.arange(SENSORS) != change.sensor] = 0.0
            readings = job.readings.copy()
            readings[1:] += extra
            jobs[k] = replace(job, readings=readings)
            before += len(amounts)
    return replace(fleet, jobs=tuple(jobs))


def tracks(fleet: Fleet, seed: int, changes: Sequence[Change] = ()) -> list[np.ndarray]:
    """Return heights drawn for every job, (run, regime, blade) [mm], rotors differing by 12 %."""
    rng = np.random.default_rng([seed, 1])
    regimes, blades = len(AIRSPEED), fleet.jobs[0].amounts.shape[1]
    type_ = TRACK_SIZE * rng.uniform(0.7, 1.3, (regimes, 3))
    own = type_ * (1.0 + TRACK_SPREAD * rng.standard_normal((fleet.rotors, regimes, 3)))
    done = [0] * fleet.rotors
    found = []
    for job in fleet.jobs:
        act = np.ones(job.amounts.shape)
        for change in changes:
            if change.rotor == job.rotor:
                factors = change.factors(done[job.rotor], len(act))[:, None, None].real
                concerned = np.arange(blades)[:, None] == change.blade
                act = act * np.where(concerned | (change.blade is None), factors, 1.0)
        done[job.rotor] += len(act)
        step = np.einsum("kba,ga->kgb", job.amounts * act, own[job.rotor])
        step += TRACK_RUN_SD * rng.standard_normal(step.shape)
        level = 8.0 * rng.standard_normal((1, regimes, blades))
        level = np.concatenate([level, level + np.cumsum(step, axis=0)])
        read = level + TRACK_READING_SD * rng.standard_normal(level.shape)
        found.append(read - read.mean(axis=2, keepdims=True))
    return found


def write(
    fleet: Fleet, rotor: Rotor, folder: Path, heights: Sequence[np.ndarray] | None = None
) -> None:
    """Write a fleet as a log; runs of job n on rotor i are named 0, 1, ..."""
    runs, readings, moves, track = [], [], [], []
    sensors = [s.name for s in rotor.sensors]
    lead = np.array([s.phase == "lead" for s in rotor.sensors])
    for number, job in enumerate(fleet.jobs):
        name = f"J{number:05d}"
        day = np.datetime64("2024-01-01") + np.timedelta64(number, "m")
        for k, read in enumerate(job.readings):
            runs.append(f"R-{job.rotor},{name},{k},{day + np.timedelta64(k, 's')}")
            size, phase = np.abs(read), np.rad2deg(np.angle(read)) % 360.0
            phase = np.where(lead[:, None], -phase % 360.0, phase)
            readings += [
                f"{name},{k},{regime},{sensor},{size[s, g]:.6f},{phase[s, g]:.4f}"
                for s, sensor in enumerate(sensors)
                for g, regime in enumerate(rotor.regime_names)
                if np.isfinite(size[s, g])
            ]
        for k, g, b in [] if heights is None else np.ndindex(heights[number].shape):
            height = heights[number][k, g, b]
            track.append(f"{name},{k},{rotor.regime_names[g]},{rotor.blades[b]},{height:.3f}")
        moves += [
            f"{name},{k},{rotor.blades[b]},{rotor.adjuster_names[a]},{job.amounts[k, b, a]:g}"
            for k, b, a in np.argwhere(job.amounts != 0)
        ]
    folder.mkdir(parents=True)
    for table, header, lines in (
        ("runs", "rotor,job,run,started", runs),
        ("readings", "job,run,regime,sensor,amplitude,phase_deg", readings),
        ("moves", "job,after_run,blade,adjuster,amount", moves),
        *([] if heights is None else [("track", "job,run,regime,blade,height", track)]),
    ):
        (folder / f"{table}.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")


@dataclass(frozen=True)
class Looked:
    """What was found on a fleet, how many pairs were held back, and what it took [CPU s]."""

    findings: list[dict[str, Any]]
    held_back: int
    learn_s: float
    find_s: float


def look(
    fleet: Fleet,
    rotor: Rotor,
    screened: bool = False,
    heights: Sequence[np.ndarray] | None = None,
    **how: Any,
) -> Looked:
    """Write, read, learn and look; screened: with suspect pairs held back, as `learn` does.

    how: of `find_changes`.
    """
    with tempfile.TemporaryDirectory() as place:
        write(fleet, rotor, Path(place) / "log", heights)
        history = history_of(rotor, str(Path(place) / "log"))
    runs = runs_of(rotor, history)
    start = time.process_time()
    learned = adapt.learn(rotor, history) if screened else fit(rotor, runs)[0]
    middle = time.process_time()
    findings = find_changes(rotor, runs, learned, **how)
    end = time.process_time()
    return Looked(findings, len(learned.withheld), middle - start, end - middle)


def drawn(seed: int, rotors: int, pairs: Sequence[int] = JOBS) -> Fleet:
    """Return a fleet of the learner's model, rotors differing by 12 % per component in all."""
    spread = relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06)
    return model_fleet(np.random.default_rng(seed), rotors, pairs, [spread] * SENSORS)


def flown(seed: int, rotors: int) -> Fleet:
    """Return a fleet flown on the machine as it is, four jobs a rotor."""
    return machine_fleet(seed, rotors, len(JOBS))


def pair_of(fleet: Fleet, rotor: int, finding: dict[str, Any]) -> int:
    """Return the number of the pair, over all jobs of a rotor, that a finding names."""
    before = 0
    for number, job in enumerate(fleet.jobs):
        if job.rotor == rotor:
            if finding["since_job"] == f"J{number:05d}":
                return before + int(str(finding["since_run"])) - 1
            before += len(job.amounts)
    return -1
