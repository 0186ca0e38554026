"""The chart's verdict: where it promises too much or too little, early or late, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from adapt.outcomes.outcome import Outcome
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.records import Record, records
from adapt.reports.wording import NOTHING, joined, number

__all__ = ["chart_verdict", "findings"]

_OTHER_WAY = 150.0  # deg: beyond, early and late are the same to a person


def chart_verdict(outcome: Outcome) -> list[Block]:
    """Return the sentences, and the table that they come from."""
    said = findings(outcome)
    report: list[Block] = [
        Heading("Where the chart is wrong"),
        Bullets(said) if said else Line("Nowhere clearly, with the runs that there are."),
    ]
    if len(outcome.chart_fit):
        report += [
            Heading("The chart's gain and turn, 95 % intervals"),
            _fit(outcome),
            Line(
                "Gain = real effect over the chart's; a positive turn lags the chart [deg]. "
                "Intervals allow for the number of channels looked at. Rotors: how many of those "
                "whose own moves can tell are nearer to this gain and turn than to the chart."
            ),
        ]
    return report


def findings(outcome: Outcome, most: int = 8) -> tuple[str, ...]:
    """Return a sentence for each adjuster and sensor whose chart is clearly off, largest first."""
    fit = records(outcome.chart_fit)
    if any(r["adjuster"] is not None for r in fit):
        fit = [r for r in fit if r["adjuster"] is not None]
    said = []
    for (sensor, adjuster), rows in _grouped(fit).items():
        parts, size, clear = _clear(rows, sensor)
        if parts:
            what = "All moves together" if adjuster is None else _first_upper(adjuster)
            words = f"{what} on {sensor or 'track'}: the chart {'; it '.join(parts)}"
            said.append((size, f"{words}{_agreement(clear)}."))
    said.sort(key=lambda pair: -pair[0])
    texts = [text for _, text in said[:most]]
    if len(said) > most:
        texts.append(f"{len(said) - most} more in the table.")
    return tuple(texts)


def _clear(rows: Sequence[Record], sensor: str | None) -> tuple[list[str], float, list[Record]]:
    """Return what is clear in one adjuster's rows of one sensor, how large it is, and which rows.

    Clear: the interval leaves out a gain of 1, or a turn of 0. The size is the largest vector
    error against the chart's effect, gain and turn each by itself. A gain of no more than 0 (of
    track) promises no share more or less: there is no such effect, or it has the other sign.
    """
    shown_by = "the track shows" if sensor is None else "the sensor shows"
    parts: list[str] = []
    clear: list[Record] = []
    size = 0.0
    low = [r for r in rows if r["gain_high"] is not None and r["gain_high"] < 1.0]
    less = [r for r in low if r["gain"] > 0.0]
    lost = [r for r in low if r["gain"] <= 0.0 <= r["gain_high"]]
    opposite = [r for r in low if r["gain_high"] < 0.0]
    for group, words in (
        (opposite, f"promises the opposite of what {shown_by}"),
        (lost, f"promises much more than {shown_by}"),
    ):
        if group:
            parts.append(f"{words} {_regimes(group, rows)}")
            size = max(size, *(abs(r["gain"] - 1.0) for r in group))
            clear += group
    more = [r for r in rows if r["gain_low"] is not None and r["gain_low"] > 1.0]
    for group, word in ((less, "more"), (more, "less")):
        if group:
            off = sorted(abs(100.0 * (1.0 / r["gain"] - 1.0)) for r in group)
            span = _span([f"{x:.0f}" for x in off])
            parts.append(f"promises {span} % {word} than {shown_by} {_regimes(group, rows)}")
            size = max(size, *(abs(r["gain"] - 1.0) for r in group))
            clear += group
    late = [r for r in rows if r["rotation_low"] is not None and r["rotation_low"] > 0.0]
    early = [r for r in rows if r["rotation_high"] is not None and r["rotation_high"] < 0.0]
    other = [r for r in (*late, *early) if abs(r["rotation_deg"]) > _OTHER_WAY]
    late, early = ([r for r in group if r not in other] for group in (late, early))
    for group, word in ((late, "early"), (early, "late"), (other, "off: it points the other way")):
        if group:
            turns = sorted(abs(r["rotation_deg"]) for r in group)
            span = _span([f"{turn:.0f}" for turn in turns])
            parts.append(f"is {span} deg {word} {_regimes(group, rows)}")
            size = max(size, 2.0 * math.sin(math.radians(turns[-1]) / 2.0))
            clear += group
    return parts, size, clear


def _agreement(clear: Sequence[Record]) -> str:
    """Say how many rotors agree, in the regime in which most can tell."""
    told = [r for r in clear if r.get("rotors")]
    if not told:
        return ""
    best = max(told, key=lambda r: r["rotors"])
    return f" ({best['rotors_agree']} of {best['rotors']} rotors that can tell agree)"


def _fit(outcome: Outcome) -> Table:
    rows: list[tuple[str, ...]] = []
    for (sensor, adjuster), group in _grouped(records(outcome.chart_fit)).items():
        rows.append((f"{sensor or 'track'}, {adjuster or 'all moves'}", *[""] * 6))
        rows += [
            (
                f"  {r['regime'] or 'all regimes'}",
                number(r["gain"]),
                _interval(r["gain_low"], r["gain_high"], 2),
                NOTHING if r["rotation_deg"] is None else f"{round(r['rotation_deg']):+d}",
                _interval(r["rotation_low"], r["rotation_high"], 0),
                NOTHING if r.get("pairs") is None else f"{r['pairs']:.0f}",
                f"{r['rotors_agree']} of {r['rotors']}" if r.get("rotors") else NOTHING,
            )
            for r in group
        ]
    titles = ["Regime", ">Gain", ">from, to", ">Turn", ">from, to", ">Pairs", ">Rotors"]
    return table(titles, rows)


def _span(texts: Sequence[str]) -> str:
    return texts[0] if texts[0] == texts[-1] else f"{texts[0]} to {texts[-1]}"


def _regimes(group: Sequence[Record], rows: Sequence[Record]) -> str:
    if len(group) == len(rows) > 1:
        return "in every regime"
    return f"in {joined([r['regime'] or 'all regimes' for r in group])}"


def _grouped(fit: Sequence[Record]) -> dict[tuple[str | None, str | None], list[Record]]:
    groups: dict[tuple[str | None, str | None], list[Record]] = {}
    for r in fit:
        groups.setdefault((r["sensor"], r["adjuster"]), []).append(r)
    return groups


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None or high is None:
        return NOTHING
    return f"{low:.{decimals}f}, {high:.{decimals}f}"


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]
