"""How near each rotor's learned coefficients come to what could be known at all.

    python studies/posterior_error.py           # everything, about four minutes on one core
    python studies/posterior_error.py --quick   # a seeded subset, under a minute

`adapt.learn` on the log folders of invented fleets, by how many pairs a rotor has, beside an oracle
that knows the type's c, D, r and q (the exact posterior of dense algebra at the true values), one
that knows D, r and q but must learn c from chart and log as the program must (no learner can be
nearer), the chart, and each rotor's own least squares. Errors: rms over rotors and coefficients of
the vector error over |c|; ratio: learned to oracle. Goals: at most 1.05 in a fleet of 100 rotors,
1.10 in one of 20.
Cover: share of 95 % intervals (mean +- 1.96 sd, each component) that hold; goal 0.93 to 0.97 on the
learner's own model, as it is on the independent machine, whose D nobody knows.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from asking import add_folder, add_quick, ended, options_of
from dense_fleet import solve, stack
from invented_fleets import (
    AIRSPEED,
    READING_SD,
    RUN_SD,
    Fleet,
    Spread,
    machine_fleet,
    model_fleet,
    relative_spread,
)
from kept import kept_csv, kept_figure, kept_text
from matplotlib.figure import Figure

import adapt
from adapt.chart import Chart
from adapt.rotor import Rotor
from adapt.scenario.fleet import main_fleet

PAIRS = (0, 1, 2, 3, 5, 10, 15, 20)  # of the rotors, in turn
TRUTHS = {
    "alike in sensor and adjuster": relative_spread(
        AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06
    ),
    "each coefficient by itself": relative_spread(AIRSPEED, rest=0.12),
}
NOISE = np.array([2 * RUN_SD**2, 2 * READING_SD**2, 0.0, 0.0])
ROTOR = """
[rotor]
name = "main rotor"
blades = ["A", "B", "C", "D"]
rpm = 390.0

[[sensors]]
name = "cabin lateral"
unit = "ips"

[[sensors]]
name = "cabin vertical"
unit = "ips"
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

[[limits]]
sensor = "cabin lateral"
limit = 0.2

