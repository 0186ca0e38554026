"""Logs with wrong entries for the study of suspects: every usual mistake, and what it would do.

Jobs with their truth go in; what somebody wrote down comes out, with a list of what is wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

BLADES = "ABCDE"
NAMES = ("hub weight", "trim tab", "pitch link")
MOVES = ("neighbouring blade", "other blade", "sign", "not made", "not recorded",
         "other adjuster", "amount", "blade order")  # fmt: skip
READINGS = ("clock one hour", "clock six hours", "lead for lag", "sensors swapped",
            "regimes swapped")  # fmt: skip
TURN = np.exp(2j * np.pi * np.arange(5) / 5)


@dataclass(frozen=True, eq=False)
class Job:
    """One job as it really was. made: (pair, blade, adjuster); readings: (run, sensor, regime)."""

    name: str
    rotor: str
    own: np.ndarray
    made: np.ndarray
    readings: np.ndarray


@dataclass(frozen=True, eq=False)
class Wrong:
    """One wrong entry. run: position of the run it stands in (for moves: that they led to).

    distance: how far it moves what is read, in noise sds. truth: moves made, or readings.
    """

    job: str
    run: int
    kind: str
    distance: float
    truth: np.ndarray
    entered: np.ndarray

    @property
    def pairs(self) -> set[tuple[str, str]]:
        """(job, after_run) of the pairs that it touches (the last may not be there)."""
        after = (self.run - 1,) if self.kind in MOVES else (self.run - 1, self.run)
        return {(self.job, str(k)) for k in after if k >= 0}


@dataclass(frozen=True, eq=False)
class Setting:
    """What mistakes are made with.

    step: (adjuster,); noise: variance of a difference per component, (sensor, regime).
    """

    step: np.ndarray
    noise: np.ndarray


def spoiled(
    job: Job, setting: Setting, share: float, rng: np.random.Generator
) -> tuple[Job, list[Wrong]]:
    """Return a job as somebody wrote it down, and what is wrong in it.

    share: of the pairs that are touched by something wrong, about; two of three in moves.
    """
    made, readings = job.made.copy(), job.readings.copy()
    wrong = []
    busy: set[int] = set()  # runs whose pair has something wrong: one thing at a time
    for run in range(len(readings)):
        if run and run not in busy and rng.random() < 0.7 * share:
            kind = str(rng.choice(MOVES))
            written = _wrong_moves(job.made[run - 1], kind, setting.step, rng)
            if written is None:
                continue
            miss = np.einsum("sga,ba,b->sg", job.own, written - made[run - 1], TURN)
            truth, made[run - 1] = made[run - 1].copy(), written
            distance = float(np.sqrt((np.abs(miss) ** 2 / setting.noise).sum()))
            wrong.append(Wrong(job.name, run, kind, distance, truth, written))
            busy.add(run)
        elif not busy & {run, run + 1} and rng.random() < 0.2 * share:
            kind = str(rng.choice(READINGS))
            read = _wrong_readings(readings[run], kind, rng)
            miss = np.nan_to_num(read - readings[run])
            distance = float(np.sqrt((np.abs(miss) ** 2 / setting.noise).sum()))
            wrong.append(Wrong(job.name, run, kind, distance, readings[run].copy(), read))
            readings[run] = read
            busy |= {run, run + 1}
    return replace(job, made=made, readings=readings), wrong


def _wrong_moves(
    made: np.ndarray, kind: str, step: np.ndarray, rng: np.random.Generator
) -> np.ndarray | None:
    """Return moves (blade, adjuster) as somebody wrote them down by that mistake; None: cannot."""
    places = np.argwhere(made != 0)
    wrong = made.copy()
    if kind == "not made":
        free = np.argwhere(made == 0)
        b, a = free[rng.integers(len(free))]
        wrong[b, a] = step[a] * rng.choice([-4, -3, 3, 4])
        return wrong
    if not len(places):
        return None
    b, a = places[rng.integers(len(places))]
    amount = made[b, a]
    if kind in ("neighbouring blade", "other blade"):
        far = (1, 4) if kind == "neighbouring blade" else (2, 3)
        wrong[b, a] = 0.0
        wrong[(b + rng.choice(far)) % 5, a] += amount
    elif kind == "sign":
        wrong[b, a] = -amount
        if rng.random() < 0.3:
            wrong = -made
    elif kind == "not recorded":
        wrong[b, a] = 0.0
    elif kind == "other adjuster":
        other = (a + rng.integers(1, len(step))) % len(step)
        wrong[b, a] = 0.0
        wrong[b, other] += amount / step[a] * step[other] if rng.random() < 0.5 else amount
    elif kind == "amount":
        wrong[b, a] = amount * rng.choice([0.1, 10.0])
    else:
        wrong = made[(-np.arange(5)) % 5]
    return None if np.array_equal(wrong, made) else wrong


def _wrong_readings(read: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Return readings (sensor, regime) as somebody wrote them down by that mistake."""
    sensors, regimes = read.shape
    wrong = read.copy()
    s, g = rng.integers(sensors), rng.integers(regimes)
    if kind in ("clock one hour", "clock six hours"):
        hour = np.exp(1j * np.pi / 6.0 * rng.choice([-1, 1]))
        turn = -1.0 if kind == "clock six hours" else hour
        at = np.s_[s, g] if rng.random() < 0.5 else np.s_[s, :]
        wrong[at] *= turn
    elif kind == "lead for lag":
        wrong[s] = wrong[s].conj()
    elif kind == "sensors swapped":
        t = (s + rng.integers(1, sensors)) % sensors
        wrong[[s, t]] = read[[t, s]]
    else:
        h = (g + rng.integers(1, regimes)) % regimes
        wrong[:, [g, h]] = read[:, [h, g]]
    return wrong


def write(folder: Path, rotor_text: str, jobs: Sequence[Job]) -> None:
    """Write a rotor file and a log."""
    runs, readings, moves = [], [], []
    for job in jobs:
        for k in range(len(job.readings)):
            runs.append(f"{job.rotor},{job.name},{k},2025-01-01")
            for (s, g), z in np.ndenumerate(job.readings[k]):
                if not np.isnan(z):
                    phase = np.rad2deg(np.angle(z)) % 360.0
                    readings.append(f"{job.name},{k},G{g},S{s},{abs(z):.4f},{phase:.1f}")
        for (k, b, a), amount in np.ndenumerate(job.made):
            if amount:
                moves.append(f"{job.name},{k},{BLADES[b]},{NAMES[a]},{amount:g}")
    log = folder / "log"
    log.mkdir(parents=True)
    (folder / "rotor.toml").write_text(rotor_text, encoding="utf-8")
    for name, header, lines in (
        ("runs", "rotor,job,run,started", runs),
        ("readings", "job,run,regime,sensor,amplitude,phase_deg", readings),
        ("moves", "job,after_run,blade,adjuster,amount", moves),
    ):
        (log / f"{name}.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
