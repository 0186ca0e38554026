"""How predictions did against what the aircraft then did.

Built from an `Outcome`; the walk forward and its scores live in `outcomes`. What moved, who and
when: `compared_by`; whether intervals and chances held: `held`; the chart: `chart_verdict`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from adapt.outcomes.outcome import Outcome
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table, without_blank_columns
from adapt.reports.outcomes.chart_verdict import chart_verdict
from adapt.reports.outcomes.compared_by import compared_by
from adapt.reports.outcomes.held import held
from adapt.reports.records import Record, records
from adapt.reports.wording import (
    NOTHING,
    count,
    number,
    share,
    share_between,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["compare_report", "errors_report", "overall_table"]

METHODS = ("no change", "chart", "early fit", "learned")
_FALSE = 0.05  # share of channels wrongly called better or worse, on average


def compare_report(outcome: Outcome, rotor: Rotor) -> list[Block]:
    """Return errors and skill by channel and by what moved, calibration, the chart's verdict."""
    title = Heading(f"Predictions for the {rotor.name} against what was read", level=1)
    report: list[Block] = [title, *errors_report(outcome, rotor)]
    if outcome.runs:
        report += [*held(outcome), *chart_verdict(outcome)]
    if outcome.notes:
        report += [Heading("Notes"), Bullets(outcome.notes)]
    return report


def errors_report(outcome: Outcome, rotor: Rotor) -> list[Block]:
    """Return errors and skill by channel, by regime and by what moved."""
    runs = (
        f"{count(outcome.runs, 'run')} of {count(outcome.jobs, 'job')}, each predicted from the "
        "runs before it only."
    )
    if not outcome.runs:
        return [Line(runs)]
    return [
        Line(f"{runs} {_early_in_words(outcome)}"),
        Heading("Over all regimes"),
        overall_table(outcome, rotor),
        Line(
            "rms error: of the difference of two readings as vectors. Skill: how much of the mean "
            "square error of 'no change' is gone. Inside 95 %: how often a reading fell inside the "
            "interval stated for it."
        ),
        Heading("Skill, 95 % intervals from resampled jobs"),
        _skill_table(outcome, rotor),
        Heading("Amplitude and phase: rms error"),
        _parts_table(outcome, rotor),
        Line(
            "Phase errors leave out readings that are lost in scatter. For track the amplitude is "
            "the spread."
        ),
        Heading("By regime: rms error"),
        _by_regime(outcome, rotor),
        *_better_or_worse(outcome),
        *compared_by(outcome),
    ]


def _early_in_words(outcome: Outcome) -> str:
    """Say what the early fit is, and where the log is too short for it to be another."""
    words = (
        f"Early fit: what was known when {count(outcome.early_jobs, 'job')} of the log had begun, "
        "and nothing since"
    )
    table = outcome.predictions
    if not table.empty:
        early, learned = (
            table.loc[table["method"] == m, "error"].to_numpy() for m in ("early fit", "learned")
        )
        if np.array_equal(early, learned):
            words += "; here the same as learned"
    return f"{words}."


def overall_table(outcome: Outcome, rotor: Rotor) -> Table:
    """Return one row for each sensor (and track): rms error by method, skill, coverage."""
    summary = records(outcome.summary)
    rows = []
    for sensor in _sensors(summary, rotor):
        cells = {m: _find(summary, m, sensor, None) for m in METHODS}
        rows.append(
            (
                _channel_name(sensor, rotor),
                *(_error(cells[m], sensor, rotor) for m in METHODS if m != "early fit"),
                share(cells["chart"].get("skill")),
                share(cells["learned"].get("skill")),
                share(cells["learned"].get("coverage")),
            )
        )
    titles = ["rms error", ">No change", ">Chart", ">Learned"]
    return table([*titles, ">Skill chart", ">Skill learned", ">Inside 95 %"], rows)


def _skill_table(outcome: Outcome, rotor: Rotor) -> Table:
    summary = records(outcome.summary)
    rows = []
    for sensor in _sensors(summary, rotor):
        cells = {m: _find(summary, m, sensor, None) for m in METHODS}
        against = cells["learned"]
        rows.append(
            (
                _channel_name(sensor, rotor),
                *(_skill(cells[m], "skill", "skill") for m in METHODS[1:]),
                _skill(against, "skill_against_chart", "against_chart"),
                NOTHING if against.get("jobs") is None else f"{against['jobs']}",
            )
        )
    titles = ["", ">Chart", ">Early fit", ">Learned", ">Learned against chart", ">Jobs"]
    return without_blank_columns(table(titles, rows), ("Chart", "Learned against chart"))


