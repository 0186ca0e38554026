"""What was foretold of a job's runs beside what was read: reading by reading, and run by run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from adapt.outcomes.columns import CHART, LEARNED, NO_CHANGE
from adapt.reports.job.values import JobRecord
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.records import records
from adapt.reports.wording import (
    NOTHING,
    amplitude_at_clock,
    count,
    number,
    percent,
    track_decimals,
    vibration_decimals,
)

__all__ = ["foretold"]


def foretold(record: JobRecord) -> Iterable[Block]:
    """Yield how the job's runs were foretold by chart and by what was known when it began."""
    outcome = record.outcome
    if outcome is None:
        return
    yield Heading("What was foretold, and what was read")
    if outcome.predictions.empty:
        yield Line("Nothing yet: no run of this job follows another.")
        return
    yield Line(
        f"Each run from those before it, with what was known when the job began "
        f"({count(outcome.pairs, 'pair')}); nothing of later runs is in it."
    )
    yield table(
        ["Run", ">Stated chance", "Came inside", ">No change", ">Chart", ">Learned"],
        list(_by_run(record)),
    )
    yield Line("The last three: root mean square error over its limit, of all that has a limit.")
    yield from _reading_by_reading(record)


def _by_run(record: JobRecord) -> Iterable[tuple[str, ...]]:
    assert record.outcome is not None
    frame = record.outcome.predictions
    told = frame.assign(share=(frame["error"] / frame["limit"]).astype(float) ** 2)
    for run in records(record.outcome.whole_runs):
        mine = told[(told["run"] == run["run"]) & told["share"].notna()]
        errors = mine.groupby("method")["share"].mean()
        cells = (
            number(float(np.sqrt(errors[m]))) if m in errors else NOTHING
            for m in (NO_CHANGE, CHART, LEARNED)
        )
        came = {None: NOTHING, 0.0: "no", 1.0: "yes"}[run["came_inside"]]
        yield str(run["run"]), percent(run["chance"]), came, *cells


def _reading_by_reading(record: JobRecord) -> Iterable[Block]:
    """Yield the last run's readings beside what was foretold of them."""
    assert record.outcome is not None
    frame = record.outcome.predictions
    last = str(frame["run"].iloc[-1])
    mine = frame[frame["run"] == last]
    by_method = {str(m): part for m, part in mine.groupby("method")}
    learned = by_method.get(LEARNED)
    if learned is None:
        return
    chart = _by_channel(by_method.get(CHART))
    rows: list[tuple[str, ...]] = []
    for sensor in record.rotor.sensors:
        of_sensor = learned[learned["sensor"] == sensor.name]
        if of_sensor.empty:
            continue
        digits = vibration_decimals(sensor.unit)
        rows.append((f"{sensor.name} [{sensor.unit}]", *[""] * 5))
        for r in records(of_sensor):
            by_chart = chart.get((r["sensor"], r["regime"]))
            rows.append(
                (
                    f"  {r['regime']}",
                    amplitude_at_clock(r["before"], sensor.phase, digits),
                    amplitude_at_clock(
                        None if by_chart is None else by_chart["predicted"], sensor.phase, digits
                    ),
                    amplitude_at_clock(r["predicted"], sensor.phase, digits),
                    amplitude_at_clock(r["read"], sensor.phase, digits),
                    _inside(r["inside_95"]),
                )
            )
    yield Heading(f"Run {last}, reading by reading")
    titles = ["Regime", ">Before", ">By chart", ">Learned", ">Read", "In its 95 % interval"]
    yield table(titles, rows)
    track = learned[learned["sensor"].isna()]
    if len(track):
        unit = record.rotor.track_unit
        digits = track_decimals(unit)
        yield Heading(f"Run {last}, track: error of one blade's height [{unit}]")
        yield table(
            ["Regime", ">By chart", ">Learned", "In its 95 % interval"],
            [
                (
                    r["regime"],
                    number((chart.get((None, r["regime"])) or {}).get("error"), digits),
                    number(r["error"], digits),
                    _inside(r["inside_95"]),
                )
                for r in records(track)
            ],
        )


def _by_channel(part: pd.DataFrame | None) -> Mapping[tuple[Any, Any], Mapping[str, Any]]:
    if part is None:
        return {}
    return {(r["sensor"], r["regime"]): r for r in records(part)}


def _inside(value: float | None) -> str:
    return NOTHING if value is None else "yes" if value else "no"
