"""How well wrong entries are found: recall, precision and kind on logs whose truth is known.

    python studies/suspects.py [--fleets 4] [--seed 7] [--rotors 40] [--machine] [--quick]

Each fleet is written as a log, once as it was and once with 15 % of its pairs touched by wrong
entries of every usual kind (two of three in moves, the rest in readings, all kinds alike); the
public interface learns from both, without a chart. By default the fleets are of the learner's own
model: five blades, three adjusters, 3 sensors x 6 regimes, no track, 4 jobs x 5 runs a rotor. With
--machine they are flown on the machine of `adapt.simulate` (heavy-tailed gusts that channels share,
readings on the instrument's grid) by the technician of `adapt.scenario`. --quick: one fleet of 20
rotors.

Distance: how far the wrong entry moves what is read in all channels together, in sds of the noise
of a difference (square root of the sum of squares over channels and components). A kind is right if
it is the one that was made, or a twin: an explanation told that gives the same readings.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from asking import add_quick, ended, options_of, whole
from invented_fleets import machine_fleet
from wrong_logs import BLADES, MOVES, NAMES, TURN, Job, Setting, Wrong, spoiled, write

import adapt

SENSORS, REGIMES = 3, 6
SIZE = np.array([0.002, 0.06, 0.05])  # ips for each g, deg, flat
SD = 0.015  # of a reading, and from run to run, per component
WRONG = 0.15
EDGES = (0, 3, 4, 5, 6, 8, 10, 15, 20, 40, np.inf)


def rotor_text(step: np.ndarray, largest: np.ndarray) -> str:
    """Return the rotor file."""
    text = f'[rotor]\nname = "main rotor"\nblades = {list(BLADES)}\nrpm = 390.0\n'
    for s in range(SENSORS):
        text += (
            f'[[sensors]]\nname = "S{s}"\nunit = "ips"\n[[limits]]\nsensor = "S{s}"\nlimit = 0.2\n'
        )
    for g in range(REGIMES):
        text += f'[[regimes]]\nname = "G{g}"\n'
    for name, one, most in zip(NAMES, step, largest, strict=True):
        text += f'[[adjusters]]\nname = "{name}"\nunit = "u"\nstep = {one}\n'
        text += f"fitted_range = [{-1000 * one}, {1000 * one}]\nlargest_move = {most}\n"
    return text


def model_jobs(rotors: int, rng: np.random.Generator) -> tuple[list[Job], Setting, str]:
    """Return jobs of the learner's own model."""
    shape, step = (SENSORS, REGIMES, 3), np.array([10.0, 0.5, 1.0])

    def circular(*size: int) -> np.ndarray:
        return rng.standard_normal(size) + 1j * rng.standard_normal(size)

    type_ = SIZE * rng.uniform(0.6, 1.4, shape) * np.exp(2j * np.pi * rng.random(shape))
    jobs = []
    for i in range(rotors):
        own = type_ * (1 + 0.12 * circular(*shape))
        for j in range(4):
            made = np.zeros((4, 5, 3))
            for k in range(4):
                for place in rng.choice(15, int(rng.integers(1, 4)), replace=False):
                    b, a = divmod(int(place), 3)
                    made[k, b, a] = step[a] * float(rng.choice([-6, -4, -3, -2, -1, 1, 2, 3, 4, 6]))
            change = np.einsum("sga,kba,b->ksg", own, made, TURN) + SD * circular(4, *shape[:2])
            level = 0.3 * circular(1, *shape[:2])
            level = np.concatenate([level, level + np.cumsum(change, axis=0)])
            readings = level + SD * circular(5, *shape[:2])
            jobs.append(Job(f"J-{i}-{j}", f"R-{i}", own, made, readings))
    noise = np.full(shape[:2], 3 * SD**2)
    return jobs, Setting(step, noise), rotor_text(step, 8 * step)


def machine_jobs(rotors: int, seed: int) -> tuple[list[Job], Setting, str]:
    """Return jobs flown on the independent machine."""
    fleet, step = machine_fleet(seed, rotors, 4), np.array([20.0, 0.5, 1.0])
    assert fleet.own is not None
    jobs = [
        Job(f"J-{n}", f"R-{job.rotor}", fleet.own[job.rotor], job.amounts, job.readings)
        for n, job in enumerate(fleet.jobs)
    ]
    noise = np.full((SENSORS, REGIMES), 0.012**2 + 2 * 0.013**2)
    return jobs, Setting(step, noise), rotor_text(step, np.array([240.0, 3.0, 6.0]))


def touched(suspect: Mapping[str, Any]) -> set[tuple[str, str]]:
    """Return the pairs that a suspect row speaks of."""
    job, after, run = str(suspect["job"]), str(suspect["after_run"]), str(suspect["run"])
    pairs = {(job, after)}
    in_readings = any(e["table"] == "readings" for x in suspect["explanations"][:1]
                      for e in x["entries"])  # fmt: skip
    return pairs | {(job, run)} if in_readings else pairs


def names_rightly(suspect: Mapping[str, Any], wrong: Wrong) -> bool:
    """Return whether a suspect's kind is the one that was made, or that of a twin."""
    if suspect["kind"] == wrong.kind:
        return True
    of_kind = [x for x in suspect["explanations"] if x["kind"] == suspect["kind"]]
    return any(_same_readings(x["entries"], wrong) for x in of_kind)


