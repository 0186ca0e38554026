"""An invented fleet that follows the learner's own model, so that its truth is known.

Made here and not with the program's simulator: tests of the learner need the exact model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from adapt.chart import Chart
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor


def invented_rotor(
    blades: int = 4, sensors: int = 2, regimes: int = 3, adjusters: int = 3, track: bool = True
) -> Rotor:
    """Return a rotor design with whole-number names, so that names stay text."""
    kinds = [
        Adjuster("hub weight", "g", 10.0, (0.0, 500.0)),
        Adjuster("pitch link", "flat", 1.0, (-20.0, 20.0)),
        Adjuster("trim tab", "deg", 0.5, (-8.0, 8.0)),
    ]
    return Rotor(
        name="main rotor",
        blades=tuple(str(b + 1) for b in range(blades)),
        rpm=390.0,
        sensors=tuple(Sensor(f"sensor {s + 1}", "ips") for s in range(sensors)),
        regimes=tuple(Regime(f"regime {r + 1}") for r in range(regimes)),
        adjusters=tuple(kinds[:adjusters]),
        limits=tuple(Limit(f"sensor {s + 1}", 0.2) for s in range(sensors)),
        track_unit="mm" if track else None,
    )


@dataclass
class Fleet:
    """What was simulated: the truth beside the history and a chart.

    type_: (channel, adjuster); own: (rotor, channel, adjuster); track likewise by regime.
    """

    rotor: Rotor
    history: History
    chart: Chart
    type_: np.ndarray
    own: np.ndarray
    track_type: np.ndarray
    track_own: np.ndarray
    run_sd: float
    reading_sd: float
    track_run_sd: float
    track_reading_sd: float


SIZE = np.array([0.002, 0.06, 0.05])  # ips per g, flat, deg
TRACK_SIZE = np.array([0.0, 4.0, 6.0])  # mm
STEP = np.array([10.0, 1.0, 0.5])


def fleet(
    rng: np.random.Generator,
    rotor: Rotor | None = None,
    rotors: int = 10,
    jobs: int = 2,
    runs: int = 5,
    run_sd: float = 0.015,
    reading_sd: float = 0.02,
    spread: float = 0.12,
    chart_sd: float = 0.25,
    missing: float = 0.0,
    moves: int = 2,
) -> Fleet:
    """Simulate a fleet; sds per component, spread and chart_sd relative per component."""
    rotor = rotor or invented_rotor()
    nb, na, ns, nr = (len(x) for x in (rotor.blades, rotor.adjusters, rotor.sensors, rotor.regimes))
    nj = ns * nr

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    size = SIZE[:na]
    type_ = size * rng.uniform(0.7, 1.4, (nj, na)) * np.exp(2j * np.pi * rng.random((nj, na)))
    own = type_ * (1 + spread * circular(rotors, nj, na))
    track_type = TRACK_SIZE[:na] * rng.uniform(0.7, 1.3, (nr, na))
    track_own = track_type * (1 + spread * rng.standard_normal((rotors, nr, na)))
    orders = np.repeat([s.order for s in rotor.sensors], nr)
    turn = np.exp(1j * orders[:, None] * rotor.psi)  # (channel, blade)
    track_run_sd, track_reading_sd = 0.8, 1.0

    tables: dict[str, list[tuple]] = {k: [] for k in ("runs", "readings", "track", "moves")}
    clock = pd.Timestamp("2024-01-01")
    for i in range(rotors):
        for job in range(jobs):
            name = f"J{i:03d}-{job}"
            level = 0.4 * circular(nj)
            heights = 8.0 * rng.standard_normal((nr, nb))
            started = clock + pd.Timedelta(days=30 * job + rng.uniform(0, 20))
            for k in range(runs):
                if k:
                    level = level + run_sd * circular(nj)
                    heights = heights + track_run_sd * rng.standard_normal((nr, nb))
                    for _ in range(moves):
                        b, a = rng.integers(nb), rng.integers(na)
                        amount = STEP[a] * rng.choice([-5, -4, -3, 3, 4, 5])
                        tables["moves"].append(
                            (name, str(k - 1), rotor.blades[b], rotor.adjuster_names[a], amount)
                        )
                        if rotor.adjusters[a].amount_sd:
                            amount += rotor.adjusters[a].amount_sd * rng.standard_normal()
                        level = level + own[i, :, a] * turn[:, b] * amount
                        heights[:, b] += track_own[i, :, a] * amount
                tables["runs"].append((f"R{i:03d}", name, str(k), started + pd.Timedelta(hours=k)))
                read = level + reading_sd * circular(nj)
                seen = heights + track_reading_sd * rng.standard_normal((nr, nb))
                seen = seen - seen.mean(axis=1, keepdims=True)
                for j, (sensor, regime) in enumerate(rotor.channels):
                    if rng.random() >= missing:
                        tables["readings"].append(
                            (name, str(k), regime, sensor, read[j], np.nan, 1)
                        )
                if rotor.has_track:
                    for r, regime in enumerate(rotor.regime_names):
                        if rng.random() >= missing:
                            tables["track"] += [
                                (name, str(k), regime, blade, seen[r, b], np.nan)
                                for b, blade in enumerate(rotor.blades)
                            ]
    chart = Chart(
        mean=type_ * (1 + chart_sd * circular(nj, na)),
        sd=np.abs(type_) * chart_sd,
        track_mean=track_type * (1 + chart_sd * rng.standard_normal((nr, na))),
        track_sd=track_type * chart_sd,
        source="invented",
    )
    return Fleet(
        rotor, history(**tables), chart, type_, own, track_type, track_own, run_sd, reading_sd,
        track_run_sd, track_reading_sd,
    )  # fmt: skip


def history(
    runs: list[tuple],
    readings: list[tuple],
    track: list[tuple] | None = None,
    moves: list[tuple] | None = None,
    events: list[tuple] | None = None,
) -> History:
    """Return a history of rows in the column order of the History docstring (runs: first four)."""
    run_table = pd.DataFrame(runs, columns=["rotor", "job", "run", "started"])
    run_table["started"] = pd.to_datetime(run_table["started"])
    readings_table = pd.DataFrame(
        readings, columns=["job", "run", "regime", "sensor", "value", "spread", "repeats"]
    )
    readings_table["value"] = readings_table["value"].astype(complex)
    return History(
        runs=run_table,
        readings=readings_table,
        track=pd.DataFrame(track or [], columns=["job", "run", "regime", "blade", "height", "lag"]),
        moves=pd.DataFrame(
            moves or [], columns=["job", "after_run", "blade", "adjuster", "amount"]
        ),
        fitted=pd.DataFrame([], columns=["job", "blade", "adjuster", "amount"]),
        events=pd.DataFrame(events or [], columns=["job", "after_run", "kind", "sensor", "note"]),
        excluded=pd.DataFrame([], columns=["table", "job", "run", "reason"]),
        faults=(),
        doubts=(),
        set_aside={},
        source="invented",
    )


def without_chart_rows(chart: Chart) -> Chart:
    """Return the chart with every vibration row missing."""
    return replace(chart, mean=np.full_like(chart.mean, np.nan), sd=np.full_like(chart.sd, np.nan))
