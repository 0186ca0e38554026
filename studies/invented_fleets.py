"""Fleets for the studies: drawn from a model whose truth is known, flown on the machine, logged.

The machine is that of `adapt.simulate`, balanced by the technician of `adapt.scenario`. All as
plain arrays, job by job; the algebra on them lives in `dense_fleet`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from adapt.chart import Chart
from adapt.log import History
from adapt.rotor import Rotor
from adapt.scenario.fleet import main_fleet
from adapt.scenario.history import fleet_history

AIRSPEED = np.array([np.nan, 0.0, 60.0, 90.0, 120.0, 80.0])  # [kt], as the demo's regimes
SIZE = np.array([0.002, 0.06, 0.05])  # [ips per g, flat, deg]
STEP = np.array([10.0, 1.0, 0.5])
BLADES = 4
RUN_SD, READING_SD, CHART_SD = 0.015, 0.02, 0.25  # per component; the chart's is relative

Spread = Callable[[np.ndarray], np.ndarray]
"""From coefficients (regime, adjuster) of a type to the covariance of d_i, regimes x adjusters."""


@dataclass(frozen=True, eq=False)
class Job:
    """One job: its rotor, when it began, what was moved and read.

    amounts: (pair, blade, adjuster); moves: their X, (pair, adjuster); readings: (run, sensor,
    regime), NaN where not read. gust, rough: (pair,) and (run,), by how much the run-to-run change
    and the scatter of a drawn run exceeded their sds; None where nobody knows.
    """

    rotor: int
    time: float
    amounts: np.ndarray
    moves: np.ndarray
    readings: np.ndarray
    gust: np.ndarray | None = None
    rough: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Fleet:
    """Jobs in time order, the chart (sensor, regime, adjuster) and its sd per component, truth.

    type_: the type's coefficients, own: (rotor, sensor, regime, adjuster); None where nobody knows.
    """

    rotors: int
    jobs: tuple[Job, ...]
    chart: np.ndarray
    chart_sd: np.ndarray
    airspeed: np.ndarray
    type_: np.ndarray | None
    own: np.ndarray | None

    def first(self, pairs: Sequence[int]) -> Fleet:
        """Return the fleet with the first pairs of each rotor only, their number (rotor,)."""
        left = list(pairs)
        jobs = []
        for job in self.jobs:
            count = min(left[job.rotor], len(job.moves))
            left[job.rotor] -= count
            if count:
                jobs.append(
                    Job(job.rotor, job.time, job.amounts[:count], job.moves[:count],
                        job.readings[: count + 1])
                )  # fmt: skip
        return replace(self, jobs=tuple(jobs))


def circular(rng: np.random.Generator, *shape: int) -> np.ndarray:
    """Return complex normal numbers of sd 1 per component."""
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)


def kernel(airspeed: np.ndarray, length: float) -> np.ndarray:
    """Return exp(-|difference of airspeeds| / length), (regime, regime).

    A regime without an airspeed (NaN: on the ground) is like no other.
    """
    alike = np.exp(-np.abs(airspeed[:, None] - airspeed) / length)
    return np.where(np.isnan(alike), np.eye(len(airspeed)), alike)


def relative_spread(
    airspeed: np.ndarray,
    sensor: float = 0.0,
    adjuster: float = 0.0,
    rest: float = 0.0,
    drift: float = 0.0,
    length: float = np.inf,
) -> Spread:
    """Return the covariance of d = c (s + t_a + u_(g,a) + e_(g,a)), sds per component.

    drift: of u, alike in regimes whose airspeeds differ by less than length [kt]. In the rest e a
    coefficient counts as at least a fifth of its adjuster's rms over regimes.
    """
    near = kernel(airspeed, length)

    def covariance(c: np.ndarray) -> np.ndarray:
        adjusters = c.shape[1]
        same = np.eye(adjusters)
        outer = c.reshape(-1, 1) * c.reshape(1, -1).conj()
        size = np.abs(c)
        held = np.maximum(size, 0.2 * np.sqrt((size**2).mean(axis=0)))
        return 2.0 * (
            sensor**2 * outer
            + adjuster**2 * outer * np.kron(np.ones_like(near), same)
            + drift**2 * outer * np.kron(near, same)
            + rest**2 * np.diag(held.reshape(-1) ** 2)
        )

    return covariance


def drawn_type(rng: np.random.Generator, shape: tuple[int, int, int]) -> np.ndarray:
    """Return coefficients (sensor, regime, adjuster) whose regimes act alike, as real ones do."""
    phase = 2j * np.pi * (rng.random((shape[0], 1, shape[2])) + 0.1 * rng.random(shape))
    return np.asarray(SIZE * rng.uniform(0.7, 1.4, shape) * np.exp(phase))


def model_fleet(
    rng: np.random.Generator,
    rotors: int,
    pairs: Sequence[int],
    spreads: Sequence[Spread],
    step: Callable[[], float] = lambda: 1.0,
    reading: Callable[[], float] = lambda: 1.0,
    airspeed: np.ndarray = AIRSPEED,
    type_: np.ndarray | None = None,
) -> Fleet:
    """Draw a fleet of the learner's model; pairs: of each job of a rotor; one spread a sensor.

    type_: the type's coefficients, (sensor, regime, adjuster); drawn when None.

    step, reading: factors on the sd of the next run-to-run change or reading scatter, common to
    all channels of a run.
    """
    sensors, regimes, adjusters = len(spreads), len(airspeed), len(SIZE)
    shape = (sensors, regimes, adjusters)
    if type_ is None:
        type_ = drawn_type(rng, shape)
    own = np.empty((rotors, *shape), dtype=complex)
    for s, spread in enumerate(spreads):
        root = _root(spread(type_[s]))
        drawn = circular(rng, rotors, regimes * adjusters) / np.sqrt(2.0) @ root.T
        own[:, s] = type_[s] + drawn.reshape(rotors, regimes, adjusters)
    turn = np.exp(2j * np.pi * np.arange(BLADES) / BLADES)
    jobs = []
    for i in range(rotors):
        for number, count in enumerate(pairs):
            amounts = np.zeros((count, BLADES, adjusters))
            for k in range(count):
                for _ in range(2):
                    b, a = rng.integers(BLADES), rng.integers(adjusters)
                    amounts[k, b, a] += STEP[a] * rng.choice([-5, -4, -3, 3, 4, 5])
            moved = np.einsum("b,kba->ka", turn, amounts)
            change = np.einsum("ka,sga->ksg", moved, own[i])
            gust = np.array([step() for _ in range(count)])
            change = change + RUN_SD * gust[:, None, None] * circular(rng, count, sensors, regimes)
            level = 0.4 * circular(rng, 1, sensors, regimes)
            level = np.concatenate([level, level + np.cumsum(change, axis=0)])
            rough = np.array([reading() for _ in range(count + 1)])
            read = level + READING_SD * rough[:, None, None] * circular(
                rng, count + 1, sensors, regimes
            )
            jobs.append(Job(i, number + rng.random(), amounts, moved, read, gust, rough))
    chart = type_ * (1 + CHART_SD * circular(rng, *shape))
    jobs.sort(key=lambda job: job.time)
    return Fleet(rotors, tuple(jobs), chart, CHART_SD * np.abs(type_), airspeed, type_, own)


def machine_fleet(seed: int, rotors: int, jobs: int, **scatter: float) -> Fleet:
    """Return jobs on the demo's main rotor type, as the technician flew them, without mishaps.

    scatter: values of `adapt.simulate.Scatter` to change.
    """
    demo = main_fleet()
    demo = replace(demo, type_=replace(demo.type_, scatter=replace(demo.type_.scatter, **scatter)))
    rng = np.random.default_rng(seed)
    machines = {f"MR-{i:03d}": demo.type_.individual(rng) for i in range(rotors)}
    fleet = replace(demo, machines=machines, aircraft=dict.fromkeys(machines, "OV"))
    done, _ = fleet_history(fleet, jobs, {}, np.array([80.0, 1.0, 1.5]), seed)
    turn = np.exp(2j * np.pi * np.arange(len(demo.rotor.blades)) / len(demo.rotor.blades))
    serials = list(machines)
    found = []
    for job in done:
        read = [
            np.where(run.read & run.sensors[:, None], run.flown.readings, np.nan)
            for run in job.runs
        ]
        amounts = np.array([run.moves for run in job.runs[:-1]])
        if len(amounts):
            moved = np.einsum("b,kba->ka", turn, amounts)
            started = job.runs[0].started.timestamp()
            found.append(Job(serials.index(job.serial), started, amounts, moved, np.array(read)))
    found.sort(key=lambda job: job.time)
    shape = (len(demo.rotor.sensors), len(demo.rotor.regimes), len(demo.rotor.adjusters))
    return Fleet(
        rotors,
        tuple(found),
        demo.chart.mean.reshape(shape),
        demo.chart.sd.reshape(shape),
        np.array([np.nan if r.airspeed_kt is None else r.airspeed_kt for r in demo.rotor.regimes]),
        None,
        np.array([m.coefficients() for m in machines.values()]),
    )


def logged_fleet(rotor: Rotor, history: History, chart: Chart, skip: Set[tuple[str, str]]) -> Fleet:
    """Return a checked log of a rotor with order 1 only as jobs, nobody knowing the truth.

    skip: pairs (job, after_run) that are not to be used. A job is cut there and at events; after a
    `reference moved` event the rotor counts as another one.
    """
    shape = (len(rotor.sensors), len(rotor.regimes), len(rotor.adjusters))
    turn = np.exp(1j * rotor.psi)
    values = {(x.job, x.run, x.sensor, x.regime): x.value for x in history.readings.itertuples()}
    moved: dict[tuple[str, str], np.ndarray] = {}
    nothing = np.zeros((len(rotor.blades), shape[2]))
    for x in history.moves.itertuples():
        total = moved.setdefault((x.job, x.after_run), nothing.copy())
        total[rotor.blades.index(x.blade), rotor.adjuster_names.index(x.adjuster)] += x.amount
    events = {(x.job, x.after_run): x.kind for x in history.events.itertuples()}
    units: dict[tuple[str, int], int] = {}
    jobs = []
    for serial, of_rotor in history.runs.groupby("rotor", sort=False):
        frame = 0
        for job, of_job in of_rotor.groupby("job", sort=False):
            names = list(of_job["run"])
            started = pd.Timestamp(of_job["started"].iloc[0]).timestamp()
            first = 0
            for k, name in enumerate(names):
                kind = events.get((job, name))
                if k + 1 < len(names) and kind is None and (job, name) not in skip:
                    continue
                part = names[first : k + 1]
                first = k + 1
                unit = units.setdefault((serial, frame), len(units))
                frame += kind == "reference moved"
                read = np.array([
                    [[values.get((job, n, s.name, r), np.nan) for r in rotor.regime_names]
                     for s in rotor.sensors]
                    for n in part
                ], dtype=complex)  # fmt: skip
                amounts = np.array([moved.get((job, n), nothing) for n in part[:-1]])
                if len(amounts):
                    x_of = np.einsum("b,kba->ka", turn, amounts)
                    jobs.append(Job(unit, started, amounts, x_of, read))
    jobs.sort(key=lambda job: job.time)
    airspeed = [np.nan if r.airspeed_kt is None else r.airspeed_kt for r in rotor.regimes]
    return Fleet(
        len(units), tuple(jobs), chart.mean.reshape(shape), chart.sd.reshape(shape),
        np.array(airspeed, dtype=float), None, None,
    )  # fmt: skip


def _root(covariance: np.ndarray) -> np.ndarray:
    """Return a square root of a covariance that may lack rank."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))