[[limits]]
sensor = "cabin vertical"
limit = 0.2
"""


def invented_design(folder: Path) -> Rotor:
    """Return the design that model fleets are written for."""
    regimes = "".join(
        f'\n[[regimes]]\nname = "{"ground" if np.isnan(v) else f"{v:g} kt"}"\n'
        + ("on_ground = true\n" if np.isnan(v) else f"airspeed_kt = {v:g}\n")
        for v in AIRSPEED
    )
    (folder / "rotor.toml").write_text(ROTOR.format(regimes=regimes))
    return adapt.read_rotor(folder / "rotor.toml")


def write_log(folder: Path, rotor: Rotor, fleet: Fleet) -> None:
    """Write a fleet as the tables that people have."""
    tables: dict[str, list[tuple[object, ...]]] = {"runs": [], "readings": [], "moves": []}
    for number, job in enumerate(sorted(fleet.jobs, key=lambda j: j.time)):
        name = f"J{number:05d}"
        day = pd.Timestamp("2024-01-01") + pd.Timedelta(hours=number)
        for k, read in enumerate(job.readings):
            started = (day + pd.Timedelta(minutes=k)).isoformat()
            tables["runs"].append((f"R{job.rotor:03d}", name, k, started))
            for s, g in np.argwhere(~np.isnan(read)):
                sensor = rotor.sensors[s]
                phase = np.degrees(np.angle(read[s, g])) * (-1 if sensor.phase == "lead" else 1)
                tables["readings"].append(
                    (name, k, rotor.regime_names[g], sensor.name, abs(read[s, g]), phase % 360)
                )
        for k, b, a in np.argwhere(job.amounts != 0):
            blade, adjuster = rotor.blades[b], rotor.adjuster_names[a]
            tables["moves"].append((name, k, blade, adjuster, job.amounts[k, b, a]))
    columns = {
        "runs": "rotor,job,run,started",
        "readings": "job,run,regime,sensor,amplitude,phase_deg",
        "moves": "job,after_run,blade,adjuster,amount",
    }
    folder.mkdir()
    for table, rows in tables.items():
        frame = pd.DataFrame(rows, columns=columns[table].split(","))
        frame.to_csv(folder / f"{table}.csv", index=False)


def learned(fleet: Fleet, rotor: Rotor, robust: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Return the program's means and sds per component, (rotor, sensor, regime, adjuster)."""
    shape = fleet.chart.shape
    regimes = len(rotor.regimes)
    nothing = np.full((regimes, shape[2]), np.nan)
    chart = Chart(
        fleet.chart.reshape(-1, shape[2]), fleet.chart_sd.reshape(-1, shape[2]), nothing, nothing,
        "invented",
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        write_log(Path(folder) / "log", rotor, fleet)
        log = adapt.read_log(Path(folder) / "log")
        found = adapt.learn(rotor, log, chart=chart, robust=robust)
    own = [found.of(f"R{i:03d}") for i in range(fleet.rotors)]
    mean = np.array([p.mean for p in own])
    sd = np.sqrt(np.array([np.einsum("jaa->ja", p.cov).real for p in own]) / 2)
    return mean.reshape(-1, *shape), sd.reshape(-1, *shape)


def oracle(fleet: Fleet, spread: Spread, knows_type: bool) -> np.ndarray:
    """Return the posterior means of one who knows D, r and q, and perhaps c."""
    assert fleet.type_ is not None
    means = []
    for s, c in enumerate(fleet.type_):
        mean = c if knows_type else fleet.chart[s]
        var = 1e-12 * np.abs(c) ** 2 if knows_type else 2 * fleet.chart_sd[s] ** 2
        means.append(solve(stack(fleet, s, fleet.jobs), NOISE, spread(c), mean, var).own)
    return np.stack(means, axis=1)


def least_squares(fleet: Fleet) -> np.ndarray:
    """Return each rotor's own least squares by channel, NaN where its moves do not show all."""
    sensors, regimes, adjusters = fleet.chart.shape
    found = np.full((fleet.rotors, *fleet.chart.shape), np.nan + 0j)
    for i, s, g in np.ndindex(fleet.rotors, sensors, regimes):
        mine = [job for job in fleet.jobs if job.rotor == i]
        if not mine:
            continue
        x = np.concatenate([job.moves for job in mine])
        y = np.concatenate([np.diff(job.readings[:, s, g]) for job in mine])
        read = ~np.isnan(y)
        if np.linalg.matrix_rank(x[read]) == adjusters:
            found[i, s, g] = np.linalg.lstsq(x[read], y[read], rcond=None)[0]
    return found


def rms(values: np.ndarray) -> float:
    """Return the rms, NaN when a value is missing."""
    return float(np.sqrt((np.abs(values) ** 2).mean()))


def table(
    name: str, fleets: list[Fleet], rotor: Rotor, spread: Spread | None
) -> list[dict[str, str | float]]:
    """Print and return errors and cover of one kind of fleet by number of pairs."""
    size = fleets[0].rotors
    pairs = np.resize(PAIRS, size)
    errors: dict[str, list[np.ndarray]] = {}
    inside = []
    for number, whole in enumerate(fleets, start=1):
        print(
            f"{name}, {size} rotors: fleet {number} of {len(fleets)}", file=sys.stderr, flush=True
        )
        fleet = whole.first(pairs.tolist())
        assert fleet.own is not None
        scale = np.sqrt((np.abs(fleet.own) ** 2).mean(axis=0))
        mean, sd = learned(fleet, rotor)
        found = {
            "learned": mean,
            "chart": np.broadcast_to(fleet.chart, mean.shape),
            "own fit": least_squares(fleet),
        }
        if spread is not None:
            found["oracle"] = oracle(fleet, spread, knows_type=True)
            found["c learned"] = oracle(fleet, spread, knows_type=False)
        for method, values in found.items():
            errors.setdefault(method, []).append((values - fleet.own) / scale)
        off = mean - fleet.own
        inside.append((np.abs(off.real) < 1.96 * sd) / 2 + (np.abs(off.imag) < 1.96 * sd) / 2)
    print(f"{name}, {size} rotors, {len(fleets)} fleets")
    rows: list[dict[str, str | float]] = []
    heads = ("pairs", "learned", "oracle", "ratio", "c learned", "chart", "own fit", "cover")
    print("".join(f"{x:>11}" for x in heads))
    for count in (*PAIRS, "all"):
        at = np.ones(size, dtype=bool) if count == "all" else pairs == count
        if not at.any():
            continue
        row = {m: rms(np.array(e)[:, at]) for m, e in errors.items()}
        best = row.get("oracle", np.nan)
        values = (row["learned"], best, row["learned"] / best, row.get("c learned", np.nan),
                  row["chart"], row["own fit"], np.mean(np.array(inside)[:, at]))  # fmt: skip
        print(f"{count:>11}" + "".join(f"{x:11.4f}" for x in values), flush=True)
        rows.append({"fleet": f"{name}, {size} rotors", "pairs": str(count)})
        rows[-1] |= {h: "" if np.isnan(v) else v for h, v in zip(heads[1:], values, strict=True)}
    print()
    return rows


def picture(rows: list[dict[str, str | float]]) -> Figure:
    """Return errors and cover by the rotor's pairs, one line for each kind of fleet."""
    figure = Figure(figsize=(9.0, 4.2), layout="constrained")
    panels = figure.subplots(1, 2)
    kinds = list(dict.fromkeys(str(row["fleet"]) for row in rows))
    for kind, marker in zip(kinds, "os^Dv P"[: len(kinds)], strict=True):
        some = [row for row in rows if row["fleet"] == kind and row["pairs"] != "all"]
        for axes, column in zip(panels, ("learned", "cover"), strict=True):
            axes.plot([int(row["pairs"]) for row in some], [row[column] for row in some],
                      color="black", marker=marker, markerfacecolor="white", linewidth=0.8,
                      label=kind)  # fmt: skip
    panels[0].set_ylabel("error of coefficients / their size")
    panels[0].set_ylim(bottom=0.0)
    panels[1].axhspan(0.93, 0.97, color="0.87", label="goal")
    panels[1].axhline(0.95, color="0.5", linewidth=0.8)
    panels[1].set_ylabel("share of 95 % intervals that hold")
    for axes in panels:
        axes.set_xlabel("pairs of the rotor itself")
        axes.set_xticks(PAIRS)
    handles, labels = panels[1].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, fontsize=8, frameon=False)
    return figure