def _same_readings(entries: Sequence[Mapping[str, Any]], wrong: Wrong) -> bool:
    """Return whether entries put right what is read: the same change, or the same readings."""
    right = wrong.entered.copy()
    for entry in entries:
        if (entry["table"] == "moves") != (wrong.kind in MOVES):
            return False
        if entry["table"] == "moves":
            if entry["amount"] is None:
                return False
            place = BLADES.index(entry["blade"]), NAMES.index(entry["adjuster"])
            right[place] = entry["amount"]
        else:
            place = int(entry["sensor"][1:]), int(entry["regime"][1:])
            right[place] = entry["real"] + 1j * entry["imag"]
    if wrong.kind in MOVES:
        return bool(np.allclose(TURN @ right, TURN @ wrong.truth, rtol=1e-6, atol=1e-6))
    return bool(np.allclose(right, wrong.truth, atol=1e-3, equal_nan=True))


def learned(folder: Path) -> tuple[adapt.coefficients.Coefficients, float]:
    """Learn from a folder; return the seconds that it took too."""
    rotor = adapt.read_rotor(folder / "rotor.toml")
    log = adapt.read_log(folder / "log")
    start = time.perf_counter()
    return adapt.learn(rotor, log), time.perf_counter() - start


def main() -> None:
    """Print false alarms on clean logs, then recall by distance, precision and kind."""
    options = options_of(__doc__)
    options.add_argument("--fleets", type=whole(1), default=4)
    options.add_argument("--rotors", type=whole(2), default=40)
    options.add_argument("--seed", type=whole(0), default=7)
    options.add_argument("--machine", action="store_true", help="on the independent machine")
    add_quick(options, "one fleet of 20 rotors")
    asked = options.parse_args()
    fleets, rotors = (1, 20) if asked.quick else (asked.fleets, asked.rotors)
    pairs = flagged = bad = told = true = 0
    seconds = 0.0
    found: list[tuple[Wrong, Mapping[str, Any] | None]] = []
    for fleet in range(fleets):
        rng = np.random.default_rng([asked.seed, fleet])
        if asked.machine:
            jobs, setting, text = machine_jobs(rotors, 1000 * asked.seed + fleet)
        else:
            jobs, setting, text = model_jobs(rotors, rng)
        pairs += sum(len(job.made) for job in jobs)
        written = [spoiled(job, setting, WRONG, rng) for job in jobs]
        wrong = [w for _, of_job in written for w in of_job]
        there = {(job.name, str(k)) for job in jobs for k in range(len(job.made))}
        bad += len(set().union(*(w.pairs for w in wrong)) & there)
        with tempfile.TemporaryDirectory() as place:
            write(Path(place) / "clean", text, jobs)
            clean, took = learned(Path(place) / "clean")
            flagged, seconds = flagged + len(clean.withheld), seconds + took
            write(Path(place) / "wrong", text, [job for job, _ in written])
            answer, took = learned(Path(place) / "wrong")
            seconds += took
        touch = [(s, touched(s)) for s in answer.suspects]
        told += len(touch)
        wrong_pairs = set().union(*(w.pairs for w in wrong))
        true += sum(bool(pairs_of & wrong_pairs) for _, pairs_of in touch)
        for w in wrong:
            found.append((w, next((s for s, pairs_of in touch if pairs_of & w.pairs), None)))
    print(f"clean: {flagged} of {pairs} pairs flagged ({100 * flagged / pairs:.2f} %)")
    print(f"wrong: {len(found)} entries, touching {bad} of {pairs} pairs "
          f"({100 * bad / pairs:.1f} %)")  # fmt: skip
    print(f"suspects: {told}, precision {100 * true / max(told, 1):.1f} %")
    report(found)
    print(f"learning took {seconds:.1f} s in all")


def report(found: Sequence[tuple[Wrong, Mapping[str, Any] | None]]) -> None:
    """Print recall by distance, and by kind what was found and how it was named."""
    far = [(w, s) for w, s in found if w.distance >= 6]
    hit = [(w, s) for w, s in far if s is not None]
    print(f"recall at 6 sds or more: {100 * len(hit) / max(len(far), 1):.1f} % of {len(far)}")
    seen = [(w, s) for w, s in found if s is not None]
    right = [1 for w, s in seen if s is not None and names_rightly(s, w)]
    print(f"kind right: {100 * len(right) / max(len(seen), 1):.1f} % of {len(seen)} found")
    print("distance [sds]   wrong  found  recall")
    for low, high in pairwise(EDGES):
        inside = [(w, s) for w, s in found if low <= w.distance < high]
        if inside:
            count = sum(s is not None for _, s in inside)
            print(f"{low:6.0f} to {high:5.0f}  {len(inside):6d} {count:6d} "
                  f"{100 * count / len(inside):5.0f} %")  # fmt: skip
    print(f"{'kind':20} {'at 6+':>6} {'found':>6} {'right':>6}  named otherwise (not twins)")
    for kind in dict.fromkeys(w.kind for w, _ in sorted(found, key=lambda x: x[0].kind)):
        mine = [(w, s) for w, s in far if w.kind == kind]
        seen = [(w, s) for w, s in found if w.kind == kind and s is not None]
        missed = Counter(str(s["kind"]) for w, s in seen
                         if s is not None and not names_rightly(s, w))  # fmt: skip
        share = f"{100 * (1 - sum(missed.values()) / len(seen)):.0f} %" if seen else "-"
        others = ", ".join(f"{name} {n}" for name, n in missed.most_common())
        caught = sum(s is not None for _, s in mine)
        print(f"{kind:20} {len(mine):6d} {caught:6d} {share:>6}  {others}")


if __name__ == "__main__":
    ended(main)
