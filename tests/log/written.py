"""A small log in a folder, with its rotor file's values: what the tests of reviews start from."""

from __future__ import annotations

from pathlib import Path

import adapt
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

ROTOR = Rotor(
    name="main rotor",
    blades=("A", "B", "C", "D"),
    rpm=390.0,
    sensors=(
        Sensor("lateral", "ips"),
        Sensor("vertical", "ips", phase="lead"),
        Sensor("roll", "ips", combination={"lateral": 0.5, "vertical": -0.5}),
    ),
    regimes=(Regime("hover"), Regime("100 kt")),
    adjusters=(
        Adjuster("hub weight", "g", 10.0, (-400.0, 400.0), largest_move=50.0),
        Adjuster("pitch link", "flats", 1.0, (-9.0, 9.0), blades=("A", "B")),
    ),
    limits=(Limit("lateral", 0.2),),
)
TABLES = {
    "runs": "rotor,job,run,started\nR1,J1,1,2026-01-01\nR1,J1,2,2026-01-02\nR1,J1,3,2026-01-03\n"
    "R1,J2,1,2026-03-01\nR1,J2,2,2026-03-02\n",
    "readings": "job,run,regime,sensor,amplitude,clock,phase_deg\n"
    "J1,1,hover,lateral,0.3,4:20,\nJ1,1,hover,vertical,0.1,3:00,\n"
    "J1,2,hover,lateral,0.2,10:15,\nJ1,2,hover,vertical,0.15,,200.3\n"
    "J1,3,hover,lateral,0.1,1:00,\nJ2,1,hover,lateral,0.3,2:00,\nJ2,2,hover,lateral,0.2,2:00,\n",
    "moves": "job,after_run,blade,adjuster,amount\nJ1,1,A,hub weight,40\nJ1,2,B,pitch link,3\n"
    "J2,1,A,hub weight,-20\n",
}
REVIEWS = "review,job,table,after_run,run,decision,kind,explanation,by,decided,note\n"
CORRECTIONS = (
    "review,table,job,after_run,run,blade,adjuster,sensor,regime,entered,entered_clock,"
    "entered_phase_deg,corrected,corrected_clock,corrected_phase_deg\n"
)
ACCEPTED = REVIEWS + "1,J1,moves,1,2,accept,sign,+40 was -40,N. N.,2026-04-01T10:00:00+00:00,\n"
OF_MOVE = CORRECTIONS + "1,moves,J1,1,,A,hub weight,,,40,,,-40,,\n"


def written(path: Path, **tables: str) -> Path:
    """Write a log folder; the tables above unless given otherwise."""
    log = path / "log"
    log.mkdir()
    for name, text in {**TABLES, **tables}.items():
        (log / f"{name}.csv").write_bytes(text.encode())
    return log


def checked(path: Path, **tables: str) -> History:
    return adapt.check(ROTOR, adapt.read_log(written(path, **tables)))


def reading(history: History, job: str, run: str, sensor: str) -> complex:
    rows = history.readings.query("job == @job and run == @run and sensor == @sensor")
    return complex(rows["value"].iloc[0])


def suspect(
    run: str, *entries: dict, job: str = "J1", after_run: str = "1", kind: str = "sign"
) -> dict:
    """Return a suspect as `learn` tells it, with one explanation that has these entries."""
    told = {"kind": kind, "text": "as somebody meant", "probability": 0.9, "entries": list(entries)}
    return {
        "job": job, "run": run, "after_run": after_run, "kind": kind, "probability": 0.9,
        "explanations": [told],
    }  # fmt: skip


def move(blade: str, adjuster: str, amount: float | None, after_run: str = "1") -> dict:
    return {
        "table": "moves", "job": "J1", "after_run": after_run, "blade": blade,
        "adjuster": adjuster, "amount": amount,
    }  # fmt: skip


def read(sensor: str, value: complex, run: str = "2", regime: str = "hover") -> dict:
    return {
        "table": "readings", "job": "J1", "run": run, "sensor": sensor, "regime": regime,
        "real": value.real, "imag": value.imag,
    }  # fmt: skip
