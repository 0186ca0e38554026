"""How well wrong entries are found: recall, precision and kind on logs whose truth is known.

    python studies/suspects.py [--rotors 40] [--quick]

An invented fleet of the learner's own model (five blades, three adjusters, 3 sensors x 6 regimes,
no track, 4 jobs x 5 runs a rotor) is written as a log, once clean and once with 15 % of its pairs
entered wrongly; the public interface learns from both, without a chart. Distance: how far the wrong
entry moves the predicted changes of all channels together, in sds of the noise of a difference
(square root of the sum of squares over channels and components).
"""

from __future__ import annotations

import argparse
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np

import adapt

BLADES, SENSORS, REGIMES = "ABCDE", 3, 6
KINDS = ("neighbouring blade", "other blade", "sign", "not made", "not recorded")
STEP = np.array([10.0, 0.5, 1.0])
SIZE = np.array([0.002, 0.06, 0.05])  # ips for each g, deg, flat
NAMES = ("hub weight", "trim tab", "pitch link")
SD = 0.015  # of a reading, and from run to run, per component
WRONG = 0.15


def rotor_text() -> str:
    """Return the rotor file."""
    text = f'[rotor]\nname = "main rotor"\nblades = {list(BLADES)}\nrpm = 390.0\n'
    for s in range(SENSORS):
        text += (
            f'[[sensors]]\nname = "S{s}"\nunit = "ips"\n[[limits]]\nsensor = "S{s}"\nlimit = 0.2\n'
        )
    for g in range(REGIMES):
        text += f'[[regimes]]\nname = "G{g}"\n'
    for name, step in zip(NAMES, STEP, strict=True):
        text += f'[[adjusters]]\nname = "{name}"\nunit = "u"\nstep = {step}\n'
        text += f"fitted_range = [{-1000 * step}, {1000 * step}]\nlargest_move = {8 * step}\n"
    return text


