"""Do stated chances hold? Simulated jobs with plans of all qualities, by what was stated.

    python studies/chance_calibration.py              # 2,000 jobs of each kind, about half an hour
    python studies/chance_calibration.py --quick      # a seeded subset, about two minutes

On the learner's own model (rotors that differ as it assumes, normal scatter and run-to-run change)
and on the independent machine, which is not that model. Fleets of 20 rotors with 0, 1, 3 or 10
earlier pairs each; every rotor has one job tonight, with limits from tight to loose, and one plan,
drawn from those that the planner shows: no move, the smoothest of 1 to 3 moves, other plans of
nearly the same worth, the fewest moves at a chance of 0.5 or 0.9. The next run is drawn from the
truth. One plan a job, so that jobs of different fleets are independent; those of one fleet share
what was learned of the type.

If every chance is right, a job with a stated chance p comes inside with probability p: the band
holds all bins' shares together in 95 % of cases then (simulated). Slope: of a logistic regression
of what happened on the log odds stated, 1 when right, below 1 when chances are too bold
(statsmodels).
Single readings: the same by reading, their band by resampling fleets.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import statsmodels.api as sm
from drift_fleets import (
    MODEL,
    TRACK_READING_SD,
    TRACK_RUN_SD,
    TRACK_SIZE,
    TRACK_SPREAD,
    turn,
    write,
)
from invented_fleets import (
    AIRSPEED,
    READING_SD,
    RUN_SD,
    Fleet,
    Job,
    circular,
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

ROTORS = 20
PAIRS = (0, 1, 3, 10)  # of the rotors, in turn
BINS = np.array([0.0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0])
WEAR = np.array([60.0, 1.5, 2.5])  # sd of what is out of adjustment tonight, by adjuster
REST, TRACK_REST = 0.12, 6.0  # sds of what no move mends, per component, on the model
LIMITS = {"model": (1.0, 4.0), "machine": (0.5, 2.0)}  # tonight's, times those of the rotor file
EXACT = replace(MODEL, adjusters=tuple(replace(a, amount_sd=0.0) for a in MODEL.adjusters))


@dataclass(frozen=True)
class Trial:
    """One job: its fleet, pairs of the rotor, what was stated, and whether all was inside then.

    readings: (stated, inside) of every limited reading and spread.
    """

    fleet: int
    pairs: int
    chance: float
    joint: float
    inside: bool
    readings: tuple[tuple[float, bool], ...]


def chosen(
    kind: str,
    rotor: Rotor,
    learned: Coefficients,
    log: History,
    job: str,
    rng: np.random.Generator,
) -> tuple[Rotor, Plan]:
    """Return the rotor with tonight's limits, and a plan with all that it states."""
    scale = np.exp(rng.uniform(*np.log(LIMITS[kind])))
    limits = tuple(replace(x, limit=scale * x.limit) for x in rotor.limits)
    rotor = replace(rotor, limits=limits)

    def ask(**asked: object) -> Plan:
        return adapt.plan(rotor, learned, log, job, seconds=4.0, explain=False, **asked)  # type: ignore[arg-type]

    if rng.random() < 0.35:
        moves = ask(chance=float(rng.choice([0.5, 0.9])), most_moves=4).moves
    else:
        plan = ask(aim="smoothest", most_moves=3)
        shown = [t.plan for t in plan.tradeoff] + [a.moves for a in plan.alternatives]
        moves = shown[int(rng.integers(len(shown)))]
    return rotor, ask(aim="smoothest", most_moves=0, by_hand=moves)


def trial(
    fleet: int, pairs: int, rotor: Rotor, plan: Plan, z: np.ndarray, heights: np.ndarray
) -> Trial:
    """Return what was stated of the moves by hand, and what came: z (sensor, regime), heights."""
    held = plan.by_hand or plan
    assert held.chance is not None
    assert held.joint_chance is not None
    channels = list(rotor.channels)
    seen: list[tuple[float, bool]] = []
    for r in held.readings:
        if r.chance is not None and r.limit is not None:
            read = z.ravel()[channels.index((r.sensor, r.regime))]
            seen.append((r.chance, bool(abs(read) <= r.limit)))
    for t in held.track:
        if t.chance is not None and t.limit is not None:
            spread = np.ptp(heights[rotor.regime_names.index(t.regime)])
            seen.append((t.chance, bool(spread <= t.limit)))
    inside = all(ok for _, ok in seen)
    return Trial(fleet, pairs, held.chance, held.joint_chance, inside, tuple(seen))


def moves_of(plan: Plan) -> tuple[Move, ...]:
    """Return the moves that are made: those by hand, none where none were given."""
    return () if plan.by_hand is None else plan.by_hand.moves


def amounts_of(rotor: Rotor, moves: tuple[Move, ...]) -> np.ndarray:
    """Return moves as (blade, adjuster) amounts."""
    table = np.zeros((len(rotor.blades), len(rotor.adjusters)))
    for m in moves:
        table[rotor.blades.index(m.blade), rotor.adjuster_names.index(m.adjuster)] += m.amount
    return table


