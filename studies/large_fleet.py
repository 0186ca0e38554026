"""How long, and with how much memory, a very large fleet is learned.

    python studies/large_fleet.py [ROTORS] [--health]   # default 10000; 40 runs, 24 channels each
    python studies/large_fleet.py --quick               # 300 rotors, under a minute

10 jobs of 4 runs a rotor, 4 sensors, 6 regimes, four blades, three adjusters, no track; a clean log
of the learner's own model, held in memory as `check` gives it, so that the time is that of `learn`
alone: arrays, variances, posteriors of every rotor, and the search for suspect entries; with
`--health` also whether rotors still answer as they did, which takes longer than all the rest.
Prints seconds of the wall clock and of the processor, and the most memory that the process held,
the log in it.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd
from asking import add_folder, add_quick, ended, options_of, whole
from kept import kept_csv, kept_figure, kept_text
from study_figures import bars

import adapt
from adapt.chart import Chart
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

JOBS, RUNS, SENSORS, REGIMES, BLADES = 10, 4, 4, 6, 4
RUN_SD, READING_SD = 0.015, 0.02  # [ips] per component
GAIN, ADJUSTER, REST = 0.06, 0.08, 0.06  # per component, relative
SIZE = np.array([0.002, 0.06, 0.05])  # [ips per g, flat, deg]
STEP = np.array([10.0, 1.0, 0.5])


def design() -> Rotor:
    """Return the rotor design."""
    return Rotor(
        name="main rotor",
        blades=("A", "B", "C", "D"),
        rpm=390.0,
        sensors=tuple(Sensor(f"sensor {s}", "ips") for s in range(SENSORS)),
        regimes=tuple(Regime(f"regime {g}") for g in range(REGIMES)),
        adjusters=(
            Adjuster("hub weight", "g", 10.0, (-10000.0, 10000.0)),
            Adjuster("pitch link", "flat", 1.0, (-1000.0, 1000.0)),
            Adjuster("trim tab", "deg", 0.5, (-1000.0, 1000.0)),
        ),
        limits=tuple(Limit(f"sensor {s}", 0.2) for s in range(SENSORS)),
    )


def drawn_log(rotor: Rotor, rotors: int) -> tuple[History, Chart]:
    """Return a fleet's log and a chart."""
    rng = np.random.default_rng(1)

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    channels, adjusters, segments = SENSORS * REGIMES, len(STEP), rotors * JOBS
    kind = SIZE * rng.uniform(0.7, 1.4, (channels, adjusters))
    kind = kind * np.exp(2j * np.pi * rng.random((channels, adjusters)))
    share = GAIN * circular(rotors, SENSORS, 1) + ADJUSTER * circular(rotors, SENSORS, adjusters)
    own = kind * (1 + np.repeat(share, REGIMES, axis=1))
    own += kind * REST * circular(rotors, channels, adjusters)
    amounts = np.zeros((segments, RUNS, BLADES, adjusters))
    for k in range(1, RUNS):
        for _ in range(2):
            b, a = rng.integers(BLADES, size=segments), rng.integers(adjusters, size=segments)
            moved = STEP[a] * rng.choice([-4.0, -3.0, 3.0, 4.0], segments)
            amounts[np.arange(segments), k, b, a] += moved
    x = np.einsum("skba,b->ska", amounts, np.exp(1j * rotor.psi))
    step = np.einsum("ska,sja->skj", x, np.repeat(own, JOBS, axis=0))
    step += RUN_SD * circular(segments, RUNS, channels)
    read = 0.4 * circular(segments, 1, channels) + np.cumsum(step, axis=1)
    read += READING_SD * circular(segments, RUNS, channels)

    job = np.repeat(np.array([f"J{s:06d}" for s in range(segments)], dtype=object), RUNS)
    run = np.tile(np.array([str(k) for k in range(RUNS)], dtype=object), segments)
    serial = np.repeat(np.array([f"R{i:05d}" for i in range(rotors)], dtype=object), JOBS * RUNS)
    started = pd.Timestamp("2024-01-01") + pd.to_timedelta(np.arange(segments * RUNS), unit="h")
    names = np.array(rotor.channels, dtype=object)
    at = np.argwhere(amounts != 0)
    none = pd.DataFrame({c: [] for c in ("job", "run", "regime", "blade", "height", "lag")})
    history = History(
        runs=pd.DataFrame({"rotor": serial, "job": job, "run": run, "started": started}),
        readings=pd.DataFrame(
            {
                "job": np.repeat(job, channels),
                "run": np.repeat(run, channels),
                "regime": np.tile(names[:, 1], len(job)),
                "sensor": np.tile(names[:, 0], len(job)),
                "value": read.ravel(),
                "spread": np.nan,
                "repeats": 1.0,
            }
        ),
        track=none,
        moves=pd.DataFrame(
            {
                "job": job[at[:, 0] * RUNS],
                "after_run": run[at[:, 1] - 1],
                "blade": np.array(rotor.blades, dtype=object)[at[:, 2]],
                "adjuster": np.array(rotor.adjuster_names, dtype=object)[at[:, 3]],
                "amount": amounts[tuple(at.T)],
            }
        ),
        fitted=pd.DataFrame({c: [] for c in ("job", "blade", "adjuster", "amount")}),
        events=pd.DataFrame({c: [] for c in ("job", "after_run", "kind", "sensor", "note")}),
        excluded=pd.DataFrame({c: [] for c in ("table", "job", "run", "reason")}),
        faults=(),
        doubts=(),
        set_aside={},
        source="drawn in memory",
    )
    nothing = np.full((REGIMES, adjusters), np.nan)
    chart = Chart(
        mean=kind * (1 + 0.2 * circular(channels, adjusters)),
        sd=0.25 * np.abs(kind),
        track_mean=nothing,
        track_sd=nothing,
        source="drawn in memory",
    )
    return history, chart


