"""The demo's jobs written down as the tables of a log, with all that people and spreadsheets do.

Text only: what happened stands in `history`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from adapt.chart import Chart
from adapt.phasor import clock_to_deg, to_complex
from adapt.rotor import Rotor, Sensor
from adapt.scenario.history import FlownRun, Job

__all__ = ["chart_text", "log_tables", "points_text"]

Rows = list[dict[str, Any]]

_COLUMNS = {
    "runs": ("rotor", "job", "run", "started", "design", "aircraft", "gross_weight", "wind_kt",
             "oat_c", "note", "airframe_hours"),
    "readings": ("job", "run", "regime", "sensor", "amplitude", "clock", "excluded"),
    "track": ("job", "run", "regime", "blade", "height", "lag", "excluded"),
    "moves": ("job", "after_run", "blade", "adjuster", "amount", "task_card"),
    "fitted": ("job", "blade", "adjuster", "amount"),
    "events": ("job", "after_run", "kind", "sensor", "note"),
}  # fmt: skip

# By regime: amplitude, clock angle, and the clock angle as it was written down.
_PLOTTED = {
    "ground run": [
        (0.3, "1:00", "1:00"), (0.4, "4:30", "4:30"), (0.25, "8:00", "8:00"),
        (0.35, "10:30", "10:30"),
    ],
    "hover": [
        (0.3, "12:15", "12:15"), (0.3, "2:40", "2:40"), (0.4, "5:00", "6:00"),
        (0.35, "7:20", "7:20"), (0.3, "9:40", "9:40"),
    ],
}  # fmt: skip


def log_tables(jobs: Sequence[tuple[Rotor, str, Job]]) -> dict[str, str]:
    """Return the text of every table, by its name; jobs with their rotor design and their name."""
    rows: dict[str, Rows] = {table: [] for table in _COLUMNS}
    for rotor, name, job in jobs:
        for number, run in enumerate(job.runs, start=1):
            rows["runs"].append(_run_row(rotor, name, job, number, run))
            rows["readings"] += _reading_rows(rotor, name, job, number, run)
            if rotor.has_track and not job.mishap.no_tracker:
                rows["track"] += _track_rows(rotor, name, job, number, run)
            rows["moves"] += [
                {"job": name, "after_run": number, "blade": blade, "adjuster": adjuster.name,
                 "amount": _amount(amount), "task_card": f"{name}/{number}"}
                for blade, line in zip(rotor.blades, run.moves, strict=True)
                for adjuster, amount in zip(rotor.adjusters, line, strict=True)
                if amount != 0.0
            ]  # fmt: skip
        if not job.mishap.unknown_fitted:
            rows["fitted"] += _fitted_rows(rotor, name, job)
        rows["events"] += _event_rows(rotor, name, job)
    return {f"{table}.csv": _csv(columns, rows[table]) for table, columns in _COLUMNS.items()}


def chart_text(rotor: Rotor, chart: Chart) -> str:
    """Return a chart file: effects of one unit on the first blade, as each sensor shows phases."""
    columns = ("sensor", "regime", "adjuster", "amplitude", "clock", "height")
    rows: Rows = []
    for a, adjuster in enumerate(rotor.adjusters):
        for channel, (sensor, regime) in enumerate(rotor.channels):
            effect = complex(chart.mean[channel, a])
            rows.append(
                {"sensor": sensor, "regime": regime, "adjuster": adjuster.name,
                 "amplitude": f"{abs(effect):.2g}", "clock": _clock(rotor.sensor(sensor), effect)}
            )  # fmt: skip
        for regime, height in zip(rotor.regime_names, chart.track_mean[:, a], strict=True):
            if rotor.has_track and height != 0.0:
                rows.append({"regime": regime, "adjuster": adjuster.name, "height": f"{height:g}"})
    return _csv(columns if rotor.has_track else columns[:-1], rows)


def points_text(rotor: Rotor, chart: Chart) -> str:
    """Return readings plotted on the tail rotor's paper charts, and what these say for each.

    Read off to half a gram for the first two adjusters on the first blade. Of the last chart's
    third point the clock angle was written down one hour off.
    """
    columns = ("point", "sensor", "regime", "amplitude", "clock", "blade", "adjuster", "amount")
    rows: Rows = []
    sensor = rotor.sensors[0].name
    for regime, points in _PLOTTED.items():
        effects = chart.mean[rotor.channels.index((sensor, regime)), :2]
        for number, (amplitude, clock, written) in enumerate(points, start=1):
            reading = to_complex(amplitude, clock_to_deg(clock))
            amounts = np.linalg.solve(
                np.array([effects.real, effects.imag]), [-reading.real, -reading.imag]
            )
            own = {"sensor": sensor, "regime": regime, "amplitude": amplitude, "clock": written}
            for name, amount in zip(rotor.adjuster_names, amounts, strict=False):
                rows.append(
                    {"point": number, **own, "blade": rotor.blades[0], "adjuster": name,
                     "amount": f"{round(2.0 * amount) / 2.0 + 0.0:g}"}
                )  # fmt: skip
                own = {}
    return _csv(columns, rows)


def _run_row(rotor: Rotor, name: str, job: Job, number: int, run: FlownRun) -> dict[str, Any]:
    note = ""
    if job.mishap.ground_only == number:
        note = "ground run only, no flight before the pitch link was inspected"
    elif job.mishap.repeated == number - 1 and number > 1:
        note = "flown again, nothing changed"
    return {
        "rotor": job.serial,
        "job": name,
        "run": number,
        "started": run.started.strftime("%Y-%m-%dT%H:%M"),
        "design": rotor.name,
        "aircraft": job.aircraft,
        "gross_weight": round(run.weight_kg / 10) * 10,
        "wind_kt": round(run.wind_kt),
        "oat_c": round(run.oat_c),
        "note": note,
        "airframe_hours": f"{_airframe_hours(job.aircraft, run.started):.1f}",
    }


def _reading_rows(rotor: Rotor, name: str, job: Job, number: int, run: FlownRun) -> Rows:
    rows: Rows = []
    for s, sensor in enumerate(rotor.sensors):
        for r, regime in enumerate(rotor.regimes):
            if not (run.read[r] and run.sensors[s]):
                continue
            value = complex(run.flown.readings[s, r])
            rows.append(
                {"job": name, "run": number, "regime": regime.name, "sensor": sensor.name,
                 "amplitude": f"{abs(value):.2f}", "clock": _clock(sensor, value)}
            )  # fmt: skip
    mishap = job.mishap
    if mishap.excluded == number:
        rows[4]["amplitude"] = f"{float(rows[4]['amplitude']) + 0.9:.2f}"
        rows[4]["excluded"] = "cable loose, reading jumped"
    if mishap.bad_clock == number:
        rows[2]["clock"] = "13:75"
    if mishap.spreadsheet_clock == number:
        rows[3]["clock"] += ":00"
    return rows


def _track_rows(rotor: Rotor, name: str, job: Job, number: int, run: FlownRun) -> Rows:
    rows: Rows = []
    for r, regime in enumerate(rotor.regimes):
        if not run.read[r]:
            continue
        for b, blade in enumerate(rotor.blades):
            rows.append(
                {"job": name, "run": number, "regime": regime.name, "blade": blade,
                 "height": _amount(run.flown.track[r, b]), "lag": _amount(run.flown.lag[r, b])}
            )  # fmt: skip
    if job.mishap.no_blade == number:
        del rows[len(rotor.blades) + 2]
    if job.mishap.track_excluded == number:
        for row in rows[: len(rotor.blades)]:
            row["excluded"] = "low sun in the tracker"
    return rows


def _fitted_rows(rotor: Rotor, name: str, job: Job) -> Rows:
    return [
        {"job": name, "blade": blade, "adjuster": adjuster.name, "amount": _amount(amount)}
        for blade, line in zip(rotor.blades, job.fitted, strict=True)
        for adjuster, amount in zip(rotor.adjusters, line, strict=True)
    ]


def _event_rows(rotor: Rotor, name: str, job: Job) -> Rows:
    rows: Rows = []
    if job.mishap.replaced:
        rows.append(
            {"job": name, "after_run": job.mishap.replaced, "kind": "hardware changed",
             "note": f"{rotor.blades[1]} blade replaced, leading edge eroded"}
        )  # fmt: skip
    if job.mishap.turned_deg:
        rows.append(
            {"job": name, "after_run": len(job.runs), "kind": "reference moved",
             "note": "phase pickup bracket replaced"}
        )  # fmt: skip
    return rows


def _airframe_hours(aircraft: str, at: datetime) -> float:
    """Return an airframe's hours at a time: a column of the operator's own, which nothing reads."""
    days = (at - datetime(2024, 1, 1)).total_seconds() / 86400
    return 1900 + 430 * (ord(aircraft[-1]) - ord("A")) + 1.1 * days


def _clock(sensor: Sensor, value: complex) -> str:
    """Return a clock angle as the sensor's instrument shows it, to the minute."""
    lag = float(np.rad2deg(np.angle(value)))
    minutes = round((-lag if sensor.phase == "lead" else lag) / 0.5) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _amount(value: float) -> str:
    """Return a number without trailing zeros, and zero without a sign."""
    return f"{value + 0.0:g}"


def _csv(columns: Iterable[str], rows: Rows) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(columns), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