def on_the_model(fleets: int) -> Iterator[Trial]:
    """Yield trials on fleets drawn from the learner's own model, track included."""
    spread = relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06)
    regimes, blades = len(AIRSPEED), len(EXACT.blades)
    for number in range(fleets):
        rng = np.random.default_rng([number, 1])
        pairs = np.resize(PAIRS, ROTORS)
        drawn = model_fleet(rng, ROTORS, (1, 2, 3, 4), [spread] * len(EXACT.sensors))
        fleet = drawn.first(pairs.tolist())
        assert fleet.own is not None
        type_ = TRACK_SIZE * rng.uniform(0.7, 1.3, (regimes, 3))
        lift = type_ * (1.0 + TRACK_SPREAD * rng.standard_normal((ROTORS, regimes, 3)))

        def flown(job: Job, level: np.ndarray, lift: np.ndarray, rng: np.random.Generator):
            """Return true heights (run, regime, blade) of a job from its first level."""
            step = np.einsum("kba,ga->kgb", job.amounts, lift[job.rotor])
            step = step + TRACK_RUN_SD * rng.standard_normal(step.shape)
            return np.concatenate([level[None], level + np.cumsum(step, axis=0)])

        jobs, tracks = list(fleet.jobs), []
        for job in jobs:
            level = 8.0 * rng.standard_normal((regimes, blades))
            tracks.append(flown(job, level, lift, rng))
        shape = fleet.chart.shape
        nothing = np.full((regimes, shape[2]), np.nan)
        chart = Chart(
            fleet.chart.reshape(-1, shape[2]), fleet.chart_sd.reshape(-1, shape[2]), nothing,
            nothing, "invented",
        )  # fmt: skip
        learned = adapt.learn(EXACT, logged(replace(fleet, jobs=tuple(jobs)), tracks, rng), chart)
        last, tonight_ = max(job.time for job in jobs), []
        for i in range(ROTORS):
            wrong = WEAR * rng.standard_normal((blades, 3)) * (rng.random((blades, 3)) < 0.4)
            # The model knows nothing of levels: they are spread wide against the noise, and say
            # nothing of the rotor's own errors, as what is wrong acts as it is expected to.
            known = learned.of(f"R-{i}")
            level = np.einsum("b,ba,sga->sg", turn(blades), wrong, known.mean.reshape(shape))
            level = level + REST * circular(rng, *level.shape)
            height = (wrong @ np.nan_to_num(known.track_mean).T).T
            height = height + TRACK_REST * rng.standard_normal((regimes, blades))
            read = level + READING_SD * circular(rng, *level.shape)
            none = np.zeros((0, blades, 3))
            jobs.append(Job(i, last + 1.0 + i, none, none[:, 0], read[None]))
            tracks.append(height[None])
            tonight_.append((level, height))
        log = logged(replace(fleet, jobs=tuple(jobs)), tracks, rng)
        for i, (level, height) in enumerate(tonight_):
            name = f"J{len(jobs) - ROTORS + i:05d}"
            rotor, plan = chosen("model", EXACT, learned, log, name, rng)
            moved = amounts_of(rotor, moves_of(plan))
            z = level + np.einsum("b,ba,sga->sg", turn(blades), moved, fleet.own[i])
            z = z + np.sqrt(RUN_SD**2 + READING_SD**2) * circular(rng, *z.shape)
            h = height + (moved @ lift[i].T).T
            sd = np.sqrt(TRACK_RUN_SD**2 + TRACK_READING_SD**2)
            h = h + sd * rng.standard_normal(h.shape)
            yield trial(number, int(pairs[i]), rotor, plan, z, h)


def logged(fleet: Fleet, tracks: list[np.ndarray], rng: np.random.Generator) -> History:
    """Return the checked log of a fleet with true heights (run, regime, blade) of every job."""
    heights = [x + TRACK_READING_SD * rng.standard_normal(x.shape) for x in tracks]
    with tempfile.TemporaryDirectory() as place:
        centred = [x - x.mean(axis=2, keepdims=True) for x in heights]
        write(fleet, EXACT, Path(place) / "log", centred)
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
        learned = adapt.learn(rotor, log, chart=demo.chart)
        for k, job in enumerate(open_jobs):
            name = f"J-{len(kept) + k:03d}"
            if name in log.set_aside:
                continue
            limits, plan = chosen("machine", rotor, learned, log, name, rng)
            machine = machines[job.serial]
            state = machine.move(job.after, amounts_of(rotor, moves_of(plan)), rng)
            flown = machine.run(state, rng)
            yield trial(number, pairs[job.serial], limits, plan, flown.readings, flown.track)


