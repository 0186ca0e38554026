"""Are the summaries of rotors honest? Intervals held, and rotors called unlike their type.

    python studies/rotor_summaries.py [--fleets 20] [--quick]

Fleets whose truth is known are written as logs and learned from with their chart: from the
learner's own model (3 sensors x 6 regimes, three adjusters), and on the demo's machine, which is
not that model (heavy tails, gusts, blades that do not answer alike: there the true coefficient is
the mean over blades, and with many jobs the model's own error shows). Printed: how often the stated
95 % intervals of amplitude and phase hold a rotor's true coefficient, with one sd from fleet to
fleet; in how many fleets of like rotors any rotor is called unlike (stated: at most 5 in 100); and
in how many an odd one is found that answers everything turned, weaker, or weaker with one adjuster.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from asking import add_quick, ended, options_of, whole
from invented_fleets import AIRSPEED, STEP, Fleet, machine_fleet, model_fleet, relative_spread

import adapt
from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor
from adapt.scenario.fleet import main_fleet

UNLIKE = 0.05
SPREADS = (relative_spread(AIRSPEED, sensor=0.07, adjuster=0.07, rest=0.06),) * 3
ODD = {
    "turned by 15 deg": np.full(3, np.exp(1j * np.deg2rad(15.0))),
    "turned by 30 deg": np.full(3, np.exp(1j * np.deg2rad(30.0))),
    "all 40 % weaker": np.full(3, 0.6),
    "one adjuster 40 % weaker": np.array([1.0, 0.6, 1.0]),
}


def model_design() -> Rotor:
    """Return the rotor design of the model's fleets."""
    units = ("g", "flat", "deg")
    return Rotor(
        name="invented",
        blades=("A", "B", "C", "D"),
        rpm=390.0,
        sensors=tuple(Sensor(f"S{s}", "ips") for s in range(len(SPREADS))),
        regimes=tuple(
            Regime(f"G{g}", None if np.isnan(kt) else float(kt)) for g, kt in enumerate(AIRSPEED)
        ),
        adjusters=tuple(
            Adjuster(f"a {u}", u, float(step), (-1000.0 * step, 1000.0 * step))
            for u, step in zip(units, STEP, strict=True)
        ),
        limits=tuple(Limit(f"S{s}", 0.2) for s in range(len(SPREADS))),
    )


def with_odd(fleet: Fleet, rotor: Rotor, factor: np.ndarray) -> Fleet:
    """Return the fleet with a first rotor whose answers to its moves are factor (adjuster) times.

    The readings of a job change by what its moves until then would have done otherwise.
    """
    assert fleet.own is not None
    turn = np.exp(1j * rotor.psi)
    jobs = []
    for job in fleet.jobs:
        if job.rotor == 0:
            moved = np.cumsum(np.einsum("b,kba->ka", turn, job.amounts), axis=0)
            extra = np.einsum("ka,sga,a->ksg", moved, fleet.own[0], factor - 1.0)
            readings = job.readings.copy()
            readings[1:] += extra
            job = replace(job, readings=readings)
        jobs.append(job)
    own = fleet.own.copy()
    own[0] = own[0] * factor
    return replace(fleet, jobs=tuple(jobs), own=own)


def learned(fleet: Fleet, rotor: Rotor) -> Coefficients:
    """Write a fleet as a log and learn from it."""
    runs, readings, moves = [], [], []
    for number, job in enumerate(fleet.jobs):
        name = f"J{number:05d}"
        started = np.datetime64("2024-01-01") + np.timedelta64(number, "h")
        for k, read in enumerate(job.readings):
            runs.append(f"R-{job.rotor},{name},{k},{started + np.timedelta64(k, 'm')}")
            for s, sensor in enumerate(rotor.sensors):
                sense = -1.0 if sensor.phase == "lead" else 1.0
                readings += [
                    f"{name},{k},{regime},{sensor.name},{abs(z):.6f},"
                    f"{sense * np.rad2deg(np.angle(z)) % 360.0:.4f}"
                    for regime, z in zip(rotor.regime_names, read[s], strict=True)
                    if np.isfinite(z)
                ]
        moves += [
            f"{name},{k},{rotor.blades[b]},{rotor.adjuster_names[a]},{job.amounts[k, b, a]:.9g}"
            for k, b, a in np.argwhere(job.amounts != 0)
        ]
    size = len(rotor.channels), len(rotor.adjusters)
    flat = np.zeros((len(rotor.regimes), size[1]))
    chart = Chart(fleet.chart.reshape(size), fleet.chart_sd.reshape(size), flat, flat)
    with tempfile.TemporaryDirectory() as place:
        for table, header, lines in (
            ("runs", "rotor,job,run,started", runs),
            ("readings", "job,run,regime,sensor,amplitude,phase_deg", readings),
            ("moves", "job,after_run,blade,adjuster,amount", moves),
        ):
            text = "\n".join([header, *lines]) + "\n"
            (Path(place) / f"{table}.csv").write_text(text, encoding="utf-8")
        return adapt.learn(rotor, adapt.read_log(place), chart=chart)


