"""Rotors for the closed loop: a type, its chart, a fleet with its history, and a job of tonight.

Two worlds. "machine": the independent machine of `adapt.simulate`, which is not the learner's
model. "model": the learner's model itself, drawn from its definition in `model_machine`. Every job
has a type, a chart, a fleet and a rotor of its own, all drawn from its seed, so that jobs are
independent of each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache

import numpy as np
from loop_history import LogJob, first_pairs, logged
from model_machine import ModelMachine, model_machine, model_rotor, model_type

from adapt.chart import Chart
from adapt.rotor import Rotor
from adapt.scenario.fleet import Fleet, main_fleet
from adapt.scenario.history import Line, fleet_history
from adapt.simulate import Flown, Machine, RotorType, State, Weather

__all__ = ["JOB", "MOST_PAIRS", "Night", "Setting", "inside", "night_of", "worst_of"]

JOB = "tonight"
SERIAL = "MR-own"
OTHERS = 10  # rotors of the fleet
JOBS_OF_OTHERS = 5  # of each, as in the demo
MOST_PAIRS = 8  # earlier pairs of the rotor itself
WEAR = np.array([80.0, 1.0, 1.5])  # sd of what goes out of adjustment between two jobs
FAULTS = np.array([100.0, 1.5, 2.5])  # sd of tonight's hidden faults, by adjuster
MOST_FAULTS = 4  # the demo's job has three
RELEASED = 0.8  # the most of a limit that its last job left the rotor with
WORST = (1.5, 4.0)  # of tonight's true worst reading over its limit
CHART_GAIN, CHART_TURN_DEG = 0.2, 18.0  # sds of the chart's error, each sensor and adjuster
UNEVEN, UNEVEN_DEG = 0.03, 2.5  # sds of its drawing, each channel
CHART_SD = 0.25  # stated by the chart, a share of the amplitude per component
TYPE_GAIN, TYPE_TURN_DEG = 0.2, 25.0  # sds by which a drawn type differs from the demo's
TONIGHT = datetime(2026, 11, 24, 15, 20)


@dataclass(frozen=True)
class Setting:
    """What a world is like.

    scatter: values of `adapt.simulate.Scatter` that differ, at all times; tonight: since the
    history. exact: moves are made exactly. noise: factor on the model's noise. slipped_deg: by how
    much the phase reference slipped since the history [deg of shaft]; told: whether the log says
    that it moved.
    """

    kind: str = "machine"
    scatter: Mapping[str, float] = field(default_factory=dict)
    tonight: Mapping[str, float] = field(default_factory=dict)
    exact: bool = False
    noise: float = 1.0
    slipped_deg: float = 0.0
    told: bool = False


@dataclass(frozen=True, eq=False)
class Night:
    """One job before anything is decided: the rotor out of limits, one run flown.

    others, own: earlier jobs of the fleet and of the rotor, its first MOST_PAIRS pairs. state: of
    the machine before its first run, first: that run. fitted: (blade, adjuster), as on paper.
    """

    seed: int
    setting: Setting
    rotor: Rotor
    chart: Chart
    machine: Machine | ModelMachine
    others: tuple[LogJob, ...]
    own: tuple[LogJob, ...]
    fitted: np.ndarray
    first: Flown

    def fly(self, state: State, number: int) -> Flown:
        """Return run `number` (0 = the first): the same weather and noise whoever decides."""
        return _flown(self.machine, state, self.seed, number)

    def move(self, state: State, moves: np.ndarray, number: int) -> State:
        """Return the state after correction `number`, made equally exactly whoever decides."""
        rng = np.random.default_rng([self.seed, 2, number])
        return self.machine.move(state, moves, None if self.setting.exact else rng)

    def worst_in_calm(self, state: State) -> float:
        """Return the worst ratio that a perfect instrument reads in calm air."""
        return worst_of(self.rotor, self.machine.vibration(state), self.machine.heights(state))

    def logged(self, runs: list[Flown], moves: list[np.ndarray]) -> LogJob:
        """Return tonight's job as it stands in the log."""
        shape = (-1, len(self.rotor.blades), len(self.rotor.adjusters))
        return LogJob(
            SERIAL, JOB, TONIGHT, np.array([run.readings for run in runs]),
            np.array([run.track for run in runs]), np.array(moves).reshape(shape), self.fitted,
        )  # fmt: skip

    def earlier(self, pairs: int) -> tuple[LogJob, ...]:
        """Return so many earlier pairs of the rotor itself, and what is logged after them."""
        kept = first_pairs(self.own, pairs)
        if not self.setting.told:
            return kept
        return (*kept[:-1], replace(kept[-1], reference_moved=True))