def band(stated: np.ndarray, at: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Return mean stated, and low and high of a simultaneous 95 % band of shares, by bin.

    at: (trial,) the bin of each.
    """
    bins = np.unique(at)
    drawn = rng.random((4000, len(stated))) < stated
    shares = np.array([drawn[:, at == b].mean(axis=1) for b in bins])
    mean = np.array([stated[at == b].mean() for b in bins])
    sd = np.array(
        [np.sqrt((stated[at == b] * (1 - stated[at == b])).sum()) / (at == b).sum() for b in bins]
    )
    sd = np.maximum(sd, 1e-9)
    farthest = (np.abs(shares - mean[:, None]) / sd[:, None]).max(axis=0)
    reach = np.quantile(farthest, 0.95)
    return bins, mean, np.maximum(mean - reach * sd, 0.0), np.minimum(mean + reach * sd, 1.0)


def table(title: str, stated: np.ndarray, inside: np.ndarray) -> None:
    """Print shares by stated chance against the band, and what one number can say."""
    rng = np.random.default_rng(1)
    at = np.clip(np.digitize(stated, BINS) - 1, 0, len(BINS) - 2)
    bins, mean, low, high = band(stated, at, rng)
    print(f"{title}, {len(stated)} jobs")
    print("   stated       jobs   mean   inside  band")
    outside = []
    for b, m, lo, hi in zip(bins, mean, low, high, strict=True):
        share = inside[at == b].mean()
        held = lo - 1e-12 <= share <= hi + 1e-12
        outside += [] if held else [f"{BINS[b]:.2f}-{BINS[b + 1]:.2f}"]
        print(
            f"{BINS[b]:6.2f}-{BINS[b + 1]:.2f} {int((at == b).sum()):9d} {m:6.3f} {share:8.3f}  "
            f"{lo:.3f} to {hi:.3f}{'' if held else '  outside'}"
        )
    odds = np.log(np.clip(stated, 1e-6, 1 - 1e-6) / np.clip(1 - stated, 1e-6, 1.0))
    fit = sm.GLM(inside.astype(float), sm.add_constant(odds), family=sm.families.Binomial()).fit()
    brier = float(((stated - inside) ** 2).mean())
    least = float((stated * (1 - stated)).mean())
    print(
        f"  inside in all {inside.mean():.3f}, stated {stated.mean():.3f}; slope "
        f"{fit.params[1]:.2f} ± {fit.bse[1]:.2f}; Brier {brier:.4f}, expected {least:.4f}"
    )
    print(f"  {'all bins inside the band' if not outside else 'outside: ' + ', '.join(outside)}\n")


def by_pairs(trials: list[Trial]) -> None:
    """Print stated and observed by the rotor's earlier pairs."""
    print("  earlier pairs   jobs  stated  inside     z")
    for count in PAIRS:
        some = [t for t in trials if t.pairs == count]
        stated = np.array([t.joint for t in some])
        share = np.mean([t.inside for t in some])
        sd = np.sqrt((stated * (1 - stated)).sum()) / len(some)
        z = (share - stated.mean()) / sd
        print(f"{count:15d} {len(some):6d} {stated.mean():7.3f} {share:7.3f} {z:+5.1f}")
    print()


def single(trials: list[Trial]) -> None:
    """Print shares of single readings by stated chance, with intervals from resampled fleets."""
    rng = np.random.default_rng(2)
    fleets = np.unique([t.fleet for t in trials])
    rows = [(t.fleet, p, ok) for t in trials for p, ok in t.readings]
    fleet, stated, inside = (np.array(x) for x in zip(*rows, strict=True))
    at = np.clip(np.digitize(stated, BINS) - 1, 0, len(BINS) - 2)
    print("  single readings       n   mean   inside - stated, 95 % by resampled fleets")
    for b in np.unique(at):
        here = at == b
        gap = np.array([(inside[here & (fleet == f)] - stated[here & (fleet == f)]).sum()
                        for f in fleets])  # fmt: skip
        number = np.array([(here & (fleet == f)).sum() for f in fleets])
        picks = rng.integers(len(fleets), size=(2000, len(fleets)))
        drawn = gap[picks].sum(axis=1) / np.maximum(number[picks].sum(axis=1), 1)
        low, high = np.quantile(drawn, [0.025, 0.975])
        print(
            f"{BINS[b]:13.2f}-{BINS[b + 1]:.2f} {here.sum():7d} {stated[here].mean():6.3f}  "
            f"{(inside[here] - stated[here]).mean():+.3f}, {low:+.3f} to {high:+.3f}"
        )
    print()


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--fleets", type=int, default=100, help="of 20 rotors, of each kind")
    options.add_argument("--quick", action="store_true", help="six fleets of each kind")
    options.add_argument("--only", choices=["model", "machine"])
    asked = options.parse_args()
    fleets = 6 if asked.quick else asked.fleets
    kinds = {"model": on_the_model, "machine": on_the_machine}
    names = {"model": "the learner's own model", "machine": "the independent machine"}
    begun = time.perf_counter()
    for kind, trials_of in kinds.items():
        if asked.only not in (None, kind):
            continue
        trials = []
        for t in trials_of(fleets):
            trials.append(t)
            if len(trials) % 100 == 0:
                print(f"{kind}: {len(trials)} jobs, {time.perf_counter() - begun:.0f} s",
                      file=sys.stderr, flush=True)  # fmt: skip
        inside = np.array([t.inside for t in trials])
        table(f"Chance, {names[kind]}", np.array([t.chance for t in trials]), inside)
        table(f"Joint chance, {names[kind]}", np.array([t.joint for t in trials]), inside)
        by_pairs(trials)
        single(trials)


if __name__ == "__main__":
    main()