def peak_gib() -> float:
    """Return the most memory that this process has held [GiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def main() -> None:
    """Print what was measured."""
    options = options_of(__doc__)
    options.add_argument("rotors", type=whole(2), nargs="?", default=10000)
    add_quick(options, "300 rotors")
    options.add_argument("--health", action="store_true", help="look for changed rotors too")
    add_folder(options)
    asked = options.parse_args()
    with kept_text(asked.folder, "large_fleet.txt"):
        spent = measured(300 if asked.quick else asked.rotors, asked.health)
    rows = [{"until": what, "clock [s]": clock, "processor [s]": work, "most memory [GiB]": gib}
            for what, clock, work, gib in spent]  # fmt: skip
    kept_csv(asked.folder, "large_fleet.csv", rows)
    times = [(what, clock) for what, clock, _, _ in spent]
    kept_figure(asked.folder, "large_fleet", bars(times, "seconds of the clock from the start"))


def measured(rotors: int, health: bool) -> list[tuple[str, float, float, float]]:
    """Learn a fleet and print what that took; return what was reached, and when.

    Seconds of the clock and of the processor since the start, most memory [GiB].
    """
    rotor = design()
    print(f"drawing the log of {rotors} rotors", file=sys.stderr, flush=True)
    history, chart = drawn_log(rotor, rotors)
    size = f"{rotors} rotors x {JOBS * RUNS} runs x {SENSORS * REGIMES} channels"
    print(f"{size}, {len(history.readings)} readings: {peak_gib():.1f} GiB", flush=True)
    wall, processor = time.perf_counter(), time.process_time()

    reached: list[tuple[str, float, float, float]] = []

    def at(what: str) -> str:
        clock, work = time.perf_counter() - wall, time.process_time() - processor
        reached.append((what, clock, work, peak_gib()))
        return f"{clock:.0f} s of the clock, {work:.0f} s of the processor, {peak_gib():.1f} GiB"

    def progress(done: int, of: int) -> None:
        print(f"fit: {done} of {of} parts", file=sys.stderr, flush=True)
        if done == of:
            print(f"first fit: {at('first fit')}", flush=True)

    learned = adapt.learn(rotor, history, chart, progress, health=health)
    print(f"learned: {at('all is learned')} at most")
    print(f"{len(learned.taught)} pairs taught, {len(learned.withheld)} of a clean log held back")
    parts = learned.origin["spread_of_rotors_parts"]
    for sensor, share in parts.items():
        print(f"{sensor}: gain {share['gain']:.4f}, adjuster {share['adjuster']:.4f}, "
              f"rest {share['rest']:.4f} (drawn {GAIN}, {ADJUSTER}, {REST})")  # fmt: skip
    return reached


if __name__ == "__main__":
    ended(main)
