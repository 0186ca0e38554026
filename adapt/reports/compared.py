"""How predictions did against what the aircraft then did, and where the chart is wrong.

Built from an `Outcome`; the walk forward and its scores live in `outcomes`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from adapt.outcomes.outcome import Outcome
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.wording import NOTHING, count, joined, number, track_decimals, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["compare_report", "findings", "overall_table"]

METHODS = ("no change", "chart", "learned")

Record = Mapping[str, Any]


def compare_report(outcome: Outcome, rotor: Rotor) -> list[Block]:
    """Return errors and skill by channel, findings in sentences, and the chart's gain and turn."""
    said = findings(outcome)
    report: list[Block] = [
        Heading(f"Predictions for the {rotor.name} against what was read", level=1),
        Line(
            f"{count(outcome.runs, 'run')} of {count(outcome.jobs, 'job')}, each predicted from "
            "the runs before it only."
        ),
        Heading("Over all regimes"),
        overall_table(outcome, rotor),
        _explained(),
        Heading("By regime: rms error"),
        _by_regime(outcome, rotor),
        Heading("Where the chart is wrong"),
        Bullets(said) if said else Line("Nowhere clearly, with the runs that there are."),
    ]
    if len(outcome.chart_fit):
        report += [
            Heading("The chart's gain and turn, 95 % intervals"),
            _fit(outcome),
            Line(
                "Gain = real effect over the chart's; a positive turn lags the chart [deg]. "
                "Intervals allow for the number of channels looked at."
            ),
        ]
    if outcome.notes:
        report += [Heading("Notes"), Bullets(outcome.notes)]
    return report


def overall_table(outcome: Outcome, rotor: Rotor) -> Table:
    """Return one row for each sensor (and track): rms error by method, skill, coverage."""
    summary = _records(outcome.summary)
    rows = []
    for sensor in _sensors(summary, rotor):
        cells = {m: _find(summary, m, sensor, None) for m in METHODS}
        rows.append(
            (
                _channel_name(sensor, rotor),
                *(_error(cells[m], sensor, rotor) for m in METHODS),
                _percent(cells["chart"].get("skill")),
                _percent(cells["learned"].get("skill")),
                _percent(cells["learned"].get("coverage")),
            )
        )
    titles = ["rms error", ">No change", ">Chart", ">Learned"]
    return table([*titles, ">Skill chart", ">Skill learned", ">Inside 95 %"], rows)


def findings(outcome: Outcome, most: int = 8) -> tuple[str, ...]:
    """Return a sentence for each adjuster and sensor whose chart is clearly off, largest first."""
    fit = _records(outcome.chart_fit)
    if any(r["adjuster"] is not None for r in fit):
        fit = [r for r in fit if r["adjuster"] is not None]
    said = []
    for (sensor, adjuster), rows in _grouped(fit).items():
        parts, size = _clear(rows)
        if parts:
            what = "All moves together" if adjuster is None else _first_upper(adjuster)
            said.append((size, f"{what} on {sensor or 'track'}: {'; '.join(parts)}."))
    said.sort(key=lambda pair: -pair[0])
    texts = [text for _, text in said[:most]]
    if len(said) > most:
        texts.append(f"{len(said) - most} more in the table.")
    return tuple(texts)


def _clear(rows: Sequence[Record]) -> tuple[list[str], float]:
    """Return what is clear in one adjuster's rows of one sensor, and how large it is.

    Clear: the interval leaves out a gain of 1, or a turn of 0. The size is the largest vector
    error against the chart's effect, gain and turn each by itself.
    """
    parts: list[str] = []
    size = 0.0
    more = [r for r in rows if r["gain_low"] is not None and r["gain_low"] > 1.0]
    less = [r for r in rows if r["gain_high"] is not None and r["gain_high"] < 1.0]
    for group in (more, less):
        if group:
            span = _span([f"{r['gain']:.2f}" for r in sorted(group, key=lambda r: r["gain"])])
            where = _regimes(group, rows)
            parts.append(f"the real effect is {span} times the chart's {where}")
            size = max(size, *(abs(r["gain"] - 1.0) for r in group))
    late = [r for r in rows if r["rotation_low"] is not None and r["rotation_low"] > 0.0]
    early = [r for r in rows if r["rotation_high"] is not None and r["rotation_high"] < 0.0]
    for group, side in ((late, "lags"), (early, "leads")):
        if group:
            turns = sorted(abs(r["rotation_deg"]) for r in group)
            span = _span([f"{turn:.0f}" for turn in turns])
            parts.append(f"it {side} the chart by {span} deg {_regimes(group, rows)}")
            size = max(size, 2.0 * math.sin(math.radians(turns[-1]) / 2.0))
    return parts, size


