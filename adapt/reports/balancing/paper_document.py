"""The numbers of a paper chart for scripts, and the short report of having drawn it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from adapt.balancing.paper.page import Page
from adapt.phasor import clock_text, phase_deg, to_lag
from adapt.reports.balancing.paper_parts import reading_text
from adapt.reports.cautions import SHORT
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.wording import count, joined, signed, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["paper_document", "paper_report"]


def paper_document(page: Page, rotor: Rotor, output: str, made: str) -> dict[str, Any]:
    """Return a page's numbers: axes, unit effects, the worked example, how sure, what taught.

    phase_deg: the sensor's own convention; real, imag: lag; sd: per component. line_every: the
    amount between two lines.
    """
    axes, example, taught = page.axes, page.example, page.taught
    sensor = rotor.sensor(axes.sensor)

    def reading(value: complex) -> dict[str, float]:
        lag = complex(to_lag(value, sensor.phase))
        return {
            "amplitude": abs(value), "phase_deg": float(phase_deg(value)), "real": lag.real,
            "imag": lag.imag,
        }  # fmt: skip

    listed = []
    for k, (axis, known) in enumerate(zip(axes.pair, page.known, strict=True)):
        drawn = sorted(line.amount for line in page.lines if line.axis == k and line.amount >= 0)
        listed.append(
            {
                "blade": axis.blade,
                "adjuster": axis.adjuster,
                "unit": rotor.adjuster(axis.adjuster).unit,
                "line_every": drawn[1],
                "effect": {
                    **reading(complex(axes.effects[k])),
                    "sd": float((axes.cov[k, k].real / 2.0) ** 0.5),
                    "amplitude_within_percent": known.percent,
                    "phase_within_deg": known.degrees,
                },
                "amount": example.rounded[k],
                "amount_read": example.exact[k],
                "pairs": taught.pairs[k],
            }
        )
    return {
        "rotor": axes.serial,
        "design": rotor.name,
        "sensor": axes.sensor,
        "regime": axes.regime,
        "unit": sensor.unit,
        "order": sensor.order,
        "phase": sensor.phase,
        "made": made,
        "output": output,
        "paper": page.paper,
        "full_scale": page.full_scale,
        "limit": page.limit,
        "axes": listed,
        "angle_deg": axes.angle_deg,
        "example": {
            "given": page.asked,
            "reading": reading(example.reading),
            "left": reading(example.left),
            "effect_sd": example.effect_sd,
            "effect_within": example.within,
            "next_sd": example.next_sd,
            "next_under": example.reach,
            "more_than_one_move": [
                {"blade": axes.pair[k].blade, "adjuster": axes.pair[k].adjuster}
                for k in example.beyond
            ],
        },
        "taught": {
            "pairs": [{"job": job, "after_run": run} for job, run in taught.listed],
            "first": taught.first,
            "last": taught.last,
        },
    }


def paper_report(
    page: Page, rotor: Rotor, output: str, inspect: tuple[Mapping[str, Any], ...] = ()
) -> list[Block]:
    """Return the report of a chart that was drawn. inspect: findings of health of its rotor."""
    axes, example = page.axes, page.example
    sensor = rotor.sensor(axes.sensor)
    digits = vibration_decimals(sensor.unit)
    who = "any rotor of the type" if axes.serial is None else axes.serial
    rows = []
    for k, (axis, known) in enumerate(zip(axes.pair, page.known, strict=True)):
        adjuster = rotor.adjuster(axis.adjuster)
        rows.append(
            (
                str(axis),
                f"{known.amplitude:.3g} @ {clock_text(known.phase_deg):>5}",
                f"±{known.percent:.0f} %, ±{known.degrees:.0f} deg",
                str(page.taught.pairs[k]),
                f"{signed(example.rounded[k], adjuster.step)} {adjuster.unit}",
            )
        )
    reading = reading_text(example.reading, sensor.unit)
    left = reading_text(example.left, sensor.unit)
    blocks: list[Block] = [
        Heading(f"Correction chart of the {rotor.name}, {who}", level=1),
        Line(f"{axes.sensor} in {axes.regime} [{sensor.unit}], written to {output}."),
    ]
    if inspect:
        blocks.append(
            Line("This rotor does not answer as it did: inspect before you correct.", tone="bad")
        )
    blocks.append(table(["Axis", ">One unit does", ">Known to", ">Pairs", ">Example"], rows))
    blocks.append(
        Line(
            f"Example: {reading}, predicted to leave {left}; 95 in 100 next readings "
            f"under {example.reach:.{digits}f} {sensor.unit}."
            if example.reach == example.reach
            else f"Example: {reading}, predicted to leave {left}."
        )
    )
    if example.beyond:
        over = joined([str(axes.pair[k]) for k in example.beyond])
        blocks.append(Line(f"More than one move may be or a blade may carry: {over}.", tone="bad"))
    if page.taught.jobs:
        pairs = count(len(page.taught.listed), "pair")
        blocks.append(
            Line(f"Taught by {pairs} of this log in {count(len(page.taught.jobs), 'job')}.")
        )
    else:
        blocks.append(Line("No pair of this log taught these effects.", tone="bad"))
    blocks.append(Line("After any event on the rotor or its sensors draw a new one."))
    blocks.append(Bullets(SHORT))
    return blocks
