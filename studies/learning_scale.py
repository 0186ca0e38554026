"""How long checking, learning, updating and walking forward take on a large invented log.

    python studies/learning_scale.py [ROTORS] [JOBS] [RUNS]
    python studies/learning_scale.py --quick    # 20 rotors, half a minute

Default: 200 rotors x 4 jobs x 5 runs (20 runs a rotor) x 24 channels (4 sensors, 6 regimes), five
blades, three adjusters, with track. The log is invented here, with missing regimes, and written as
the CSV files that people have, so that reading and checking are part of the time. Prints seconds.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
from asking import add_folder, add_quick, ended, options_of, whole
from kept import kept_csv, kept_figure, kept_text
from study_figures import bars

import adapt
from adapt.log import History

ROTOR = """
[rotor]
name = "main rotor"
blades = ["A", "B", "C", "D", "E"]
rpm = 390.0
track_unit = "mm"
{sensors}
{regimes}
[[adjusters]]
name = "hub weight"
unit = "g"
step = 10.0
fitted_range = [-10000.0, 10000.0]

[[adjusters]]
name = "pitch link"
unit = "flat"
step = 1.0
fitted_range = [-1000.0, 1000.0]

[[adjusters]]
name = "trim tab"
unit = "deg"
step = 0.5
fitted_range = [-1000.0, 1000.0]
"""
SENSORS, REGIMES, BLADES = 4, 6, "ABCDE"
STEP = np.array([10.0, 1.0, 0.5])
SIZE = np.array([0.001, 0.04, 0.03])
TRACK = np.array([0.0, 4.0, 6.0])
T = TypeVar("T")


def write_log(folder: Path, rotors: int, jobs: int, runs: int) -> None:
    """Write a rotor file, a chart and a log of the learner's own model."""
    rng = np.random.default_rng(1)
    sensors = [f"sensor {k}" for k in range(SENSORS)]
    regimes = [f"regime {k}" for k in range(REGIMES)]
    (folder / "rotor.toml").write_text(
        ROTOR.format(
            sensors="".join(
                f'\n[[sensors]]\nname = "{s}"\nunit = "ips"\n'
                f'\n[[limits]]\nsensor = "{s}"\nlimit = 0.2\n'
                for s in sensors
            ),
            regimes="".join(f'\n[[regimes]]\nname = "{r}"\n' for r in regimes),
        )
    )

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    channels = SENSORS * REGIMES
    kind = SIZE * circular(channels, 3)
    turn = np.exp(2j * np.pi * np.arange(5) / 5)
    tables: dict[str, list[tuple[object, ...]]] = {
        k: [] for k in ("runs", "readings", "track", "moves")
    }
    for i in range(rotors):
        own = kind * (1 + 0.12 * circular(channels, 3))
        for j in range(jobs):
            job = f"J{i:05d}-{j}"
            day = pd.Timestamp("2024-01-01") + pd.Timedelta(days=30 * j + i % 25)
            level, heights = 0.3 * circular(channels), 8 * rng.standard_normal((REGIMES, 5))
            for k in range(runs):
                if k:
                    level = level + 0.015 * circular(channels)
                    for b, a in zip(rng.permutation(5)[:2], rng.integers(3, size=2), strict=True):
                        amount = STEP[a] * rng.choice([-4, -3, 3, 4])
                        name = ("hub weight", "pitch link", "trim tab")[a]
                        tables["moves"].append((job, k - 1, BLADES[b], name, amount))
                        level = level + own[:, a] * turn[b] * amount
                        heights[:, b] += TRACK[a] * amount
                tables["runs"].append((f"R{i:05d}", job, k, day + pd.Timedelta(hours=k)))
                read = level + 0.02 * circular(channels)
                seen = heights + rng.standard_normal(heights.shape)
                for c in np.flatnonzero(rng.random(channels) > 0.05):
                    phase = np.degrees(np.angle(read[c])) % 360
                    tables["readings"].append(
                        (job, k, regimes[c % REGIMES], sensors[c // REGIMES], abs(read[c]), phase)
                    )
                tables["track"] += [
                    (job, k, regimes[r], b, seen[r, n])
                    for r in range(REGIMES)
                    for n, b in enumerate(BLADES)
                ]
    (folder / "log").mkdir()
    columns = {
        "runs": "rotor,job,run,started",
        "readings": "job,run,regime,sensor,amplitude,phase_deg",
        "track": "job,run,regime,blade,height",
        "moves": "job,after_run,blade,adjuster,amount",
    }
    for name, rows in tables.items():
        table = pd.DataFrame(rows, columns=columns[name].split(","))
        table.to_csv(folder / "log" / f"{name}.csv", index=False)
    drawn = kind * (1 + 0.25 * circular(channels, 3))
    chart = [
        (sensors[c // REGIMES], regimes[c % REGIMES], name, abs(drawn[c, a]),
         np.degrees(np.angle(drawn[c, a])) % 360, None)
        for c in range(channels)
        for a, name in enumerate(("hub weight", "pitch link", "trim tab"))
    ]  # fmt: skip
    chart += [
        (None, r, name, None, None, TRACK[a])
        for r in regimes
        for a, name in enumerate(("hub weight", "pitch link", "trim tab"))
        if TRACK[a]
    ]
    header = ["sensor", "regime", "adjuster", "amplitude", "phase_deg", "height"]
    pd.DataFrame(chart, columns=header).to_csv(folder / "chart.csv", index=False)


def timed(what: str, work: Callable[[], T], took: list[tuple[str, float]]) -> T:
    """Do the work, print how long it took, and add that [s] to `took`."""
    start = time.perf_counter()
    result = work()
    took.append((what, time.perf_counter() - start))
    print(f"{what:<44}{took[-1][1]:9.2f} s", flush=True)
    return result


def main() -> None:
    """Print what was measured."""
    options = options_of(__doc__)
    options.add_argument("rotors", type=whole(2), nargs="?", default=200)
    options.add_argument("jobs", type=whole(2), nargs="?", default=4, help="of a rotor")
    options.add_argument("runs", type=whole(2), nargs="?", default=5, help="of a job")
    add_quick(options, "20 rotors")
    add_folder(options)
    asked = options.parse_args()
    with kept_text(asked.folder, "learning_scale.txt"):
        took = measured(20 if asked.quick else asked.rotors, asked.jobs, asked.runs)
    rows = [{"what": what, "seconds": seconds} for what, seconds in took]
    kept_csv(asked.folder, "learning_scale.csv", rows)
    kept_figure(asked.folder, "learning_scale", bars(took, "seconds of the clock"))


def measured(rotors: int, jobs: int, runs: int) -> list[tuple[str, float]]:
    """Print how long each step takes; return steps with their seconds."""
    took: list[tuple[str, float]] = []
    print(f"{rotors} rotors x {jobs} jobs x {runs} runs x {SENSORS * REGIMES} channels")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_log(folder, rotors, jobs, runs)
        rotor = adapt.read_rotor(folder / "rotor.toml")
        chart = adapt.read_chart(folder / "chart.csv", rotor)
        log = timed("read the log", lambda: adapt.read_log(folder / "log"), took)
        history = timed("check it", lambda: adapt.check(rotor, log), took)
        learned = timed(
            "learn (screening included)", lambda: adapt.learn(rotor, history, chart), took
        )
        print(f"{len(learned.taught)} pairs taught, {len(learned.withheld)} held back")
        few = {f"R{i:05d}" for i in range(0, rotors, 4)}
        older = history.runs.rotor.isin(few) & history.runs.job.str.endswith(f"-{jobs - 1}")
        late = set(history.runs.job[older])
        before = adapt.learn(rotor, _without(history, late), chart)
        start = time.perf_counter()
        after = adapt.update(before, rotor, history)
        new = len(after.taught - before.taught)
        seconds = time.perf_counter() - start
        took.append((f"update with {new} new pairs", seconds))
        print(f"{'update with ' + str(new) + ' new pairs':<44}{seconds:9.2f} s"
              f"   ({1000 * seconds / max(new, 1):.2f} ms a pair, tables included)")  # fmt: skip
        timed(
            "write the coefficients",
            lambda: adapt.write_coefficients(learned, folder / "c.json"),
            took,
        )
        timed("read them", lambda: adapt.read_coefficients(folder / "c.json", rotor), took)
        timed("compare", lambda: adapt.compare(rotor, history, chart), took)
    return took


def _without(history: History, jobs: set[str]) -> History:
    """Return the history without some jobs."""
    tables = ("runs", "readings", "track", "moves", "fitted", "events")
    kept = {name: getattr(history, name) for name in tables}
    return replace(history, **{n: t[~t["job"].isin(jobs)] for n, t in kept.items()})


if __name__ == "__main__":
    ended(main)
