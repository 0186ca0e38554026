"""Readings before and after: how often is a turned reference told, and how often wrongly.

    python studies/turned_reference.py            # 300 cases of each kind, half an hour
    python studies/turned_reference.py --quick    # 50 of each, some five minutes

Invented rotors of four blades. Levels: each sensor has one of its own, the same in all regimes but
for a fifth of it; amplitude 0.1 to 0.5 ips, scatter 0.015 ips per component for a reading and from
run to run. What happened between: nothing; the reference turned (a quarter turn, an hour, any
angle); lead for lag; the two senses of rotation mixed up; one sensor reversed or mirrored; or the
rotor changed: one unknown move (the same effect, but for a fifth, in a sensor's regimes), every
reading by itself, all amplitudes alike grown, one sensor alone, or a move that is made to keep the
amplitude of the first sensor as a turn would. Rough: the scatter is twice what is stated, or alike
in a sensor's regimes by a correlation of 0.8. A false alarm is a changed or unchanged rotor of
which it is said that it looks turned, mirrored or reversed.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
from asking import add_folder, add_quick, ended, options_of
from kept import kept_csv, kept_figure, kept_text
from study_figures import stacked

from adapt.balancing.setup.looks_turned import Pairs, looks_turned
from adapt.rotor import Regime, Rotor, Sensor

SD = 0.015
VERDICTS = ("as before", "turned", "mirrored", "reversed", "one mirrored", "changed", None)
SHAPES = ((1, 4), (2, 1), (2, 2), (2, 6), (3, 4))  # sensors, regimes


def main() -> None:
    """Run the study."""
    options = options_of(__doc__)
    add_quick(options, "50 cases of each kind")
    add_folder(options)
    asked = options.parse_args()
    cases = 50 if asked.quick else 300
    with kept_text(asked.folder, "turned_reference.txt"):
        rows = study(cases, np.random.default_rng(20))
    kept_csv(asked.folder, "turned_reference.csv", rows)
    told = [v or "cannot tell" for v in VERDICTS]
    panels: dict[str, dict[str, list[float]]] = {}
    for row in rows:
        panel = panels.setdefault(f"sensors {row['sensors']}, regimes {row['regimes']}", {})
        panel[str(row["happened"])] = [float(row[v] or 0.0) for v in told]
    kept_figure(asked.folder, "turned_reference", stacked(panels, told, "share of cases [%]"))


def study(cases: int, rng: np.random.Generator) -> list[dict[str, str | float | int | bool | None]]:
    """Print and return how often each verdict is given, by what happened."""
    rows: list[dict[str, str | float | int | bool | None]] = []
    for sensors, regimes in SHAPES:
        rotor = _rotor(sensors, regimes)
        print(f"\n{sensors} sensors x {regimes} regimes, {cases} cases each: share of verdicts [%]")
        print(f"{'what happened':28s}" + "".join(f"{v or 'cannot tell':>13s}" for v in VERDICTS))
        begun = time.perf_counter()
        for what, happen in HAPPENED.items():
            told: Counter[str | None] = Counter()
            off = []
            for _ in range(cases):
                u = _levels(rng, sensors, regimes)
                a = happen(u, rng)
                pairs = Pairs(
                    tuple(s for s, _ in rotor.channels),
                    tuple(r for _, r in rotor.channels),
                    u.ravel(),
                    (a + _noise(rng, a.shape, what)).ravel(),
                    np.full(u.size, SD * np.sqrt(3.0)),
                )
                looks = looks_turned(rotor, pairs)
                told[looks.verdict] += 1
                if what == "quarter turn" and looks.verdict == "turned":
                    angle = looks.of("turned")
                    off.append(abs(abs(angle.angle_deg or 0.0) - 90.0) / (angle.sd_deg or 1.0))
            shares = {v: 100.0 * told[v] / cases for v in VERDICTS}
            print(f"{what:28s}" + "".join(f"{shares[v]:13.1f}" for v in VERDICTS))
            rows.append(
                {"sensors": sensors, "regimes": regimes, "happened": what, "cases": cases}
                | {v or "cannot tell": share for v, share in shares.items()}
            )
            done = f"{sensors} x {regimes}, {what}: {time.perf_counter() - begun:.0f} s"
            print(done, file=sys.stderr, flush=True)
            if off:
                inside = 100.0 * np.mean(np.array(off) < 1.96)
                print(f"{'':28s} quarter turn inside the 95 % interval: {inside:.1f} %")
    return rows


def _rotor(sensors: int, regimes: int) -> Rotor:
    return Rotor(
        "main rotor",
        ("A", "B", "C", "D"),
        350.0,
        tuple(Sensor(f"sensor {i + 1}", "ips") for i in range(sensors)),
        tuple(Regime(f"regime {i + 1}") for i in range(regimes)),
        (),
        (),
    )


def _circular(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """Return circular normals, sd 1 per component."""
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def _noise(rng: np.random.Generator, shape: tuple[int, ...], what: str) -> np.ndarray:
    """Return the scatter of two readings and of what changes from run to run."""
    sd = SD * np.sqrt(3.0)
    if what.endswith("twice"):
        return 2.0 * sd * _circular(rng, shape)
    if what.endswith("alike"):
        common = np.sqrt(0.8) * _circular(rng, (shape[0], 1))
        return sd * (common + np.sqrt(0.2) * _circular(rng, shape))
    return sd * _circular(rng, shape)


def _levels(rng: np.random.Generator, sensors: int, regimes: int) -> np.ndarray:
    size = rng.uniform(0.1, 0.5, (sensors, 1))
    phase = np.exp(2j * np.pi * rng.uniform(size=(sensors, 1)))
    return size * (phase + 0.2 / np.sqrt(2.0) * _circular(rng, (sensors, regimes)))


def _angle(rng: np.random.Generator) -> complex:
    return complex(np.exp(2j * np.pi * rng.uniform()))


def _move(u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    size = rng.uniform(0.05, 0.5, (u.shape[0], 1))
    alike = np.exp(2j * np.pi * rng.uniform(size=(u.shape[0], 1)))
    return u + size * (alike + 0.2 / np.sqrt(2.0) * _circular(rng, u.shape))


def _keeping(u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return readings after a move that turns the first sensor's mean and keeps its amplitude."""
    a = _move(u, rng)
    a[0] = u[0] + (_angle(rng) - 1.0) * u[0].mean()
    return a


