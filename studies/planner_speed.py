"""How long the planner takes on drawn jobs of full rotors, and how long SCIP takes on the same.

    python studies/planner_speed.py [--jobs 3] [--scip-seconds 60]

Public interface only. Each job is one run of a 4- or 5-blade rotor with hub weights, pitch links
and trim tabs, six regimes, three sensors and track; coefficients come from a chart by `learn` on
that one run, so they carry the chart's doubt. SCIP (through pyscipopt, optional) gets the problem
of `smoothest` with three moves, unhedged, as second-order cones made here from the chart.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from itertools import combinations
from pathlib import Path

import numpy as np

import adapt

BLADES = "ABCDE"
REGIMES = ("ground", "hover", "60 kt", "90 kt", "120 kt", "descent")
SENSORS = ("cabin lateral", "cabin vertical", "tail vertical")
# name, unit, step, range, effect of one unit [ips], lift of one unit [mm]
KINDS = (
    ("hub weight", "g", 20.0, (0.0, 400.0), 0.0015, 0.0),
    ("pitch link", "flat", 1.0, (-6.0, 6.0), 0.05, 4.0),
    ("trim tab", "deg", 0.5, (-5.0, 5.0), 0.06, 5.0),
)
LIMIT, TRACK_LIMIT = 0.2, 15.0


def write_job(folder: Path, rng: np.random.Generator, blades: int) -> dict[str, np.ndarray]:
    """Write rotor, chart and a one-run log; return the chart and what was read as arrays."""
    names = BLADES[:blades]
    lines = ["[rotor]", 'name = "main rotor"', f"blades = {list(names)}", "rpm = 390.0"]
    lines.append('track_unit = "mm"')
    for sensor in SENSORS:
        lines += ["[[sensors]]", f'name = "{sensor}"', 'unit = "ips"']
        lines += ["reading_sd = 0.015", "run_to_run_sd = 0.015"]
    for regime in REGIMES:
        lines += ["[[regimes]]", f'name = "{regime}"']
    for name, unit, step, span, _, _ in KINDS:
        lines += ["[[adjusters]]", f'name = "{name}"', f'unit = "{unit}"', f"step = {step}"]
        lines += [f"fitted_range = {list(span)}", "minutes = 15"]
    for sensor in SENSORS:
        lines += ["[[limits]]", f'sensor = "{sensor}"', f"limit = {LIMIT}"]
    lines += ["[[limits]]", "track = true", f"limit = {TRACK_LIMIT}"]
    (folder / "rotor.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")

    shape = (len(SENSORS), len(REGIMES), len(KINDS))
    size = np.array([kind[4] for kind in KINDS])
    effect = size * rng.uniform(0.6, 1.4, shape) * np.exp(2j * np.pi * rng.random(shape))
    lift = np.array([kind[5] for kind in KINDS]) * rng.uniform(0.7, 1.3, (len(REGIMES), len(KINDS)))
    rows = ["sensor,regime,adjuster,amplitude,phase_deg,height"]
    for s, g, a in np.ndindex(shape):
        phase = np.degrees(np.angle(effect[s, g, a])) % 360.0
        at = f"{SENSORS[s]},{REGIMES[g]},{KINDS[a][0]}"
        rows.append(f"{at},{abs(effect[s, g, a]):.9g},{phase:.9g},")
    for g, a in np.argwhere(lift):
        rows.append(f",{REGIMES[g]},{KINDS[a][0]},,,{lift[g, a]:.9g}")
    (folder / "chart.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")

    # Off a good state by hidden moves, with a rest that no move mends.
    step = np.array([kind[2] for kind in KINDS])
    off = (
        step * rng.integers(-5, 6, (blades, len(KINDS))) * (rng.random((blades, len(KINDS))) < 0.4)
    )
    turn = np.exp(2j * np.pi * np.arange(blades) / blades)
    rest = rng.normal(size=(2, *shape[:2]))
    level = -np.einsum("sga,b,ba->sg", effect, turn, off) + 0.03 * (rest[0] + 1j * rest[1])
    heights = -lift @ off.T + 1.5 * rng.normal(size=(len(REGIMES), blades))
    heights -= heights.mean(axis=1, keepdims=True)
    (folder / "log").mkdir()
    write = {
        "runs": ["rotor,job,run,started", "S-1,J-1,1,2026-01-05T08:00"],
        "readings": ["job,run,regime,sensor,amplitude,phase_deg"],
        "track": ["job,run,regime,blade,height"],
        "fitted": ["job,blade,adjuster,amount"],
    }
    for s, g in np.ndindex(level.shape):
        phase = np.degrees(np.angle(level[s, g])) % 360.0
        row = f"J-1,1,{REGIMES[g]},{SENSORS[s]},{abs(level[s, g]):.9g},{phase:.9g}"
        write["readings"].append(row)
    for g, b in np.ndindex(heights.shape):
        write["track"].append(f"J-1,1,{REGIMES[g]},{names[b]},{heights[g, b]:.9g}")
    middle = [200.0, 0.0, 0.0]
    for b, a in np.ndindex(off.shape):
        write["fitted"].append(f"J-1,{names[b]},{KINDS[a][0]},{middle[a]}")
    for table, text in write.items():
        (folder / "log" / f"{table}.csv").write_text("\n".join(text) + "\n", encoding="utf-8")
    return {"effect": effect, "lift": lift, "level": level, "heights": heights}


def scip_seconds(arrays: dict[str, np.ndarray], moves: int, budget: float) -> tuple[float, float]:
    """Return the seconds SCIP takes for the smoothest of so many moves, and its worst ratio."""
    import pyscipopt

    blades = arrays["heights"].shape[1]
    model = pyscipopt.Model()
    model.hideOutput()
    model.setParam("limits/time", budget)
    model.setParam("limits/gap", 1e-6)
    model.setParam("parallel/maxnthreads", 1)
    worst = model.addVar(lb=0.0)
    steps, moved = {}, []
    for b in range(blades):
        for a, (_, _, step, span, _, _) in enumerate(KINDS):
            half = (span[1] - span[0]) / 2.0 / step
            steps[b, a] = model.addVar(vtype="I", lb=-half, ub=half)
            moved.append(model.addVar(vtype="B"))
            model.addCons(steps[b, a] <= half * moved[-1])
            model.addCons(steps[b, a] >= -half * moved[-1])
    model.addCons(pyscipopt.quicksum(moved) <= moves)
    turn = np.exp(2j * np.pi * np.arange(blades) / blades)
    for s, g in np.ndindex(arrays["level"].shape):
        parts = []
        for part in (np.real, np.imag):
            at = model.addVar(lb=None)
            unit = {
                (b, a): float(part(arrays["effect"][s, g, a] * turn[b])) * KINDS[a][2] / LIMIT
                for b, a in steps
            }
            total = pyscipopt.quicksum(unit[key] * steps[key] for key in steps)
            model.addCons(at == total + float(part(arrays["level"][s, g])) / LIMIT)
            parts.append(at)
        model.addCons(parts[0] * parts[0] + parts[1] * parts[1] <= worst * worst)
    for g in range(len(REGIMES)):
        for b, c in combinations(range(blades), 2):
            unit = {a: float(arrays["lift"][g, a]) * KINDS[a][2] / TRACK_LIMIT for a in range(3)}
            total = pyscipopt.quicksum(unit[a] * (steps[b, a] - steps[c, a]) for a in range(3))
            apart = total + float(arrays["heights"][g, b] - arrays["heights"][g, c]) / TRACK_LIMIT
            model.addCons(apart <= worst)
            model.addCons(-apart <= worst)
    model.setObjective(worst)
    begun = time.perf_counter()
    model.optimize()
    found = model.getObjVal() if model.getNSols() else np.nan
    return time.perf_counter() - begun, found


def main() -> None:
    """Print seconds for each rotor size, aim and number of moves."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--jobs", type=int, default=3)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--scip-seconds", type=float, default=60.0, help="0 = without SCIP")
    asked = options.parse_args()
    print("blades job  request                 seconds  moves  worst  chance  proven")
    for blades in (4, 5):
        for job in range(asked.jobs):
            rng = np.random.default_rng([asked.seed, blades, job])
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                arrays = write_job(folder, rng, blades)
                rotor = adapt.read_rotor(folder / "rotor.toml")
                chart = adapt.read_chart(folder / "chart.csv", rotor)
                history = adapt.check(rotor, adapt.read_log(folder / "log"))
            learned = adapt.learn(rotor, history, chart=chart)
            requests = [("fewest, chance 0.9", {}), ("fewest, chance 0", {"chance": 0.0})]
            requests += [
                (f"smoothest, {k} moves", {"aim": "smoothest", "most_moves": k})
                for k in range(1, 7)
            ]
            requests.append(
                ("smoothest, 3, no hedge", {"aim": "smoothest", "most_moves": 3, "hedge": False})
            )
            for what, request in requests:
                begun = time.perf_counter()
                plan = adapt.plan(rotor, learned, history, "J-1", **request)
                seconds = time.perf_counter() - begun
                print(
                    f"{blades:6d} {job:3d}  {what:22s} {seconds:8.2f} {len(plan.moves):6d} "
                    f"{plan.worst_ratio:6.3f} {plan.chance:7.3f}  {'yes' if plan.proven else 'no'}",
                    flush=True,
                )
            if asked.scip_seconds > 0:
                taken, found = scip_seconds(arrays, 3, asked.scip_seconds)
                print(
                    f"{blades:6d} {job:3d}  {'SCIP, 3, no hedge':22s} {taken:8.2f} {'':6s} "
                    f"{found:6.3f}          {taken / seconds:.1f} times the planner's",
                    flush=True,
                )


if __name__ == "__main__":
    main()