def main() -> None:
    """Print the tables."""
    options = options_of(__doc__)
    add_quick(options, "one or two small fleets of each kind")
    add_folder(options)
    asked = options.parse_args()
    with kept_text(asked.folder, "posterior_error.txt"):
        rows = all_kinds(asked.quick)
    kept_csv(asked.folder, "posterior_error.csv", rows)
    kept_figure(asked.folder, "posterior_error", picture(rows))


def all_kinds(quick: bool) -> list[dict[str, str | float]]:
    """Print and return the tables of all kinds of fleet."""
    start, rows = time.perf_counter(), list[dict[str, str | float]]()
    with tempfile.TemporaryDirectory() as folder:
        rotor = invented_design(Path(folder))
    for name, spread in TRUTHS.items():
        for rotors, fleets in [(20, 2)] if quick else [(20, 20), (100, 5)]:
            drawn = [
                model_fleet(np.random.default_rng([k, rotors]), rotors, (4,) * 5, [spread, spread])
                for k in range(fleets)
            ]
            rows += table(name, drawn, rotor, spread)
    for rotors, fleets in [(20, 1)] if quick else [(20, 6), (100, 2)]:
        machines = [machine_fleet(50 + k, rotors, 9) for k in range(fleets)]
        rows += table("independent machine", machines, main_fleet().rotor, None)
    print(f"{time.perf_counter() - start:.0f} s", file=sys.stderr)
    return rows


if __name__ == "__main__":
    ended(main)