def night_of(seed: int, setting: Setting) -> Night:
    """Return the job of a seed: fleet, history and faults do not depend on what is decided."""
    fleet = _fleet_of(seed, setting)
    rotor = fleet.rotor
    number = int(np.random.default_rng([seed, 3]).integers(1 << 30))
    others = replace(fleet, machines={k: m for k, m in fleet.machines.items() if k != SERIAL})
    done, _ = fleet_history(others, JOBS_OF_OTHERS, {}, WEAR, number)
    alone = replace(fleet, machines={SERIAL: fleet.machines[SERIAL]})
    mine, left = fleet_history(alone, MOST_PAIRS, {}, WEAR, number + 1)
    own = first_pairs([logged(rotor, f"O-{k}", job) for k, job in enumerate(mine)], MOST_PAIRS)
    machine = _tonight(fleet.machines[SERIAL], setting)
    line = left[SERIAL]
    return Night(
        seed=seed,
        setting=setting,
        rotor=rotor,
        chart=fleet.chart,
        machine=machine,
        others=tuple(logged(rotor, f"F-{k}", job) for k, job in enumerate(done)),
        own=own,
        fitted=line.fitted,
        first=_with_faults(machine, line, seed, setting.slipped_deg),
    )


def worst_of(rotor: Rotor, readings: np.ndarray, heights: np.ndarray) -> float:
    """Return the worst ratio: readings (sensor, regime), heights (regime, blade)."""
    worst = 0.0
    for g, regime in enumerate(rotor.regime_names):
        for s, sensor in enumerate(rotor.sensors):
            limit = rotor.limit_for(sensor.name, regime)
            if limit is not None:
                worst = max(worst, abs(readings[s, g]) / limit.limit)
        limit = rotor.limit_for(None, regime)
        if limit is not None:
            worst = max(worst, np.ptp(heights[g]) / limit.limit)
    return float(worst)


def inside(rotor: Rotor, run: Flown) -> bool:
    """Return whether every reading of a run is inside its limit."""
    return worst_of(rotor, run.readings, run.track) <= 1.0 + 1e-9


@cache
def _demo() -> Fleet:
    return main_fleet()


def _fleet_of(seed: int, setting: Setting) -> Fleet:
    """Return a drawn type with its chart, the fleet's rotors and the rotor of tonight."""
    rng = np.random.default_rng([seed, 0])
    type_ = _drawn_type(rng, setting)
    chart = _drawn_chart(rng, type_)
    serials = [*(f"MR-{i:03d}" for i in range(OTHERS)), SERIAL]
    if setting.kind == "model":
        rotor = model_rotor(type_.rotor, setting.noise)
        true = model_type(rng, chart)
        machines = {s: model_machine(rng, rotor, true, setting.noise) for s in serials}
    else:
        rotor = type_.rotor
        machines = {s: type_.individual(rng) for s in serials}
    return Fleet(rotor, type_, chart, machines, dict.fromkeys(serials, "OV-T"))


def _drawn_type(rng: np.random.Generator, setting: Setting) -> RotorType:
    """Return a type like the demo's, with other sizes and angles of its effects."""
    demo = _demo().type_
    rotor = demo.rotor
    if setting.exact:
        adjusters = tuple(replace(a, amount_sd=0.0) for a in rotor.adjusters)
        rotor = replace(rotor, adjusters=adjusters)
    shape = demo.still.shape
    turn = np.deg2rad(TYPE_TURN_DEG) * rng.standard_normal(shape)
    other = np.exp(TYPE_GAIN * rng.standard_normal(shape) + 1j * turn)
    lift = np.exp(TYPE_GAIN * rng.standard_normal(demo.track_still.shape))
    return replace(
        demo,
        rotor=rotor,
        still=demo.still * other,
        air=demo.air * other,
        track_still=demo.track_still * lift,
        track_air=demo.track_air * lift,
        scatter=replace(demo.scatter, **setting.scatter),
    )