def _parts_table(outcome: Outcome, rotor: Rotor) -> Table:
    summary = records(outcome.summary)
    rows = []
    for sensor in _sensors(summary, rotor):
        cells = [_find(summary, m, sensor, None) for m in ("chart", "early fit", "learned")]
        decimals = _decimals(sensor, rotor)
        rows.append(
            (
                _channel_name(sensor, rotor),
                *(number(c.get("rms_amplitude_error"), decimals) for c in cells),
                *(number(c.get("rms_phase_error_deg"), 0) for c in cells),
            )
        )
    titles = [">Chart", ">Early fit", ">Learned", ">Chart [deg]", ">Early fit [deg]"]
    return without_blank_columns(
        table(["Amplitude, then phase", *titles, ">Learned [deg]"], rows), ("Chart", "Chart [deg]")
    )


def _by_regime(outcome: Outcome, rotor: Rotor) -> Table:
    summary = records(outcome.summary)
    rows: list[tuple[str, ...]] = []
    for sensor in _sensors(summary, rotor):
        rows.append((_channel_name(sensor, rotor), *[""] * 7))
        for regime in rotor.regime_names:
            cells = {m: _find(summary, m, sensor, regime) for m in METHODS}
            if not any(cells.values()):
                continue
            learned = cells["learned"]
            rows.append(
                (
                    f"  {regime}",
                    *(_error(cells[m], sensor, rotor) for m in METHODS),
                    share(learned.get("skill")),
                    share(learned.get("coverage")),
                    NOTHING if learned.get("runs") is None else f"{learned['runs']}",
                )
            )
    titles = ["Regime", ">No change", ">Chart", ">Early fit", ">Learned"]
    return table([*titles, ">Skill learned", ">Inside 95 %", ">Runs"], rows)


def _better_or_worse(outcome: Outcome) -> list[Block]:
    """Say in how many channels what was learned is better than the chart, or worse."""
    told = [
        r
        for r in records(outcome.summary)
        if r["method"] == "learned" and r["regime"] is not None and r["adjusted_p"] is not None
    ]
    if not told:
        return []
    clear = [r for r in told if r["adjusted_p"] <= _FALSE]
    better = sum(r["skill_against_chart"] > 0 for r in clear)
    worse = [r for r in clear if r["skill_against_chart"] < 0]
    text = (
        f"Against the chart, learned coefficients are clearly better in {better or 'none'} of "
        f"{count(len(told), 'channel')} and clearly worse in {len(worse) or 'none'} (on average at "
        "most 1 in 20 of such statements is wrong)."
    )
    if worse:
        names = [f"{r['sensor'] or 'track'} in {r['regime']}" for r in worse]
        text += f" Worse: {'; '.join(names)}."
    return [Line(text)]


def _sensors(summary: Sequence[Record], rotor: Rotor) -> Iterable[str | None]:
    present = {r["sensor"] for r in summary}
    yield from (s.name for s in rotor.sensors if s.name in present)
    if None in present:
        yield None


def _find(summary: Sequence[Record], method: str, sensor: str | None, regime: str | None) -> Record:
    wanted = (method, sensor, regime)
    return next((r for r in summary if (r["method"], r["sensor"], r["regime"]) == wanted), {})


def _error(row: Record, sensor: str | None, rotor: Rotor) -> str:
    return number(row.get("rms_error"), _decimals(sensor, rotor))


def _decimals(sensor: str | None, rotor: Rotor) -> int:
    if sensor is None:
        return track_decimals(rotor.track_unit)
    return vibration_decimals(rotor.sensor(sensor).unit)


def _skill(row: Record, name: str, limits: str) -> str:
    return share_between(row.get(name), row.get(f"{limits}_low"), row.get(f"{limits}_high"))


def _channel_name(sensor: str | None, rotor: Rotor) -> str:
    if sensor is None:
        return f"track [{rotor.track_unit}]"
    return f"{sensor} [{rotor.sensor(sensor).unit}]"
