"""How often do predictions of track hold, by how many jobs are known?

    python studies/track_noise.py [--fleets 24] [--quick]

Fleets of the demo's main rotor type, balanced by its technician without a wrong entry, are walked
through job by job, each predicted from the jobs before it with all learned anew. Printed: the share
of track predictions inside their stated 95 % intervals, with its standard error over fleets. With
the demo's limits on track; without any (the noise expected at first is then the unit's number);
with the noise stated in the rotor file; and with a tracker whose errors are normal: the demo's have
heavy tails (Student-t, 4 degrees of freedom), which intervals of a normal law hold less often.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from asking import add_quick, ended, options_of, whole

import adapt
from adapt.rotor import Rotor
from adapt.scenario.fleet import main_fleet
from adapt.scenario.history import fleet_history
from adapt.scenario.tables import log_tables

ROTORS, JOBS = 4, 2
WEAR = np.array([80.0, 1.0, 1.5])  # what goes out of adjustment between jobs, as in the demo
SENSOR = "cabin lateral"  # the only one kept: track does not depend on vibration
KNOWN = ((0, 0), (1, 1), (2, 3), (4, 7))
NORMAL = 1e6  # degrees of freedom


def variants() -> dict[str, tuple[Rotor, float]]:
    """Return rotor files, with the degrees of freedom of the tracker's errors."""
    rotor = main_fleet().rotor
    rotor = replace(
        rotor,
        sensors=tuple(s for s in rotor.sensors if s.name == SENSOR),
        limits=tuple(x for x in rotor.limits if x.sensor in (None, SENSOR)),
    )
    unlimited = replace(rotor, limits=tuple(x for x in rotor.limits if x.sensor is not None))
    stated = replace(unlimited, track_reading_sd=1.0, track_run_to_run_sd=0.7)
    return {
        "limits on track": (rotor, 4.0),
        "no limits": (unlimited, 4.0),
        "no limits, stated": (stated, 4.0),
        "no limits, normal": (unlimited, NORMAL),
    }


def held(rotor: Rotor, seed: int, freedom: float) -> list[np.ndarray]:
    """Return for each job of a fleet, in time order, which predictions held (1) or not (0)."""
    demo = main_fleet()
    scatter = replace(demo.type_.scatter, gust_freedom=freedom)
    type_ = replace(demo.type_, scatter=scatter)
    rng = np.random.default_rng(seed)
    machines = {f"MR-{i}": type_.individual(rng) for i in range(ROTORS)}
    fleet = replace(demo, machines=machines, aircraft=dict.fromkeys(machines, "OV-TA"))
    jobs, _ = fleet_history(fleet, JOBS, {}, WEAR, seed)
    jobs.sort(key=lambda job: job.runs[0].started)
    tables = log_tables([(demo.rotor, f"J-{n:03d}", job) for n, job in enumerate(jobs)])
    head, *lines = tables["readings.csv"].splitlines()
    tables["readings.csv"] = "\n".join([head, *(x for x in lines if f",{SENSOR}," in x)])
    first = slice(0, len(rotor.regimes))
    chart = replace(demo.chart, mean=demo.chart.mean[first], sd=demo.chart.sd[first])
    with tempfile.TemporaryDirectory() as place:
        for name, text in tables.items():
            (Path(place) / name).write_text(text, encoding="utf-8")
        found = adapt.compare(rotor, place, chart, grown=1.0).predictions
    found = found[found["sensor"].isna() & (found["method"] == "learned")]
    return [
        of_job["inside_95"].to_numpy(dtype=float) for _, of_job in found.groupby("job", sort=False)
    ]


def main() -> None:
    """Print the table."""
    options = options_of(__doc__)
    options.add_argument("--fleets", type=whole(1), default=24)
    add_quick(options, "4 fleets")
    asked = options.parse_args()
    fleets = 4 if asked.quick else asked.fleets
    print(f"Track inside its 95 % interval; {fleets} fleets of {ROTORS} rotors, {JOBS} jobs each")
    labels = [f"{low}" if low == high else f"{low} to {high}" for low, high in KNOWN]
    print(f"{'jobs known':<20}" + "".join(f"{x:>14}" for x in labels))
    for name, (rotor, freedom) in variants().items():
        every = [held(rotor, seed, freedom) for seed in range(fleets)]
        cells = []
        for low, high in KNOWN:
            share = [np.concatenate(jobs[low : high + 1]).mean() for jobs in every if jobs[low:]]
            cells.append(f"{np.mean(share):>7.0%} ± {np.std(share) / np.sqrt(len(share)):.0%}")
        print(f"{name:<20}" + "".join(f"{x:>14}" for x in cells), flush=True)


if __name__ == "__main__":
    ended(main)