def _span(texts: Sequence[str]) -> str:
    return texts[0] if texts[0] == texts[-1] else f"{texts[0]} to {texts[-1]}"


def _regimes(group: Sequence[Record], rows: Sequence[Record]) -> str:
    if len(group) == len(rows) > 1:
        return "in every regime"
    return f"in {joined([r['regime'] or 'all regimes' for r in group])}"


def _by_regime(outcome: Outcome, rotor: Rotor) -> Table:
    summary = _records(outcome.summary)
    rows: list[tuple[str, ...]] = []
    for sensor in _sensors(summary, rotor):
        rows.append((_channel_name(sensor, rotor), *[""] * 6))
        for regime in rotor.regime_names:
            cells = {m: _find(summary, m, sensor, regime) for m in METHODS}
            if not any(cells.values()):
                continue
            learned = cells["learned"]
            rows.append(
                (
                    f"  {regime}",
                    *(_error(cells[m], sensor, rotor) for m in METHODS),
                    _percent(learned.get("skill")),
                    _percent(learned.get("coverage")),
                    _whole(learned.get("runs")),
                )
            )
    titles = ["Regime", ">No change", ">Chart", ">Learned"]
    return table([*titles, ">Skill learned", ">Inside 95 %", ">Runs"], rows)


def _fit(outcome: Outcome) -> Table:
    rows: list[tuple[str, ...]] = []
    for (sensor, adjuster), records in _grouped(_records(outcome.chart_fit)).items():
        rows.append((f"{sensor or 'track'}, {adjuster or 'all moves'}", "", "", "", "", ""))
        rows += [
            (
                f"  {r['regime'] or 'all regimes'}",
                number(r["gain"]),
                _interval(r["gain_low"], r["gain_high"], 2),
                NOTHING if r["rotation_deg"] is None else f"{r['rotation_deg']:+.0f}",
                _interval(r["rotation_low"], r["rotation_high"], 0),
                _whole(r.get("pairs")),
            )
            for r in records
        ]
    return table(["Regime", ">Gain", ">from, to", ">Turn", ">from, to", ">Pairs"], rows)


def _explained() -> Line:
    return Line(
        "rms error: of the difference of two readings as vectors. Skill: how much of the mean "
        "square error of 'no change' is gone. Inside 95 %: how often a reading fell inside the "
        "interval stated for it."
    )


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows with None for what is missing, so that names compare as names."""
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(key): value for key, value in row.items()} for row in rows]


def _grouped(fit: Sequence[Record]) -> dict[tuple[str | None, str | None], list[Record]]:
    groups: dict[tuple[str | None, str | None], list[Record]] = {}
    for r in fit:
        groups.setdefault((r["sensor"], r["adjuster"]), []).append(r)
    return groups


def _sensors(summary: Sequence[Record], rotor: Rotor) -> Iterable[str | None]:
    present = {r["sensor"] for r in summary}
    yield from (s.name for s in rotor.sensors if s.name in present)
    if None in present:
        yield None


def _find(summary: Sequence[Record], method: str, sensor: str | None, regime: str | None) -> Record:
    wanted = (method, sensor, regime)
    return next((r for r in summary if (r["method"], r["sensor"], r["regime"]) == wanted), {})


def _error(row: Record, sensor: str | None, rotor: Rotor) -> str:
    if sensor is None:
        return number(row.get("rms_error"), track_decimals(rotor.track_unit))
    return number(row.get("rms_error"), vibration_decimals(rotor.sensor(sensor).unit))


def _percent(share: float | None) -> str:
    return NOTHING if share is None else f"{100 * share:.0f} %"


def _whole(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.0f}"


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None or high is None:
        return NOTHING
    return f"{low:.{decimals}f}, {high:.{decimals}f}"


def _channel_name(sensor: str | None, rotor: Rotor) -> str:
    if sensor is None:
        return f"track [{rotor.track_unit}]"
    return f"{sensor} [{rotor.sensor(sensor).unit}]"


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]