def held(fleet: Fleet, rotor: Rotor, known: Coefficients) -> tuple[float, float]:
    """Return the shares of a fleet's true amplitudes and phases inside their intervals."""
    assert fleet.own is not None
    table = known.summary(rotor)
    table = table[table["rotor"].notna()]
    shape = fleet.own[0].size
    own = {f"R-{i}": fleet.own[i].reshape(shape) for i in range(fleet.rotors)}
    true = np.concatenate([own[name] for name in table["rotor"].unique()])
    lead = np.array([rotor.sensor(s).phase == "lead" for s in table["sensor"]])
    phase = np.where(lead, -1.0, 1.0) * np.rad2deg(np.angle(true)) % 360.0
    amplitude = (table["low"] <= np.abs(true)) & (np.abs(true) <= table["high"])
    width = (table["phase_high_deg"] - table["phase_low_deg"]) % 360.0
    inside = ((phase - table["phase_low_deg"]) % 360.0 <= width) | (table["clock"] == "any")
    return float(amplitude.mean()), float(inside.mean())


def report(name: str, rotor: Rotor, fleets: int, draw: Callable[[int], Fleet]) -> None:
    """Print one case."""
    shares, alarms = [], 0
    found = dict.fromkeys(ODD, 0)
    for seed in range(fleets):
        fleet = draw(seed)
        known = learned(fleet, rotor)
        shares.append(held(fleet, rotor, known))
        alarms += bool((known.rotors_summary(rotor)["p_value"] < UNLIKE).any())
        for odd, factor in ODD.items():
            table = learned(with_odd(fleet, rotor, factor), rotor).rotors_summary(rotor)
            found[odd] += bool((table.set_index("rotor")["p_value"].get("R-0", 1.0)) < UNLIKE)
    both = np.array(shares)
    mean, sd = both.mean(axis=0), both.std(axis=0, ddof=1)
    print(f"{name}: {fleets} fleets")
    print(f"  amplitude inside its 95 % interval {mean[0]:.1%} (fleet to fleet {sd[0]:.1%})")
    print(f"  phase inside its 95 % interval     {mean[1]:.1%} (fleet to fleet {sd[1]:.1%})")
    print(f"  fleets of like rotors with one called unlike: {alarms} of {fleets}")
    for odd, count in found.items():
        print(f"  {odd}: found in {count} of {fleets}")


def main() -> None:
    """Print coverage, false alarms and power."""
    options = options_of(__doc__)
    options.add_argument("--fleets", type=whole(1), default=20)
    add_quick(options, "3 fleets")
    asked = options.parse_args()
    fleets = 3 if asked.quick else max(2, asked.fleets)
    design = model_design()
    for rotors in (6, 20):
        report(
            f"learner's model, {rotors} rotors x 8 pairs",
            design,
            fleets,
            lambda seed, n=rotors: model_fleet(np.random.default_rng(seed), n, (4, 4), SPREADS),
        )
    rotor = replace(main_fleet().rotor, track_unit=None)
    rotor = replace(rotor, limits=tuple(x for x in rotor.limits if x.sensor is not None))
    for jobs in (5, 20):
        report(
            f"the demo's machine, 8 rotors x {jobs} jobs",
            rotor,
            fleets,
            lambda seed, n=jobs: machine_fleet(seed, 8, n),
        )


if __name__ == "__main__":
    ended(main)