def _drawn_chart(rng: np.random.Generator, type_: RotorType) -> Chart:
    """Return the chart of an average rotor of the type, off as charts are."""
    alike = replace(
        type_.scatter, adjuster_spread=0.0, airspeed_spread=0.0, sensor_gain=0.0,
        sensor_turn_deg=0.0, blade_spread=0.0,
    )  # fmt: skip
    average = replace(type_, scatter=alike).individual(rng)
    true = average.coefficients()
    sensors, _, adjusters = true.shape
    gain = CHART_GAIN * rng.standard_normal((sensors, 1, adjusters))
    gain = gain + UNEVEN * rng.standard_normal(true.shape)
    turn = CHART_TURN_DEG * rng.standard_normal((sensors, 1, adjusters))
    turn = turn + UNEVEN_DEG * rng.standard_normal(true.shape)
    mean = (true * np.exp(gain + 1j * np.deg2rad(turn))).reshape(-1, adjusters)
    track = average.track_coefficients() * np.exp(CHART_GAIN * rng.standard_normal(adjusters))
    return Chart(mean, CHART_SD * np.abs(mean), track, CHART_SD * np.abs(track), "simulated")


def _tonight(machine: Machine | ModelMachine, setting: Setting) -> Machine | ModelMachine:
    """Return the machine as it is tonight."""
    if not setting.tonight or isinstance(machine, ModelMachine):
        return machine
    scatter = replace(machine.type_.scatter, **setting.tonight)
    return replace(machine, type_=replace(machine.type_, scatter=scatter))


def _with_faults(
    machine: Machine | ModelMachine, line: Line, seed: int, slipped_deg: float
) -> Flown:
    """Return the first run of a rotor with hidden faults that bring readings over limits.

    One to MOST_FAULTS, each such that one move on its own place could undo it.
    """
    rotor, rng = machine.rotor, np.random.default_rng([seed, 4])
    rested = _released(machine, line.state)
    low, high = _room(rotor, line.fitted)
    while True:
        gone = FAULTS * rng.standard_normal(low.shape)
        possible = np.flatnonzero((low <= -gone) & (-gone <= high))
        count = min(int(rng.integers(1, MOST_FAULTS + 1)), len(possible))
        faulty = np.zeros(gone.size, dtype=bool)
        faulty[rng.choice(possible, count, replace=False)] = True
        gone = np.where(faulty.reshape(gone.shape), gone, 0.0)
        state = replace(rested, amounts=rested.amounts + gone)
        worst = worst_of(rotor, machine.vibration(state), machine.heights(state))
        flown = _flown(machine, replace(state, turned_deg=slipped_deg), seed, 0)
        if WORST[0] < worst < WORST[1] and not inside(rotor, flown):
            return flown


def _released(machine: Machine | ModelMachine, state: State) -> State:
    """Return the state in which the last job ought to have left the rotor: inside its limits."""
    state = replace(state, walk=0.5 * state.walk, track_walk=0.5 * state.track_walk)
    while worst_of(machine.rotor, machine.vibration(state), machine.heights(state)) > RELEASED:
        state = replace(
            state, amounts=0.9 * state.amounts, walk=0.9 * state.walk,
            track_walk=0.9 * state.track_walk,
        )  # fmt: skip
        if np.abs(state.amounts).max() < 1e-3:
            break  # what no adjuster causes is too much by itself
    return state


def _room(rotor: Rotor, fitted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and the highest move that each place takes, (blade, adjuster)."""
    most = np.array([a.largest_move or np.inf for a in rotor.adjusters])
    least, top = np.array([a.fitted_range for a in rotor.adjusters]).T
    return np.clip(least - fitted, -most, 0.0), np.clip(top - fitted, 0.0, most)


def _flown(machine: Machine | ModelMachine, state: State, seed: int, number: int) -> Flown:
    rng = np.random.default_rng([seed, 1, number])
    weather = Weather(load=float(rng.normal(1.0, 0.02)), wind_kt=float(rng.uniform(3.0, 14.0)))
    return machine.run(state, rng, weather)