def entered(made: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Return moves (blade, adjuster) as somebody wrote them down by that mistake."""
    wrong = made.copy()
    b, a = np.argwhere(made != 0)[0]
    amount = made[b, a]
    if kind in ("neighbouring blade", "other blade"):
        far = (1, 4) if kind == "neighbouring blade" else (2, 3)
        wrong[b, a] = 0.0
        wrong[(b + rng.choice(far)) % 5, a] += amount
    elif kind == "sign":
        wrong[b, a] = -amount
    elif kind == "not recorded":
        wrong[b, a] = 0.0
    else:  # entered, and not made
        free = np.argwhere(made == 0)
        at = free[rng.integers(len(free))]
        wrong[at[0], at[1]] = STEP[at[1]] * rng.choice([-4, -3, 3, 4])
    return wrong


def write(
    folder: Path, rotors: int, rng: np.random.Generator, share: float
) -> dict[tuple[str, str], tuple[str, float]]:
    """Write a log; return (job, after_run) -> (kind, distance) of the pairs entered wrongly."""
    channels = SENSORS * REGIMES

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    type_ = (
        SIZE * rng.uniform(0.6, 1.4, (channels, 3)) * np.exp(2j * np.pi * rng.random((channels, 3)))
    )
    turn = np.exp(2j * np.pi * np.arange(5) / 5)
    runs, readings, moves = [], [], []
    truth: dict[tuple[str, str], tuple[str, float]] = {}
    names = [(f"G{g}", f"S{s}") for s in range(SENSORS) for g in range(REGIMES)]
    for i in range(rotors):
        own = type_ * (1 + 0.12 * circular(channels, 3))
        for j in range(4):
            job, level = f"J-{i}-{j}", 0.3 * circular(channels)
            for k in range(1, 6):
                runs.append(f"R-{i},{job},{k},2025-{j + 1:02d}-{k:02d}")
                if k > 1:
                    made = np.zeros((5, 3))
                    for place in rng.choice(15, int(rng.integers(1, 4)), replace=False):
                        b, a = divmod(int(place), 3)
                        made[b, a] = STEP[a] * float(rng.choice([-6, -4, -3, -2, 2, 3, 4, 6]))
                    written = made
                    if rng.random() < share:
                        kind = str(rng.choice(KINDS))
                        written = entered(made, kind, rng)
                        miss = own @ (turn @ (written - made))
                        distance = float(np.sqrt((np.abs(miss) ** 2).sum() / (3 * SD**2)))
                        truth[job, str(k - 1)] = (kind, distance)
                    level = level + own @ (turn @ made) + SD * circular(channels)
                    moves += [
                        f"{job},{k - 1},{BLADES[b]},{NAMES[a]},{written[b, a]:g}"
                        for b, a in np.argwhere(written != 0)
                    ]
                read = level + SD * circular(channels)
                readings += [
                    f"{job},{k},{g},{s},{abs(z):.4f},{np.rad2deg(np.angle(z)) % 360.0:.1f}"
                    for (g, s), z in zip(names, read, strict=True)
                ]
    log = folder / "log"
    log.mkdir(parents=True)
    (folder / "rotor.toml").write_text(rotor_text(), encoding="utf-8")
    for name, header, lines in (
        ("runs", "rotor,job,run,started", runs),
        ("readings", "job,run,regime,sensor,amplitude,phase_deg", readings),
        ("moves", "job,after_run,blade,adjuster,amount", moves),
    ):
        (log / f"{name}.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return truth


def learned(folder: Path) -> adapt.coefficients.Coefficients:
    """Learn from a folder."""
    rotor = adapt.read_rotor(folder / "rotor.toml")
    return adapt.learn(rotor, adapt.read_log(folder / "log"))


def main() -> None:
    """Print false alarms on a clean log, then recall by distance, precision and kind."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rotors", type=int, default=40)
    parser.add_argument("--quick", action="store_true", help="10 rotors")
    asked = parser.parse_args()
    rotors = 10 if asked.quick else asked.rotors
    rng = np.random.default_rng(7)
    with tempfile.TemporaryDirectory() as place:
        write(Path(place) / "clean", rotors, rng, 0.0)
        clean = learned(Path(place) / "clean")
        truth = write(Path(place) / "wrong", rotors, rng, WRONG)
        wrong = learned(Path(place) / "wrong")
    pairs = 16 * rotors
    print(f"clean log: {len(clean.withheld)} of {pairs} pairs held back "
          f"({100 * len(clean.withheld) / pairs:.1f} %)")  # fmt: skip
    found = {(str(s["job"]), str(s["after_run"])): s for s in wrong.suspects}
    right = [key for key in found if key in truth]
    print(f"wrong log: {len(truth)} of {pairs} pairs wrong, {len(found)} suspects, precision "
          f"{100 * len(right) / max(len(found), 1):.1f} %")  # fmt: skip
    named = [key for key in right
             if any(e["kind"] == truth[key][0] for e in found[key]["explanations"])]  # fmt: skip
    likeliest = [key for key in right if found[key]["kind"] == truth[key][0]]
    of = max(len(right), 1)
    print(f"kind named as likeliest: {100 * len(likeliest) / of:.1f} % of those found")
    print(f"kind among the explanations: {100 * len(named) / of:.1f} %")
    print("distance [sds]   wrong  found  recall")
    edges = [0, 3, 6, 9, 12, 20, np.inf]
    for low, high in pairwise(edges):
        inside = [key for key, (_, d) in truth.items() if low <= d < high]
        hit = [key for key in inside if key in found]
        share = f"{100 * len(hit) / len(inside):5.0f} %" if inside else "      -"
        print(f"{low:6.0f} to {high:5.0f}  {len(inside):6d} {len(hit):6d} {share}")
    far = [key for key, (_, d) in truth.items() if d >= 6]
    hit = [key for key in far if key in found]
    print(f"recall at a distance of 6 or more: {100 * len(hit) / max(len(far), 1):.1f} %")


if __name__ == "__main__":
    main()
