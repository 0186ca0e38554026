"""An invented fan with one or two planes of weights and its jobs, the truth beside them.

Made from the definitions alone (readings are C times the unbalance fitted, plus noise), so that
what a balance finds can be held against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

HOLES = 8
TURN = np.exp(2j * np.pi * np.arange(HOLES) / HOLES)
FRONT, REAR = "front weight", "rear weight"
# mm/s for one gram in the first hole, (sensor, plane).
EFFECTS = np.array(
    [[0.4 * np.exp(1j), 0.2 * np.exp(2j)], [0.15 * np.exp(0.5j), 0.35 * np.exp(-1j)]]
)
UNBALANCE = np.array([9.0 * np.exp(2.1j), 6.0 * np.exp(-0.7j)])  # g at the radius of the holes


def fan(planes: int = 2, sensors: int = 2, sd: float = 0.05, **more: object) -> Rotor:
    """Return the fan's rotor file; sd: of readings and of run-to-run change, per component."""
    rotor = {
        "name": "cooling fan",
        "blades": tuple(str(h + 1) for h in range(HOLES)),
        "rpm": 3000.0,
        "sensors": tuple(
            Sensor(name, "mm/s", reading_sd=sd, run_to_run_sd=sd)
            for name in ("front bearing", "rear bearing")[:sensors]
        ),
        "regimes": (Regime("full speed", on_ground=True),),
        "adjusters": tuple(Adjuster(n, "g", 0.5, (0.0, 40.0)) for n in (FRONT, REAR)[:planes]),
        "limits": tuple(Limit(name, 1.0) for name in ("front bearing", "rear bearing")[:sensors]),
    }
    return Rotor(**{**rotor, **more})


@dataclass
class FanJob:
    """A job and the truth after its last run.

    left: unbalance on the rotor, (plane,) complex. level: what the sensors would read of it without
    scatter, run-to-run change included, (sensor,).
    """

    rotor: Rotor
    history: History
    left: np.ndarray
    level: np.ndarray


def fan_job(
    rotor: Rotor,
    moves: list[list[tuple[str, int, float]]],
    rng: np.random.Generator | None = None,
    effects: np.ndarray = EFFECTS,
    unbalance: np.ndarray = UNBALANCE,
    sd: float = 0.05,
) -> FanJob:
    """Return a job of len(moves) + 1 runs; moves: (plane, hole from 1, amount) after each run.

    rng: draws run-to-run change and reading scatter, each sd per component; None = no noise.
    """
    sensors = [s.name for s in rotor.sensors]
    planes = list(rotor.adjuster_names)
    effects = effects[: len(sensors), : len(planes)]
    left = unbalance[: len(planes)].astype(complex).copy()
    drift = np.zeros(len(sensors), dtype=complex)
    readings, moved = [], []
    for run in range(1, len(moves) + 2):
        for plane, hole, amount in moves[run - 2] if run > 1 else []:
            left[planes.index(plane)] += amount * TURN[hole - 1]
            moved.append(("J-1", str(run - 1), str(hole), plane, amount))
        value = effects @ left
        if rng is not None:
            draw = rng.normal(0.0, sd, (4, len(sensors)))
            drift = drift + draw[0] + 1j * draw[1]
            value = value + drift + draw[2] + 1j * draw[3]
        readings += [
            ("J-1", str(run), rotor.regimes[0].name, s, v, np.nan, 1)
            for s, v in zip(sensors, value, strict=True)
        ]
    runs = [("F-1", "J-1", str(k + 1), pd.Timestamp("2026-01-01") + pd.Timedelta(hours=k), k)
            for k in range(len(moves) + 1)]  # fmt: skip
    return FanJob(rotor, _history(runs, readings, moved), left, effects @ left + drift)


def _history(runs: list, readings: list, moves: list) -> History:
    def frame(rows: list, columns: str) -> pd.DataFrame:
        return pd.DataFrame(rows, columns=columns.split())

    table = frame(runs, "rotor job run started order").assign(
        aircraft="", note="", gross_weight=np.nan, wind_kt=np.nan, oat_c=np.nan, rpm=np.nan
    )
    return History(
        runs=table,
        readings=frame(readings, "job run regime sensor value spread repeats"),
        track=frame([], "job run regime blade height lag"),
        moves=frame(moves, "job after_run blade adjuster amount"),
        fitted=frame([], "job blade adjuster amount"),
        events=frame([], "job after_run kind sensor note"),
        excluded=frame([], "table row job run regime sensor blade reason"),
        faults=(),
        doubts=(),
        set_aside={},
        source="invented",
    )


TRIAL_IN_EACH_PLANE = [
    [(FRONT, 3, 5.0)],
    [(FRONT, 3, -5.0), (REAR, 5, 5.0)],
]
