"""How well the angle of a moved phase reference is found, and what turning is worth.

    python studies/moved_reference.py            # everything, about ten minutes on one core
    python studies/moved_reference.py --quick      # a seeded subset, under a minute

Invented fleets of the learner's own model (2 sensors x 6 regimes, 4 blades, 3 adjusters, 16 rotors
of which 5 had their reference moved by any angle), logged and learned through the public
interface, with the chart. Within a job the two runs about the event speak through their level too;
between jobs only what the moves did before and after. held: share of angles inside the 95 %
interval, angle +- 1.96 sd; off: rms error over the stated sd. Then the same on the machine of
`adapt.simulate`, balanced by the technician of `adapt.scenario` (its noise is heavy-tailed and
common to channels, and its answer is not linear). Error of coefficients: of the rotors concerned
after the event, turned or learned anew (what came before is given to the log as another rotor's).
Last, sensors that were moved: refitted in their place or elsewhere.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from asking import add_quick, ended, options_of
from invented_fleets import AIRSPEED, STEP, Fleet, model_fleet, relative_spread

import adapt
from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor
from adapt.scenario.fleet import main_fleet
from adapt.scenario.history import Mishap, fleet_history
from adapt.scenario.tables import log_tables

ROTORS, MOVED, SENSORS = 16, 5, 2
SPREAD = relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06)
HELD = 1.96
CASES = {  # pairs of each job of a rotor; the job and its run after which the reference moved
    "between jobs, 1 pair before, 8 after": ((1, 4, 4), 0, 1),
    "between jobs, 4 before, 4 after": ((4, 4), 0, 4),
    "between jobs, 4 before, 12 after": ((4, 4, 4, 4), 0, 4),
    "between jobs, 12 before, 4 after": ((4, 4, 4, 4), 2, 4),
    "between jobs, 8 before, 1 after": ((4, 4, 1), 1, 4),
    "within a job, 1 before, 2 after": ((4,), 0, 1),
    "within a job, 6 before, 5 after": ((4, 4, 4), 1, 2),
    "within a job, 10 before, 1 after": ((4, 4, 4), 2, 2),
}


@dataclass(frozen=True, eq=False)
class Trial:
    """One moved reference: what was found, and the truth.

    errors: rms error of the rotor's own coefficients after the event over the type's, turned and
    learned anew.
    """

    angle_deg: float
    sd_deg: float
    known: bool
    truth_deg: float
    errors: tuple[float, float] = (np.nan, np.nan)

    @property
    def off(self) -> float:
        """Return the error over the stated sd."""
        return float((self.angle_deg - self.truth_deg + 180.0) % 360.0 - 180.0) / self.sd_deg


def design() -> Rotor:
    """Return the rotor design of the invented fleets."""
    units = ("g", "flat", "deg")
    return Rotor(
        name="invented",
        blades=("A", "B", "C", "D"),
        rpm=390.0,
        sensors=tuple(Sensor(f"S{s}", "ips") for s in range(SENSORS)),
        regimes=tuple(Regime(f"G{g}", None if np.isnan(kt) else float(kt))
                      for g, kt in enumerate(AIRSPEED)),
        adjusters=tuple(Adjuster(f"a {u}", u, float(step), (-1000.0 * step, 1000.0 * step))
                        for u, step in zip(units, STEP, strict=True)),
        limits=tuple(Limit(f"S{s}", 0.2) for s in range(SENSORS)),
    )  # fmt: skip


def logged(
    rotor: Rotor, fleet: Fleet, events: Sequence[tuple[int, int, int, str, complex]], anew: bool
) -> tuple[History, Chart]:
    """Return a fleet's log with events, each (rotor, job, after run, sensor or "", factor).

    anew: what was read before an event is another rotor's, and no event is in the log.
    """
    rows: dict[str, list[dict[str, object]]] = {
        n: [] for n in ("runs", "readings", "moves", "events")
    }
    place = dict.fromkeys(range(fleet.rotors), 0)
    for job in fleet.jobs:
        number = place[job.rotor]
        place[job.rotor] += 1
        for k, read in enumerate(job.readings):
            past = [e for e in events if e[0] == job.rotor and (number, k) > (e[1], e[2])]
            ahead = sum(e[0] == job.rotor for e in events) - len(past)
            serial, name = f"R{job.rotor}", f"J{job.rotor}-{number}"
            if anew and ahead:
                serial, name = f"{serial} before", f"{name} before"
            started = pd.Timestamp("2025-01-01") + pd.Timedelta(days=30.0 * job.time, hours=k)
            rows["runs"].append({"rotor": serial, "job": name, "run": str(k), "started": started})
            for s, sensor in enumerate(rotor.sensors):
                factor = np.prod([e[4] for e in past if e[3] in ("", sensor.name)])
                rows["readings"] += [
                    {"job": name, "run": str(k), "regime": g, "sensor": sensor.name, "value": v}
                    for g, v in zip(rotor.regime_names, read[s] * factor, strict=True)
                ]
            at_event = any(e[:3] == (job.rotor, number, k) for e in events)
            if k < len(job.amounts) and not (anew and at_event):
                rows["moves"] += [
                    {"job": name, "after_run": str(k), "blade": rotor.blades[b],
                     "adjuster": rotor.adjuster_names[a], "amount": job.amounts[k, b, a]}
                    for b, a in np.argwhere(job.amounts[k] != 0)
                ]  # fmt: skip
        if not anew:
            rows["events"] += [
                {"job": f"J{i}-{n}", "after_run": str(k), "sensor": sensor, "note": "",
                 "kind": "sensor moved" if sensor else "reference moved"}
                for i, n, k, sensor, _ in events if (i, n) == (job.rotor, number)
            ]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        write(Path(folder), rows)
        history = adapt.check(rotor, adapt.read_log(folder))
    assert not history.faults, history.faults[:3]
    size = len(rotor.channels), len(rotor.adjusters)
    nothing = np.zeros((len(rotor.regimes), size[1]))
    chart = Chart(fleet.chart.reshape(size), fleet.chart_sd.reshape(size), nothing, nothing, "")
    return history, chart


def write(folder: Path, rows: dict[str, list[dict[str, object]]]) -> None:
    """Write the tables of a log; readings as amplitude and phase."""
    for name, table in rows.items():
        frame = pd.DataFrame(table)
        if name == "readings":
            value = frame.pop("value").to_numpy(dtype=complex)
            frame = frame.assign(amplitude=np.abs(value), phase_deg=np.angle(value, deg=True) % 360)
        if len(frame):
            frame.to_csv(folder / f"{name}.csv", index=False)


def model_trials(case: str, seed: int, compare: bool) -> list[Trial]:
    """Return the trials of one invented fleet."""
    pairs, job, after = CASES[case]
    rng = np.random.default_rng([seed, len(pairs), job, after])
    rotor = design()
    fleet = model_fleet(rng, ROTORS, pairs, [SPREAD] * SENSORS)
    turned = rng.uniform(-180.0, 180.0, MOVED)
    events = [(i, job, after, "", np.exp(1j * np.deg2rad(a))) for i, a in enumerate(turned)]
    learned = adapt.learn(rotor, *logged(rotor, fleet, events, anew=False))
    found = by_rotor(learned)
    anew = adapt.learn(rotor, *logged(rotor, fleet, events, anew=True)) if compare else None
    trials = []
    for i, angle in enumerate(turned):
        row = found[f"R{i}"]
        errors = np.nan, np.nan
        if anew is not None:
            errors = tuple(error(c, fleet, i, angle) for c in (learned, anew))
        trials.append(trial(row, float(angle), errors))
    return trials


def error(learned: Coefficients, fleet: Fleet, i: int, angle: float) -> float:
    """Return the rms error of a rotor's own coefficients over the type's."""
    truth = fleet.own[i].reshape(learned.type_.mean.shape) * np.exp(1j * np.deg2rad(angle))
    size = np.abs(fleet.type_.reshape(truth.shape))
    return float(np.sqrt(np.mean(np.abs((learned.of(f"R{i}").mean - truth) / size) ** 2)))


def by_rotor(learned: Coefficients) -> dict[str, dict]:
    """Return the rows of `reference` by serial; ends the study when there are none."""
    if not learned.references:
        sys.exit("no moved reference was looked at: is it wired into adapt.learn?")
    return {str(row["rotor"]): dict(row) for row in learned.references}


def trial(row: dict, truth: float, errors: tuple[float, float] = (np.nan, np.nan)) -> Trial:
    """Return a trial of one row of `reference`."""
    angle = np.nan if row["angle_deg"] is None else row["angle_deg"]
    return Trial(angle, row["sd_deg"], row["known"], truth, errors)


def machine_trials(seed: int, rotors: int, jobs: int, before: int) -> list[Trial]:
    """Return the trials of one fleet of machines: a third had their reference moved."""
    demo = main_fleet()
    rng = np.random.default_rng([seed, rotors, jobs, before])
    machines = {f"MR-{i:03d}": demo.type_.individual(rng) for i in range(rotors)}
    fleet = replace(demo, machines=machines, aircraft=dict.fromkeys(machines, "OV"))
    turned = {serial: float(rng.uniform(-180.0, 180.0)) for serial in list(machines)[: rotors // 3]}
    mishaps = {(serial, before): Mishap(turned_deg=a) for serial, a in turned.items()}
    done, _ = fleet_history(fleet, jobs, mishaps, np.array([80.0, 1.0, 1.5]), seed)
    tables = log_tables([(fleet.rotor, f"J-{k:04d}", job) for k, job in enumerate(done)])
    with tempfile.TemporaryDirectory() as folder:
        for name, text in tables.items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        found = by_rotor(adapt.learn(fleet.rotor, folder, fleet.chart))
    return [trial(found[serial], angle) for serial, angle in turned.items() if serial in found]


def sensor_trials(seed: int, same: bool) -> list[dict]:
    """Return the rows of sensors that were moved, the true factor beside them."""
    rng = np.random.default_rng([seed, same])
    rotor = design()
    fleet = model_fleet(rng, ROTORS, (4, 4, 4), [SPREAD] * SENSORS)
    other = model_fleet(rng, ROTORS, (4, 4, 4), [SPREAD] * SENSORS)
    factors = np.exp(0.1 * rng.standard_normal(MOVED)
                     + 1j * np.deg2rad(10.0) * rng.standard_normal(MOVED))  # fmt: skip
    after = [int(rng.integers(1, 5)) for _ in range(MOVED)]
    if not same:  # another place: another type's rotors read there from then on
        after, factors = [4] * MOVED, np.ones(MOVED)
        number = dict.fromkeys(range(ROTORS), 0)
        swapped = {(j.rotor, k): j for k, j in _numbered(other)}
        jobs = []
        for k, job in _numbered(fleet):
            number[job.rotor] = k
            late = job.rotor < MOVED and k > 1
            read = job.readings.copy()
            if late:
                read[:, 0] = swapped[job.rotor, k].readings[:, 0]
                # The moves there were others: what this sensor reads follows from those.
                extra = np.einsum(
                    "ka,ga->kg",
                    np.cumsum(job.moves - swapped[job.rotor, k].moves, axis=0),
                    other.own[job.rotor, 0],
                )
                read[1:, 0] += extra
            jobs.append(replace(job, readings=read))
        fleet = replace(fleet, jobs=tuple(jobs))
    events = [(i, 1, after[i], "S0", f) for i, f in enumerate(factors)]
    learned = adapt.learn(rotor, *logged(rotor, fleet, events, anew=False))
    found = by_rotor(learned)
    return [{**found[f"R{i}"], "factor": complex(f)} for i, f in enumerate(factors)]


def _numbered(fleet: Fleet) -> list[tuple[int, object]]:
    """Return each job with its number on its rotor."""
    seen = dict.fromkeys(range(fleet.rotors), -1)
    listed = []
    for job in fleet.jobs:
        seen[job.rotor] += 1
        listed.append((seen[job.rotor], job))
    return listed


def line(name: str, trials: Sequence[Trial]) -> None:
    """Print one row of a table."""
    told = [t for t in trials if t.known]
    inside = np.array([abs(t.off) < HELD for t in told])
    held = f"{100 * inside.mean():6.1f} %" if len(inside) else "       -"
    doubt = 100 * np.sqrt(0.95 * 0.05 / max(len(inside), 1))
    off = np.sqrt(np.mean([t.off**2 for t in told])) if told else np.nan
    sds = np.array([t.sd_deg for t in trials])
    print(f"{name:<40}{len(trials):7d}{100 * len(told) / len(trials):7.0f} %{held} +-{doubt:4.1f}"
          f"{np.median(sds):8.2f}{off:7.2f}", flush=True)  # fmt: skip


HEADER = f"{'':<40}{'trials':>7}{'known':>9}{'held':>8}{'':>6}{'sd deg':>9}{'off':>7}"


def main() -> None:
    """Print the tables."""
    options = options_of(__doc__)
    add_quick(options, "a seeded subset")
    quick = options.parse_args().quick
    begun = time.perf_counter()
    print(f"Invented fleets\n{HEADER}")
    whole: list[Trial] = []
    for case in CASES:
        trials = []
        for seed in range(1 if quick else 40):
            trials += model_trials(case, seed, compare=seed < (1 if quick else 10))
        line(case, trials)
        whole += trials
        errors = np.array([t.errors for t in trials if t.known and not np.isnan(t.errors[0])])
        if len(errors):
            kept, anew = np.sqrt((errors**2).mean(axis=0))
            print(f"{'':<8}error of coefficients: turned {kept:.3f}, learned anew {anew:.3f}")
    line("all", whole)
    print(f"\nMachine\n{HEADER}")
    for rotors, jobs, before in ((12, 4, 2), (12, 4, 1), (12, 6, 4))[: 1 if quick else 3]:
        trials = [t for seed in range(1 if quick else 30)
                  for t in machine_trials(seed, rotors, jobs, before)]  # fmt: skip
        line(f"{rotors} rotors, {before} jobs before, {jobs - before} after", trials)
    print("\nSensors moved (5 of 16 rotors, after 4 to 8 pairs; 4 to 7 after)")
    for same in (True, False):
        rows = [r for seed in range(1 if quick else 20) for r in sensor_trials(seed, same)]
        sure = [r for r in rows if (r["same_place"] > 0.9) == same and
                abs(r["same_place"] - 0.5) > 0.4]  # fmt: skip
        text = f"{'in their place' if same else 'elsewhere':<16}{len(rows)} sensors, told so at a "
        text += f"probability of 0.9 or more: {100 * len(sure) / len(rows):.0f} %"
        wrong = [r for r in rows if (r["same_place"] < 0.1 if same else r["same_place"] > 0.9)]
        text += f", the other way: {100 * len(wrong) / len(rows):.0f} %"
        print(text)
        if same:
            gain = [np.log(r["gain"] / abs(r["factor"])) / r["gain_sd"] for r in rows]
            angle = [(r["angle_deg"] - np.angle(r["factor"], deg=True)) / r["sd_deg"] for r in rows]
            print(f"{'':<16}inside 95 %: gain {100 * np.mean(np.abs(gain) < HELD):.0f} %, angle "
                  f"{100 * np.mean(np.abs(angle) < HELD):.0f} %; median sd: gain "
                  f"{np.median([r['gain_sd'] for r in rows]):.3f}, angle "
                  f"{np.median([r['sd_deg'] for r in rows]):.1f} deg")  # fmt: skip
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    ended(main)
