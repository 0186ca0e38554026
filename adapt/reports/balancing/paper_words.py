"""The words of a paper chart: title, keys, how to use it, the example, how sure it is, until when.

Sentences from the values of a page; where they stand and how they are drawn lives in `paper_page`.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from adapt.balancing.paper.axes import Axis, adds_weight
from adapt.balancing.paper.minus import instead_of_minus
from adapt.balancing.paper.page import Page
from adapt.coefficients import Coefficients
from adapt.phasor import clock_text, phase_deg
from adapt.reports.cautions import SHORT, hardware_of
from adapt.reports.learning.effect_cells import amount_text, readable_amount
from adapt.reports.learning.health import health_sentence
from adapt.reports.wording import count, joined, sure_digits, vibration_decimals
from adapt.rotor import Adjuster, Rotor

__all__ = ["Part", "Words", "reading_text", "short", "words_of"]

LONGEST_NAME = 36
MOST_JOBS = 6
MOST_FINDINGS = 2


@dataclass(frozen=True)
class Part:
    """A heading, sentences under it, and rows of cells before them (the first row is the head)."""

    heading: str
    sentences: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...] = ()
    numbered: bool = False
    urgent: bool = False


@dataclass(frozen=True)
class Words:
    """All words of a page.

    title, under: the head. solid, dashed, ring, clock: the keys beside the circle. left, right: the
    parts under it. cautions, sign: the foot.
    """

    title: str
    under: tuple[str, ...]
    solid: tuple[str, ...]
    dashed: tuple[str, ...]
    ring: tuple[str, ...]
    clock: tuple[str, ...]
    left: tuple[Part, ...]
    right: tuple[Part, ...]
    cautions: tuple[str, ...]
    sign: tuple[str, ...]


def words_of(page: Page, rotor: Rotor, coefficients: Coefficients, made: str) -> Words:
    """Return the words of a page. made: when it was drawn, as it is to stand there."""
    axes = page.axes
    sensor = rotor.sensor(axes.sensor)
    who = "any rotor of the type" if axes.serial is None else short(axes.serial)
    order = "" if sensor.order == 1 else f", order {sensor.order}"
    return Words(
        title=f"Correction chart: {short(rotor.name)}, {who}",
        under=(
            f"{short(axes.sensor)} in {short(axes.regime)}, {sensor.unit} peak{order}, "
            f"at {_rpm(rotor, axes.regime):g} rpm. Drawn {made}.",
        ),
        solid=("SOLID LINES", *_axis_key(axes.pair[0], rotor)),
        dashed=("DASHED LINES", *_axis_key(axes.pair[1], rotor)),
        ring=_ring_key(page, sensor.unit),
        clock=_clock_key(page, sensor.phase, sensor.order),
        left=(
            *_inspect(page, coefficients),
            _how_to_use(page, rotor),
            _plus_and_minus(page, rotor),
            _effects(page, rotor, coefficients),
        ),
        right=(_worked(page, rotor), _validity(page, coefficients)),
        cautions=SHORT,
        sign=("Name", "Signature", "Date"),
    )


def reading_text(value: complex, unit: str) -> str:
    """Return a reading of the sensor's own convention in words.

    >>> reading_text(0.25j, "ips")
    '0.250 ips @ 3:00'
    """
    digits = vibration_decimals(unit)
    return f"{abs(value):.{digits}f} {unit} @ {clock_text(float(phase_deg(value)))}"


def short(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name as it fits on the page: on one line, its middle left out where it is long.

    >>> short("cabin lateral"), short("a" * 40, 12)
    ('cabin lateral', 'aaaaaaa...aa')
    """
    plain = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in name)
    if len(plain) <= longest:
        return plain
    tail = longest // 5
    return f"{plain[: longest - tail - 3]}...{plain[len(plain) - tail :]}"


def _axis(axis: Axis) -> str:
    return f"{short(axis.adjuster)} on blade {short(axis.blade)}"


def _axis_key(axis: Axis, rotor: Rotor) -> tuple[str, ...]:
    adjuster = rotor.adjuster(axis.adjuster)
    return short(adjuster.name), f"on blade {short(axis.blade)}", f"in {short(adjuster.unit)}"


def _ring_key(page: Page, unit: str) -> tuple[str, ...]:
    step = page.rings[0].amplitude
    told = [f"Rings every {step:g} {unit}", f"Rim {page.full_scale:g} {unit}"]
    if page.limit is None:
        return ("NO LIMIT RING", "no limit in the rotor file here", *told)
    beyond = " (outside the rim)" if page.limit > page.full_scale else ""
    of_set = "" if page.limit_set is None else f", {short(page.limit_set)}"
    return ("DOUBLE RING", f"limit {page.limit:g} {unit}{of_set}{beyond}", *told)


def _clock_key(page: Page, phase: str, order: int) -> tuple[str, ...]:
    sense = "after" if phase == "lag" else "before"
    turn = "" if order == 1 else f"; 12 hours are 1/{order} turn"
    return (
        "CLOCK ANGLE",
        "as this instrument shows it",
        f"(peak {sense} the reference){turn}",
        "short ticks: 10 minutes",
        "cross, arrows: the example",
    )