def _one(u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    a = u.copy()
    a[0] = _move(u, rng)[0]
    return a


def _reversed(u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    a = u.copy()
    a[rng.integers(len(u))] *= -1.0
    return a


def _mirrored(u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    a = u.copy()
    one = rng.integers(len(u))
    a[one] = np.conj(a[one])
    return a


HAPPENED: dict[str, Callable[[np.ndarray, np.random.Generator], np.ndarray]] = {
    "nothing": lambda u, rng: u,
    "quarter turn": lambda u, rng: u * rng.choice([1j, -1j]),
    "one hour": lambda u, rng: u * np.exp(rng.choice([1j, -1j]) * np.pi / 6.0),
    "any turn": lambda u, rng: u * _angle(rng),
    "lead for lag": lambda u, rng: np.conj(u),
    "mirrored and turned": lambda u, rng: np.conj(u) * _angle(rng),
    "one sensor reversed": _reversed,
    "one sensor mirrored": _mirrored,
    "nothing, rough twice": lambda u, rng: u,
    "nothing, rough alike": lambda u, rng: u,
    "quarter turn, rough twice": lambda u, rng: 1j * u,
    "quarter turn, rough alike": lambda u, rng: 1j * u,
    "unknown move, rough twice": _move,
    "unknown move, rough alike": _move,
    "changed: unknown move": _move,
    "changed: each by itself": lambda u, rng: u + rng.uniform(0.05, 0.5) * _circular(rng, u.shape),
    "changed: all grown": lambda u, rng: u * rng.uniform(1.2, 2.0),
    "changed: one sensor": _one,
    "changed: keeps one amplitude": _keeping,
}


if __name__ == "__main__":
    ended(main)
