"""Single runs of a comparison: how each of a rotor's was foretold, and one reading by reading.

The walk forward lives in `outcomes`; how all runs did together is told by `compared`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from adapt.outcomes.columns import CHART, EARLY, LEARNED, NO_CHANGE
from adapt.outcomes.outcome import Outcome
from adapt.reports.layout import Block, Heading, Line, Row, Tone, table, without_blank_columns
from adapt.reports.pictures.foretold import Reading, foretold_picture
from adapt.reports.records import records
from adapt.reports.wording import (
    NOTHING,
    amplitude_at_clock,
    number,
    percent,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["RunTold", "one_run_report", "runs_told"]


@dataclass(frozen=True)
class RunTold:
    """One run in a line. errors: by method, rms over the limits (of what has one), None: not told.

    chance: stated of the run as a whole; came_inside: whether it did; None: not known.
    """

    job: str
    run: str
    started: str
    adjusters: str
    suspect: bool
    errors: Mapping[str, float]
    chance: float | None
    came_inside: bool | None


def runs_told(outcome: Outcome, serial: str) -> list[RunTold]:
    """Return the runs of a rotor that were predicted, in the order in which they were made."""
    frame = outcome.predictions
    mine = frame[frame["rotor"] == serial]
    share = (mine["error"] / mine["limit"]).astype(float) ** 2
    whole = outcome.whole_runs
    stated = {(r["job"], r["run"]): r for r in records(whole[whole["rotor"] == serial])}
    told = []
    for (job, run), rows in mine.assign(share=share).groupby(["job", "run"], sort=False):
        limited = rows[rows["share"].notna()]
        errors = np.sqrt(limited.groupby("method")["share"].mean())
        said = stated.get((job, run), {})
        inside = said.get("came_inside")
        first = rows.iloc[0]
        told.append(
            RunTold(
                str(job), str(run), _when(first["started"]),
                " + ".join(dict.fromkeys(a for text in rows["adjusters"] for a in
                                         str(text).split(" + ") if a)),
                bool(rows["suspect"].any()), {str(m): float(e) for m, e in errors.items()},
                said.get("chance"), None if inside is None else bool(inside),
            )
        )  # fmt: skip
    return told


def one_run_report(outcome: Outcome, rotor: Rotor, job: str, run: str) -> list[Block]:
    """Return each reading of a run as each method foretold it, beside what was read."""
    frame = outcome.predictions
    mine = frame[(frame["job"] == job) & (frame["run"] == run)]
    if mine.empty:
        return [Line("Nothing was predicted of this run: no reading of it was read before.")]
    by_method = {str(m): part for m, part in mine.groupby("method")}
    report: list[Block] = []
    pictures, rows, tones = [], list[tuple[str, ...]](), list[Tone]()
    for sensor in rotor.sensors:
        of_sensor = _by_channel(by_method, sensor.name)
        if not of_sensor:
            continue
        digits = vibration_decimals(sensor.unit)
        readings = [_reading(regime, told) for regime, told in of_sensor.items()]
        picture = foretold_picture(sensor, readings, f"{run} of {job}")
        pictures += [] if picture is None else [picture]
        rows.append((f"{sensor.name} [{sensor.unit}]", *[""] * 9))
        tones.append("plain")
        for regime, told in of_sensor.items():
            learned = told.get(LEARNED, {})
            first = next(iter(told.values()))

            def at(value: Any, phase: Any = sensor.phase, digits: int = digits) -> str:
                return amplitude_at_clock(value, phase, digits)

            rows.append(
                (
                    f"  {regime}",
                    at(first["before"]),
                    *(at(told.get(m, {}).get("predicted")) for m in (CHART, EARLY, LEARNED)),
                    at(first["read"]),
                    *(number(told.get(m, {}).get("error"), digits) for m in (CHART, LEARNED)),
                    _yes(learned.get("inside_95")),
                    percent(learned.get("chance")),
                )
            )
            tones.append("bad" if learned.get("inside_95") == 0 else "plain")
    if pictures:
        report += [Row(tuple(pictures))]
    if rows:
        titles = ["Regime", ">Before", ">Chart", ">Early fit", ">Learned", ">Read", ">Off: chart"]
        titles += [">Off: learned", "In its 95 %", ">Chance inside limit"]
        report += [
            Heading("Reading by reading"),
            without_blank_columns(
                table(titles, rows, tones),
                ("Chart", "Off: chart", "Early fit", "Chance inside limit"),
            ),
            Line(
                "No change is what was read before. Off: size of the difference of foretold and "
                "read as vectors. In its 95 %: whether the reading fell inside the interval "
                "stated with what was learned. Chance: stated before the run, of being inside the "
                "limit."
            ),
        ]
    return [*report, *_track(by_method, rotor)]


def _track(by_method: Mapping[str, pd.DataFrame], rotor: Rotor) -> Iterable[Block]:
    told = _by_channel(by_method, None)
    if not told:
        return
    digits = track_decimals(rotor.track_unit)
    yield Heading(f"Track: error of one blade's height [{rotor.track_unit}]")
    rows = [
        (
            regime,
            *(number(of.get(m, {}).get("error"), digits) for m in (NO_CHANGE, CHART, EARLY)),
            number(of.get(LEARNED, {}).get("error"), digits),
            _yes(of.get(LEARNED, {}).get("inside_95")),
        )
        for regime, of in told.items()
    ]
    titles = ["Regime", ">No change", ">Chart", ">Early fit", ">Learned", "In its 95 %"]
    yield without_blank_columns(table(titles, rows), ("Chart", "Early fit"))


def _reading(regime: str, told: Mapping[str, Mapping[str, Any]]) -> Reading:
    first = next(iter(told.values()))
    foretold = {
        m: complex(row["predicted"])
        for m, row in told.items()
        if m != NO_CHANGE and row["predicted"] is not None
    }
    return Reading(regime, complex(first["before"]), foretold, complex(first["read"]),
                   first["limit"])  # fmt: skip


def _by_channel(
    by_method: Mapping[str, pd.DataFrame], sensor: str | None
) -> dict[str, dict[str, Mapping[str, Any]]]:
    """Return the rows of a sensor (None = track) by regime, then by method."""
    found: dict[str, dict[str, Mapping[str, Any]]] = {}
    for method, part in by_method.items():
        of = part[part["sensor"].isna() if sensor is None else part["sensor"] == sensor]
        for row in records(of):
            found.setdefault(str(row["regime"]), {})[method] = row
    return found


def _when(started: Any) -> str:
    return NOTHING if pd.isna(started) else f"{pd.Timestamp(started):%Y-%m-%d %H:%M}"


def _yes(value: float | None) -> str:
    return NOTHING if value is None else "yes" if value else "no"
