"""How long a large log takes: 200 rotors x 20 runs x 24 channels, checked and learned.

Invented readings written as a log folder by hand, then the public interface alone. Prints seconds;
`--rotors` makes it smaller.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

import adapt

ROTOR = """
[rotor]
name = "main rotor"
blades = ["A", "B", "C", "D", "E"]
rpm = 390.0
"""
SENSORS, REGIMES, JOB_RUNS = 3, 8, 5
ADJUSTERS = {"hub weight": ("g", 10.0, 0.002), "trim tab": ("deg", 0.5, 0.05),
             "pitch link": ("flats", 1.0, 0.05)}  # fmt: skip


def write(folder: Path, rotors: int, runs: int, rng: np.random.Generator) -> tuple[Path, Path]:
    """Write a rotor file and a log; return their paths."""
    text = ROTOR
    for s in range(SENSORS):
        text += f'[[sensors]]\nname = "sensor {s}"\nunit = "ips"\n'
        text += f'[[limits]]\nsensor = "sensor {s}"\nlimit = 0.2\n'
    for g in range(REGIMES):
        text += f'[[regimes]]\nname = "regime {g}"\n'
    for name, (unit, step, _) in ADJUSTERS.items():
        text += f'[[adjusters]]\nname = "{name}"\nunit = "{unit}"\nstep = {step}\n'
        text += f"fitted_range = [{-1000 * step}, {1000 * step}]\n"
    rotor_file = folder / "rotor.toml"
    rotor_file.write_text(text, encoding="utf-8")

    log = folder / "log"
    log.mkdir()
    channels = SENSORS * REGIMES
    size = np.array([c for _, _, c in ADJUSTERS.values()])

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    type_ = size * np.exp(2j * np.pi * rng.random((channels, 3)))
    turn = np.exp(2j * np.pi * np.arange(5) / 5)
    tables: dict[str, list[str]] = {
        "runs": ["rotor,job,run,started"],
        "readings": ["job,run,regime,sensor,amplitude,phase_deg"],
        "moves": ["job,after_run,blade,adjuster,amount"],
    }
    names = [(f"regime {g}", f"sensor {s}") for s in range(SENSORS) for g in range(REGIMES)]
    for i in range(rotors):
        own = type_ * (1 + 0.12 * circular(channels, 3))
        for j in range(runs // JOB_RUNS):
            job, level = f"J-{i}-{j}", 0.3 * circular(channels)
            for k in range(1, JOB_RUNS + 1):
                tables["runs"].append(f"R-{i},{job},{k},2025-{j % 12 + 1:02d}-{k:02d}")
                if k > 1:
                    level = level + 0.015 * circular(channels)
                    for place in rng.choice(15, 2, replace=False):
                        b, a = divmod(int(place), 3)
                        step = list(ADJUSTERS.values())[a][1]
                        amount = step * float(rng.choice([-4, -3, 3, 4]))
                        level = level + own[:, a] * turn[b] * amount
                        tables["moves"].append(
                            f"{job},{k - 1},{'ABCDE'[b]},{list(ADJUSTERS)[a]},{amount:g}"
                        )
                read = level + 0.015 * circular(channels)
                phase = np.rad2deg(np.angle(read)) % 360.0
                tables["readings"] += [
                    f"{job},{k},{g},{s},{abs(z):.4f},{p:.1f}"
                    for (g, s), z, p in zip(names, read, phase, strict=True)
                ]
    for name, lines in tables.items():
        (log / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return rotor_file, log


def main() -> None:
    """Write a log, time checking, learning and updating, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rotors", type=int, default=200)
    parser.add_argument("--runs", type=int, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        rotor_file, folder = write(Path(place), asked.rotors, asked.runs, np.random.default_rng(1))
        rotor = adapt.read_rotor(rotor_file)
        begun = time.perf_counter()
        history = adapt.check(rotor, adapt.read_log(folder))
        checked = time.perf_counter()
        learned = adapt.learn(rotor, history)
        done = time.perf_counter()
    print(f"{asked.rotors} rotors x {asked.runs} runs x {len(rotor.channels)} channels: "
          f"{len(history.readings)} readings, {len(learned.taught)} pairs taught, "
          f"{len(learned.withheld)} held back")  # fmt: skip
    print(f"checked  {checked - begun:6.1f} s")
    print(f"learned  {done - checked:6.1f} s")
    print(f"both     {done - begun:6.1f} s")


if __name__ == "__main__":
    main()
