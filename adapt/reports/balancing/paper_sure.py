"""What a paper chart rests on, in sentences: effects, an example, what taught it, until when."""

from __future__ import annotations

import math
from collections.abc import Iterable

from adapt.balancing.paper.page import Page
from adapt.coefficients import Coefficients
from adapt.phasor import clock_text
from adapt.reports.balancing.paper_parts import Part, axis_text, reading_text, short
from adapt.reports.learning.effect_cells import amount_text, readable_amount
from adapt.reports.learning.health import health_sentence
from adapt.reports.wording import count, joined, sure_digits, vibration_decimals
from adapt.rotor import Adjuster, Rotor

__all__ = ["effects", "inspect", "validity", "worked"]

MOST_JOBS = 6
MOST_FINDINGS = 2


def inspect(page: Page, coefficients: Coefficients) -> Iterable[Part]:
    """Yield what was found of the rotor's health, before anything else."""
    found = [row for row in coefficients.health if row["rotor"] == page.axes.serial]
    if page.axes.serial is not None and found:
        told = "; ".join(short(health_sentence(row), 200) for row in found[:MOST_FINDINGS])
        yield Part("Inspect before you correct", (f"{told}.",), urgent=True)


def effects(page: Page, rotor: Rotor, coefficients: Coefficients) -> Part:
    """Return what one amount of each axis does, and how well that is known."""
    unit = rotor.sensor(page.axes.sensor).unit
    rows: list[tuple[str, ...]] = [("Effect of", f"{unit} @ clock", "known to")]
    for axis, known in zip(page.axes.pair, page.known, strict=True):
        adjuster = rotor.adjuster(axis.adjuster)
        per = readable_amount(coefficients, adjuster)
        amount = amount_text(per, adjuster)
        one = amount if per != 1 else f"1 {adjuster.unit}"
        rows.append(
            (
                f"{short(one, 24)} {axis_text(axis)}",
                f"{_three(per * known.amplitude)} @ {clock_text(known.phase_deg)}",
                f"±{_up(known.percent)} %, ±{_up(known.degrees)} deg",
            )
        )
    angle = page.axes.angle_deg
    return Part(
        "What one amount does",
        (
            "Known to: half of the 95 % interval. The two axes stand "
            f"{round(angle)} deg from parallel (90 is square).",
        ),
        rows=tuple(rows),
    )


def worked(page: Page, rotor: Rotor) -> Part:
    """Return the worked example in words."""
    example, axes = page.example, page.axes
    sensor = rotor.sensor(axes.sensor)
    digits = vibration_decimals(sensor.unit)
    whose = "" if page.asked else " (invented, not yours)"
    exact = [
        f"{_signed(x, rotor.adjuster(a.adjuster))} {short(rotor.adjuster(a.adjuster).unit)}"
        for x, a in zip(example.exact, axes.pair, strict=True)
    ]
    steps = [
        f"{_signed(x, rotor.adjuster(a.adjuster), whole=True)} "
        f"{short(rotor.adjuster(a.adjuster).unit)} {axis_text(a)}"
        for x, a in zip(example.rounded, axes.pair, strict=True)
    ]
    sentences = [
        f"Reading {reading_text(example.reading, sensor.unit)}{whose}. The solid lines say "
        f"{exact[0]}, the dashed lines {exact[1]}. In whole steps: {joined(steps)}.",
        f"Predicted to be left: {reading_text(example.left, sensor.unit)}, give or take "
        f"{example.within:.{digits}f} {sensor.unit} (95 in 100) for how well the effects are known."
        + (
            ""
            if math.isnan(example.reach)
            else f" With the usual scatter of readings, 95 in 100 next readings are under "
            f"{example.reach:.{digits}f} {sensor.unit}."
        ),
    ]
    if example.beyond:
        over = joined([axis_text(axes.pair[k]) for k in example.beyond])
        sentences.append(f"More than one move may be or a blade may carry: {over}.")
    return Part("Worked example", tuple(sentences))


def validity(page: Page, coefficients: Coefficients) -> Part:
    """Return whose chart it is, which pairs taught it, and until when it holds."""
    axes, taught = page.axes, page.taught
    of_type = axes.serial is None
    whose = "all rotors of the type together" if of_type else "this rotor"
    start = joined(
        [
            *(["the paper chart"] if coefficients.chart is not None else []),
            *(["the rotors of its type"] if not of_type else []),
        ]
    )
    names = dict(zip((a.adjuster for a in axes.pair), taught.pairs, strict=True))
    pairs = joined([f"{short(name)} {count(n, 'pair')}" for name, n in names.items()])
    sentences = [
        f"Valid for {short(axes.serial)} alone, read by {short(axes.sensor)} in "
        f"{short(axes.regime)}, with sensor and phase reference as they were."
        if axes.serial is not None
        else "Valid for any rotor of the type that has no chart of its own; how rotors differ "
        "stands in 'known to'."
    ]
    if any(names.values()):
        beside = f", beside {start}" if start else ""
        sentences.append(f"Taught by pairs of runs of {whose}: {pairs}{beside}.")
    else:
        rests = f"it rests on {start}" if start else "what taught it is not known"
        sentences.append(f"No pair of runs of {whose} taught it: {rests}.")
    if taught.jobs:
        shown = list(map(short, taught.jobs[-MOST_JOBS:]))
        more = len(taught.jobs) - len(shown)
        listed = joined(shown) if not more else f"{', '.join(shown)} and {more} before them"
        sentences.append(
            f"In this log {count(len(taught.listed), 'pair')}, jobs {listed}{_dates(page)}."
        )
    moved = [
        row
        for row in coefficients.references
        if row["rotor"] == axes.serial and row["sensor"] in (None, axes.sensor)
    ]
    if axes.serial is not None and moved:
        last = moved[-1]
        run, job = short(str(last["after_run"])), short(str(last["job"]))
        sentences.append(f"As it reads since the reference or sensor moved, run {run} of {job}.")
    sentences.append(
        "After any event (blade, damper or hub part changed, phase reference or sensor moved) draw "
        "a new one. Draw a new one, too, when jobs were added to the log."
    )
    return Part("Valid for, taught by", tuple(sentences))


def _dates(page: Page) -> str:
    first, last = page.taught.first, page.taught.last
    if first is None or last is None:
        return ""
    days = [f"{t:%Y-%m-%d}" for t in (first, last)]
    return f", {days[0]}" if days[0] == days[1] else f", {days[0]} to {days[1]}"


def _signed(amount: float, adjuster: Adjuster, whole: bool = False) -> str:
    """Return an amount in whole steps, or as it is read between lines: to a tenth of a step."""
    finer = 0 if whole or adjuster.step >= 10 else 1
    digits = sure_digits(adjuster.step) + finer
    return f"{round(amount, digits) + 0.0:+.{digits}f}".replace("-", "−")


def _three(value: float) -> str:
    """Return a number to three significant digits, never as a power of ten where it is usual."""
    return f"{value:.3g}" if value >= 1e-4 else f"{value:.2e}"


def _up(value: float) -> str:
    """Return a half interval rounded up: never shown as shorter than it is."""
    return f"{math.ceil(value - 1e-9)}"