def _how_to_use(page: Page, rotor: Rotor) -> Part:
    axes = page.axes
    steps = [
        f"{rotor.adjuster(a.adjuster).step:g} {short(rotor.adjuster(a.adjuster).unit)}"
        for a in axes.pair
    ]
    each = " and ".join(dict.fromkeys(steps))
    inside = "" if page.limit is None else " Inside the double ring it is within its limit."
    return Part(
        "How to use it",
        (
            f"Read {short(axes.sensor)} in {short(axes.regime)} as the maintenance manual says; "
            "write down amplitude and clock angle.",
            f"Mark the reading: at its clock angle, as far out as its amplitude.{inside}",
            f"Between the nearest solid lines read the amount for {_axis(axes.pair[0])}, between "
            f"the nearest dashed lines that for {_axis(axes.pair[1])}. Round each to whole steps "
            f"of {each}.",
            "Make both corrections, record them, do the checks that they call for, and read again.",
            "If the next reading is not where this chart leads you to expect, do not correct "
            "again: stop and inspect.",
        ),
        numbered=True,
    )


def _plus_and_minus(page: Page, rotor: Rotor) -> Part:
    sentences: list[str] = []
    order = rotor.sensor(page.axes.sensor).order
    for name in dict.fromkeys(axis.adjuster for axis in page.axes.pair):
        adjuster = rotor.adjuster(name)
        sentences.append(f"{_capital(short(name))}: plus is {_plus(adjuster)}, {_minus(adjuster)}.")
        for axis in page.axes.pair:
            instead = instead_of_minus(rotor, axis, order)
            if axis.adjuster == name and adds_weight(adjuster) and instead is not None:
                blades = [short(b) for b in instead.blades]
                where = (
                    f"blade {blades[0]}" if len(blades) == 1 else f"each of blades {joined(blades)}"
                )
                alike = abs(instead.factor - 1.0) < 1e-6
                much = "that amount" if alike else f"{instead.factor:.3g} times that amount"
                sentences.append(
                    f"Minus on blade {short(axis.blade)} is, for this reading, the same as plus "
                    f"{much} on {where}."
                )
        if rotor.has_track and not adds_weight(adjuster):
            sentences.append("It moves the track, too: read that again, and keep it in its limits.")
        sentences.append(_most(adjuster))
    return Part("Plus and minus", tuple(sentences))


def _plus(adjuster: Adjuster) -> str:
    if adjuster.positive is not None and adjuster.positive.casefold() != "add":
        return f"'{short(adjuster.positive, 60)}'"
    if adds_weight(adjuster):
        return "add weight"
    told = hardware_of(adjuster).plus.replace("{}", "").strip()
    return f"'{told}'" if told else "the positive sense of the rotor file"


def _minus(adjuster: Adjuster) -> str:
    if adds_weight(adjuster):
        return "minus take weight off"
    lower = " (blade flies lower)" if "lower" in hardware_of(adjuster).minus else ""
    return f"minus the opposite{lower}"


def _most(adjuster: Adjuster) -> str:
    unit = short(adjuster.unit)
    low, high = adjuster.fitted_range
    move = (
        ""
        if adjuster.largest_move is None
        else f"one move at most {adjuster.largest_move:g} {unit}, "
    )
    return _capital(f"{move}on a blade in all {low:g} to {high:g} {unit}.")


def _worked(page: Page, rotor: Rotor) -> Part:
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
        f"{short(rotor.adjuster(a.adjuster).unit)} {_axis(a)}"
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
        over = joined([_axis(axes.pair[k]) for k in example.beyond])
        sentences.append(f"More than one move may be or a blade may carry: {over}.")
    return Part("Worked example", tuple(sentences))


def _inspect(page: Page, coefficients: Coefficients) -> Iterable[Part]:
    """Yield what was found of the rotor's health, before anything else."""
    found = [row for row in coefficients.health if row["rotor"] == page.axes.serial]
    if page.axes.serial is not None and found:
        told = "; ".join(short(health_sentence(row), 200) for row in found[:MOST_FINDINGS])
        yield Part("Inspect before you correct", (f"{told}.",), urgent=True)


def _effects(page: Page, rotor: Rotor, coefficients: Coefficients) -> Part:
    unit = rotor.sensor(page.axes.sensor).unit
    rows: list[tuple[str, ...]] = [("Effect of", f"{unit} @ clock", "known to")]
    for axis, known in zip(page.axes.pair, page.known, strict=True):
        adjuster = rotor.adjuster(axis.adjuster)
        per = readable_amount(coefficients, adjuster)
        amount = amount_text(per, adjuster)
        one = amount if per != 1 else f"1 {adjuster.unit}"
        rows.append(
            (
                f"{short(one, 24)} {_axis(axis)}",
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


def _validity(page: Page, coefficients: Coefficients) -> Part:
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


def _rpm(rotor: Rotor, regime: str) -> float:
    own = {r.name: r.rpm for r in rotor.regimes}[regime]
    return rotor.rpm if own is None else own


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


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
