"""Paper charts read in: what they say, how well their points agree, and which one does not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from adapt.balancing.paper.fitting import EXPECTED_SHARE, ChartFit, amounts_said
from adapt.balancing.paper.from_paper import FromPaper, PaperFit
from adapt.balancing.paper.wrong_points import DoubtedPoint
from adapt.reports.cautions import SHORT
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, Tone, table
from adapt.reports.wording import (
    NOTHING,
    amplitude_at_clock,
    count,
    joined,
    own_phase_deg,
    sure_digits,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["from_paper_document", "from_paper_report"]


def from_paper_report(read: FromPaper, rotor: Rotor, written: str | None) -> list[Block]:
    """Return the report. written: the file that the chart was written to."""
    report: list[Block] = [Heading(f"Paper charts of the {rotor.name}", 1)]
    for paper in read.fits:
        report += _one_chart(paper, rotor)
    if read.chart is None:
        report.append(Line("No chart was made: settle what is said above first.", "bad"))
    else:
        whole = "Spread of each effect: that of rotors about their chart (25 %) and of reading it."
        report.append(Line(whole if written is None else f"{whole} Written to {written}."))
        lacking = _lacking(read, rotor)
        if lacking:
            report += [Line("Not in it, and needed for a plan:"), Bullets(tuple(lacking))]
    report += [Heading("Cautions"), Bullets(SHORT)]
    return report


def _one_chart(paper: PaperFit, rotor: Rotor) -> list[Block]:
    fit = paper.fit
    points = count(len(paper.whole.chart.points), "point")
    title = f"{fit.chart.sensor} in {fit.chart.regime}: {points}"
    return [
        Heading(title[:1].upper() + title[1:]),
        _effects(fit, rotor),
        _points(paper, rotor),
        _agreement(fit, paper.held_back is not None),
        *_doubts(paper),
    ]


def _effects(fit: ChartFit, rotor: Rotor) -> Table:
    sensor = rotor.sensor(fit.chart.sensor)
    decimals = vibration_decimals(sensor.unit) + 2
    rows = []
    for name, effect, sd in zip(fit.adjusters, fit.effects, fit.sd, strict=True):
        share = float(sd / abs(effect)) if effect else math.inf
        rows.append(
            (
                name,
                f"1 {rotor.adjuster(name).unit}",
                amplitude_at_clock(effect, sensor.phase, decimals),
                f"{100 * share:.1f} %",
                f"{math.degrees(share):.1f}",
            )
        )
    what = f">Effect on the first blade [{sensor.unit}]"
    return table(["Adjuster", ">Of", what, ">± amplitude", ">± deg"], rows)


def _points(paper: PaperFit, rotor: Rotor) -> Table:
    chart, eqs = paper.whole.chart, paper.whole.equations
    sensor = rotor.sensor(chart.sensor)
    said = amounts_said(eqs, paper.fit.effects)
    titles = ["Point", f">Reading [{sensor.unit}]"]
    for blade, adjuster in eqs.axes:
        unit = rotor.adjuster(adjuster).unit
        titles += [f">{blade} {adjuster} [{unit}]", ">fitted"]
    rows = []
    tones: list[Tone] = []
    for i, point in enumerate(chart.points):
        held = point.name == paper.held_back
        tones.append("bad" if held else "plain")
        row = [
            f"{point.name} held back" if held else point.name,
            amplitude_at_clock(point.reading, sensor.phase, vibration_decimals(sensor.unit)),
        ]
        for j, (_, adjuster) in enumerate(eqs.axes):
            read = bool(eqs.read[i, j])
            digits = sure_digits(rotor.adjuster(adjuster).step) + 1
            row += (
                [f"{eqs.amounts[i, j]:+.{digits}f}", f"{said[i, j]:+.{digits}f}"]
                if read
                else [NOTHING] * 2
            )
        rows.append(row)
    return table(titles, rows, tones)


def _agreement(fit: ChartFit, others: bool) -> Line:
    if fit.share_of_points is None:
        return Line(
            "Nothing checks these points: as many as there are unknowns. Plot one more, about a "
            "quarter turn from the others."
        )
    return Line(
        f"The {'other ' if others else ''}points agree {fit.agreement}: they scatter by "
        f"{100 * fit.share_of_points:.1f} % of full scale (a ruler on a chart gives about "
        f"{100 * EXPECTED_SHARE:.0f} %).",
        "bad" if fit.agreement == "badly" else "plain",
    )


def _doubts(paper: PaperFit) -> list[Block]:
    if paper.mirrored:
        return [
            Line(
                "These points go together only when the chart is read in a mirror: either the "
                "blades pass in the other order than in the rotor file, or the chart's clock runs "
                "the other way round than the sensor's. Look at the direction of rotation and at "
                "lead or lag before anything else.",
                "bad",
            )
        ]
    if not paper.doubted and paper.fit.agreement == "badly":
        return [
            Line(
                "Which of them is wrong cannot be told: read them off the chart again, plot more, "
                "and see that all come from the chart of this sensor and regime.",
                "bad",
            )
        ]
    if not paper.doubted:
        return []
    if paper.held_back is None:
        names = joined([d.point for d in paper.doubted])
        lines = [
            f"Points {names} do not go with the others, or one of them does not. Read them off "
            "the chart again, or plot one more."
        ]
    else:
        doubt = paper.doubted[0]
        lines = [
            f"Point {doubt.point} does not go with the others (a right one is so far off in "
            f"{_odds(doubt)}); it is held back. Read it off the chart again."
        ]
    slips = [
        f"Point {d.point} would fit: {e.text}." for d in paper.doubted for e in d.explanations[:3]
    ]
    return [Line(lines[0], "bad"), *([Bullets(tuple(slips))] if slips else [])]


def _odds(doubt: DoubtedPoint) -> str:
    if doubt.probability < 1e-4:
        return "fewer than 1 in 10,000 cases"
    return f"about 1 in {round(1 / doubt.probability):,} cases"


def _lacking(read: FromPaper, rotor: Rotor) -> list[str]:
    """Return what the chart lacks for readings that have a limit, in words."""
    assert read.chart is not None
    lacks: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for i, (sensor, regime) in enumerate(rotor.channels):
        without = tuple(
            name
            for name, value in zip(rotor.adjuster_names, read.chart.mean[i], strict=True)
            if np.isnan(value)
        )
        if without and rotor.limit_for(sensor, regime) is not None:
            lacks.setdefault((without, sensor), []).append(regime)
    said = [f"{joined(a)} on {s} in {joined(regimes)}" for (a, s), regimes in lacks.items()]
    if any(limit.sensor is None for limit in rotor.limits) and not read.chart.track_mean.any():
        said.append("what moves the track: rows without a sensor; without them nothing does")
    return said


def from_paper_document(read: FromPaper, rotor: Rotor) -> dict[str, Any]:
    """Return the document: one entry of "charts" for each paper chart; "usable".

    Phases are in the sensor's own convention; real and imag are lag; sd is that of reading the
    chart, per component; scatter is a share of full scale.
    """
    return {
        "usable": read.chart is not None,
        "charts": [_chart_document(paper, rotor) for paper in read.fits],
        "lacking": [] if read.chart is None else _lacking(read, rotor),
    }


def _chart_document(paper: PaperFit, rotor: Rotor) -> dict[str, Any]:
    fit = paper.fit
    sensor = rotor.sensor(fit.chart.sensor)
    eqs = paper.whole.equations
    said = amounts_said(eqs, fit.effects)
    return {
        "sensor": fit.chart.sensor,
        "regime": fit.chart.regime,
        "effects": [
            {
                "adjuster": name,
                "amplitude": abs(effect),
                "phase_deg": own_phase_deg(effect, sensor.phase),
                "real": effect.real,
                "imag": effect.imag,
                "sd": sd,
            }
            for name, effect, sd in zip(fit.adjusters, fit.effects, fit.sd, strict=True)
        ],
        "points": [
            {
                "point": point.name,
                "amounts": [
                    {
                        "blade": blade,
                        "adjuster": adjuster,
                        "amount": eqs.amounts[i, j],
                        "fitted": said[i, j],
                    }
                    for j, (blade, adjuster) in enumerate(eqs.axes)
                    if eqs.read[i, j]
                ],
            }
            for i, point in enumerate(paper.whole.chart.points)
        ],
        "scatter": fit.share_of_points,
        "spare_equations": fit.spare,
        "mirrored": paper.mirrored,
        "held_back": paper.held_back,
        "doubted": [
            {
                "point": d.point,
                "row": d.row,
                "probability": d.probability,
                "alone": d.alone,
                "explanations": [
                    {"text": e.text, "probability": e.probability} for e in d.explanations
                ],
            }
            for d in paper.doubted
        ],
    }
