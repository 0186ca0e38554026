"""Simulated jobs, each with one plan, what was stated of it, and whether the next run came inside.

Drawn from the learner's own model, or flown on the independent machine. The tables that are made of
them live in `chance_calibration`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from drift_fleets import (
    MODEL,
    TRACK_READING_SD,
    TRACK_RUN_SD,
    TRACK_SIZE,
    turn,
    write,
)
from invented_fleets import (
    AIRSPEED,
    CHART_SD,
    READING_SD,
    RUN_SD,
    STEP,
    Fleet,
    Job,
    circular,
    drawn_type,
    model_fleet,
    relative_spread,
)

import adapt
from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.planning.plan import Move, Plan
from adapt.rotor import Rotor
from adapt.scenario.fleet import main_fleet
from adapt.scenario.history import Line, fleet_history, tonight
from adapt.scenario.tables import log_tables

ROTORS = 16
PAIRS = (0, 1, 3, 10)  # of the rotors, in turn
WEAR = np.array([60.0, 1.5, 2.5])  # sd of what is out of adjustment tonight, by adjuster
REST = 0.03  # [ips] per component, of a reading that no adjuster can mend; as the machine's
REST_OF_TRACK = 1.5  # [mm]
SHARES = (0.08, 0.07, 0.06)  # sds per component by which rotors differ: sensor, adjuster, rest
# Moves are made exactly, and the rotor file states the noise as it is.
EXACT = replace(
    MODEL,
    adjusters=tuple(replace(a, amount_sd=0.0) for a in MODEL.adjusters),
    sensors=tuple(replace(s, reading_sd=READING_SD, run_to_run_sd=RUN_SD) for s in MODEL.sensors),
    track_reading_sd=TRACK_READING_SD,
    track_run_to_run_sd=TRACK_RUN_SD,
)
# Searches end long before: what is planned must not rest on how fast a machine is.
SECONDS = 60.0


@dataclass(frozen=True)
class Trial:
    """One job: its fleet, earlier pairs of the rotor, what was stated, what came.

    readings: (stated, inside, of track) of every limited reading and spread.
    """

    fleet: int
    pairs: int
    chance: float
    joint: float
    inside: bool
    readings: tuple[tuple[float, bool, bool], ...]


@dataclass(frozen=True, eq=False)
class Tonight:
    """A job as read, and where it truly stands after its last run.

    readings: (run, sensor, regime), heights: (run, regime, blade), amounts: (pair, blade,
    adjuster); level: (sensor, regime), height: (regime, blade).
    """

    readings: np.ndarray
    heights: np.ndarray
    amounts: np.ndarray
    level: np.ndarray
    height: np.ndarray


def planned(
    rotor: Rotor, learned: Coefficients, log: History, job: str, rng: np.random.Generator
) -> tuple[Rotor, tuple[Move, ...], Plan]:
    """Return the rotor with tonight's limits, the moves made, and a plan that states them.

    Plans of all qualities: no move, the smoothest of 1 to 3, the fewest at chances asked for, two
    moves at random by hand; limits 0.6 to 3 times those of the rotor file.
    """
    scale = np.exp(rng.uniform(np.log(0.6), np.log(3.0)))
    rotor = replace(rotor, limits=tuple(replace(x, limit=scale * x.limit) for x in rotor.limits))
    kind = int(rng.integers(8))
    by_hand = _at_random(rotor, rng) if kind == 7 else ()
    most, aim, chance = kind, "smoothest", 0.9
    if kind in (4, 5, 6):
        most, aim, chance = 3, "fewest", (0.3, 0.6, 0.9)[kind - 4]
    elif kind == 7:
        most = 0
    plan = adapt.plan(
        rotor, learned, log, job, aim, chance=chance, most_moves=most, by_hand=by_hand,
        seconds=SECONDS, explain=False,
    )  # fmt: skip
    return rotor, by_hand or plan.moves, plan


def _at_random(rotor: Rotor, rng: np.random.Generator) -> tuple[Move, ...]:
    first = int(rng.integers(len(rotor.blades)))
    blades = (rotor.blades[first], rotor.blades[first - 1])
    chosen = rng.integers(len(rotor.adjusters), size=2)
    steps = rng.integers(1, 4, size=2)
    return tuple(
        Move(b, rotor.adjusters[a].name, float(n * rotor.adjusters[a].step))
        for b, a, n in zip(blades, chosen, steps, strict=True)
    )


def trial(
    fleet: int, pairs: int, rotor: Rotor, plan: Plan, z: np.ndarray, heights: np.ndarray
) -> Trial:
    """Return what was stated of the moves made, and what came: z (sensor, regime), heights."""
    held = plan.by_hand or plan
    assert held.chance is not None
    assert held.joint_chance is not None
    channels = list(rotor.channels)
    seen: list[tuple[float, bool, bool]] = []
    for r in held.readings:
        if r.chance is not None and r.limit is not None:
            read = z.ravel()[channels.index((r.sensor, r.regime))]
            seen.append((r.chance, bool(abs(read) <= r.limit), False))
    for t in held.track:
        if t.chance is not None and t.limit is not None:
            spread = np.ptp(heights[rotor.regime_names.index(t.regime)])
            seen.append((t.chance, bool(spread <= t.limit), True))
    inside = all(ok for _, ok, _ in seen)
    return Trial(fleet, pairs, held.chance, held.joint_chance, inside, tuple(seen))


def amounts_of(rotor: Rotor, moves: Sequence[Move]) -> np.ndarray:
    """Return moves as (blade, adjuster) amounts."""
    table = np.zeros((len(rotor.blades), len(rotor.adjusters)))
    for m in moves:
        table[rotor.blades.index(m.blade), rotor.adjuster_names.index(m.adjuster)] += m.amount
    return table


def on_the_model(fleets: int, caused: bool = False) -> Iterator[Trial]:
    """Yield a trial of each rotor of fleets drawn from the learner's own model, track included.

    The chart comes first and the type about it; rotors differ by the learner's shares. Of every
    second job a run with moves was flown tonight, which nobody has learned from before. caused: as
    in `flown_tonight`.
    """
    for number in range(fleets):
        rng = np.random.default_rng([number, 1])
        fleet, chart, lift, _ = drawn_fleet(rng, ROTORS)
        assert fleet.own is not None
        pairs = np.resize(PAIRS, ROTORS)
        fleet = fleet.first(pairs.tolist())
        heights = [_track_of(job, lift[job.rotor], rng) for job in fleet.jobs]
        learned = adapt.learn(EXACT, _log(fleet, heights), chart=chart, health=False)
        last = max(job.time for job in fleet.jobs)
        jobs, begun = list(fleet.jobs), []
        for i in range(ROTORS):
            known = learned.of(f"R-{i}")
            guess = known.mean.reshape(fleet.chart.shape), known.track_mean
            job = flown_tonight(rng, (fleet.own[i], lift[i]), guess, i % 2, caused)
            begun.append(job)
            moved = np.einsum("b,kba->ka", turn(len(EXACT.blades)), job.amounts)
            jobs.append(Job(i, last + 1.0 + i, job.amounts, moved, job.readings))
            heights.append(job.heights)
        log = _log(replace(fleet, jobs=tuple(jobs)), heights)
        for i, job in enumerate(begun):
            name = f"J{len(fleet.jobs) + i:05d}"
            yield _next_run(
                (number, int(pairs[i])), (learned, log, name), job, fleet.own[i], lift[i], rng
            )


def on_the_chart(jobs: int) -> Iterator[Trial]:
    """Yield trials of rotors of which only the chart is known, each of a type of its own."""
    for number in range(jobs):
        rng = np.random.default_rng([number, 3])
        fleet, chart, lift, track = drawn_fleet(rng, 1)
        assert fleet.own is not None
        job = flown_tonight(rng, (fleet.own[0], lift[0]), (fleet.chart, track), 0)
        alone = Job(0, 0.0, job.amounts, np.zeros((0, len(STEP))), job.readings)
        log = _log(replace(fleet, jobs=(alone,)), [job.heights])
        learned = adapt.learn(EXACT, log, chart=chart, health=False)
        yield _next_run((number, 0), (learned, log, "J00000"), job, fleet.own[0], lift[0], rng)


def drawn_fleet(
    rng: np.random.Generator, rotors: int
) -> tuple[Fleet, Chart, np.ndarray, np.ndarray]:
    """Return a fleet, its chart, lift (rotor, regime, adjuster) and what the chart says of it."""
    sensors, regimes, adjusters = len(EXACT.sensors), len(AIRSPEED), len(STEP)
    mean = drawn_type(rng, (sensors, regimes, adjusters))
    sd = CHART_SD * np.abs(mean)
    type_ = mean + sd * circular(rng, *mean.shape)
    spread = relative_spread(AIRSPEED, *SHARES)
    fleet = model_fleet(rng, rotors, (1, 2, 3, 4), [spread] * sensors, type_=type_)
    track = TRACK_SIZE * rng.uniform(0.7, 1.3, (regimes, adjusters))
    typical = track * (1.0 + CHART_SD * rng.standard_normal(track.shape))
    gain, adjuster, rest = SHARES
    share = gain * rng.standard_normal((rotors, 1, 1))
    share = share + adjuster * rng.standard_normal((rotors, 1, adjusters))
    lift = typical * (1.0 + share + rest * rng.standard_normal((rotors, regimes, adjusters)))
    chart = Chart(
        mean.reshape(-1, adjusters), sd.reshape(-1, adjusters), track, CHART_SD * track, "invented"
    )
    return replace(fleet, chart=mean, chart_sd=sd), chart, lift, track


def flown_tonight(
    rng: np.random.Generator,
    true: tuple[np.ndarray, np.ndarray],
    guess: tuple[np.ndarray, np.ndarray],
    pairs: int,
    caused: bool = False,
) -> Tonight:
    """Return a job of 1 + pairs runs. true, guess: coefficients (sensor, regime, adjuster), lift.

    The learner knows nothing of a job's first level, so that whatever is read, the level is what
    was read less the scatter, and tells nothing of the coefficients: a first reading is drawn that
    the coefficients as guessed could mend but for a rest, then the level. caused: the level is
    drawn instead, as what true coefficients make of blades out of adjustment, and read.
    """
    own, lift = true
    blades, adjusters = len(EXACT.blades), len(STEP)
    wrong = (
        WEAR * rng.standard_normal((blades, adjusters)) * (rng.random((blades, adjusters)) < 0.4)
    )
    by, by_track = true if caused else guess
    z = np.einsum("b,ba,sga->sg", turn(blades), wrong, by) + REST * circular(rng, *own.shape[:2])
    h = (wrong @ by_track.T).T + REST_OF_TRACK * rng.standard_normal((len(lift), blades))
    scatter = READING_SD * circular(rng, *z.shape)
    of_track = TRACK_READING_SD * rng.standard_normal(h.shape)
    level, height = (z, h) if caused else (z - scatter, h - of_track)
    readings, heights = [level + scatter], [height + of_track]
    amounts = np.zeros((pairs, blades, adjusters))
    for k in range(pairs):
        for _ in range(2):
            b, a = rng.integers(blades), rng.integers(adjusters)
            amounts[k, b, a] += STEP[a] * rng.choice([3, 4, 5])
        level, height = _moved(level, height, amounts[k], own, lift)
        level = level + RUN_SD * circular(rng, *level.shape)
        height = height + TRACK_RUN_SD * rng.standard_normal(height.shape)
        readings.append(level + READING_SD * circular(rng, *level.shape))
        heights.append(height + TRACK_READING_SD * rng.standard_normal(height.shape))
    return Tonight(np.array(readings), _centred(np.array(heights)), amounts, level, height)


def _moved(
    level: np.ndarray, height: np.ndarray, amounts: np.ndarray, own: np.ndarray, lift: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    z = level + np.einsum("b,ba,sga->sg", turn(len(amounts)), amounts, own)
    return z, height + (amounts @ lift.T).T


def _next_run(
    who: tuple[int, int],
    known: tuple[Coefficients, History, str],
    job: Tonight,
    own: np.ndarray,
    lift: np.ndarray,
    rng: np.random.Generator,
) -> Trial:
    """Plan a job of the model and draw the run that follows."""
    rotor, moves, plan = planned(EXACT, *known, rng)
    z, h = _moved(job.level, job.height, amounts_of(rotor, moves), own, lift)
    z = z + np.hypot(RUN_SD, READING_SD) * circular(rng, *z.shape)
    h = h + np.hypot(TRACK_RUN_SD, TRACK_READING_SD) * rng.standard_normal(h.shape)
    return trial(*who, rotor, plan, z, h)


def _track_of(job: Job, lift: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return heights read in a job, (run, regime, blade)."""
    step = np.einsum("kba,ga->kgb", job.amounts, lift)
    step = step + TRACK_RUN_SD * rng.standard_normal(step.shape)
    level = 8.0 * rng.standard_normal((1, *step.shape[1:]))
    level = np.concatenate([level, level + np.cumsum(step, axis=0)])
    return _centred(level + TRACK_READING_SD * rng.standard_normal(level.shape))


def _centred(heights: np.ndarray) -> np.ndarray:
    return heights - heights.mean(axis=-1, keepdims=True)


def _log(fleet: Fleet, heights: Sequence[np.ndarray]) -> History:
    with tempfile.TemporaryDirectory() as place:
        write(fleet, EXACT, Path(place) / "log", heights)
        return adapt.check(EXACT, adapt.read_log(Path(place) / "log"))


def on_the_machine(fleets: int) -> Iterator[Trial]:
    """Yield trials on the independent machine, by the demo's technician and its main rotor."""
    demo = main_fleet()
    rotor = demo.rotor
    for number in range(fleets):
        rng = np.random.default_rng([number, 2])
        machines = {f"MR-{i:03d}": demo.type_.individual(rng) for i in range(ROTORS)}
        fleet = replace(demo, machines=machines, aircraft=dict.fromkeys(machines, "OV"))
        done, left = fleet_history(fleet, 4, {}, np.array([80.0, 1.0, 1.5]), 1000 + number)
        pairs = dict(zip(machines, np.resize(PAIRS, ROTORS).tolist(), strict=True))
        room = dict(pairs)
        kept = []
        for job in done:
            count = min(room[job.serial], len(job.runs) - 1)
            room[job.serial] -= count
            if count:
                kept.append(replace(job, runs=job.runs[: count + 1]))
        lines: dict[str, Line] = left
        begun = datetime(2026, 11, 24, 9)
        open_jobs = []
        for serial in machines:
            gone = WEAR * rng.standard_normal((len(rotor.blades), 3))
            gone = gone * (rng.random(gone.shape) < 0.4)
            seed = int(rng.integers(1 << 30))
            open_jobs.append(tonight(fleet, serial, lines[serial], gone, begun, seed))
        named = [(rotor, f"J-{k:03d}", job) for k, job in enumerate([*kept, *open_jobs])]
        with tempfile.TemporaryDirectory() as place:
            for table, text in log_tables(named).items():
                (Path(place) / table).write_text(text, encoding="utf-8")
            log = adapt.check(rotor, adapt.read_log(place))
        learned = adapt.learn(rotor, log, chart=demo.chart, health=False)
        for k, job in enumerate(open_jobs):
            name = f"J-{len(kept) + k:03d}"
            if name in log.set_aside:
                continue
            limits, moves, plan = planned(rotor, learned, log, name, rng)
            machine = machines[job.serial]
            state = machine.move(job.after, amounts_of(rotor, moves), rng)
            flown = machine.run(state, rng)
            yield trial(number, pairs[job.serial], limits, plan, flown.readings, flown.track)
