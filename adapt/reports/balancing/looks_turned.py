"""What readings before and after look like, for people and for scripts.

Values in, blocks and documents out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from adapt.balancing.setup.before_after import BeforeAfter
from adapt.balancing.setup.geometry import turned_deg
from adapt.balancing.setup.looks_turned import SURE, Explanation, Looks
from adapt.balancing.setup.mistakes import Mistake
from adapt.balancing.setup.turns import shown_name
from adapt.reports.cautions import SHORT
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.records import reading_record
from adapt.reports.wording import (
    amplitude_at_clock,
    chance_in_words,
    count,
    joined,
    own_phase_deg,
    percent,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["looks_document", "looks_report"]

_NEAR_DEG = 3.0
WORDS = {
    "as before": "nothing turned, nothing changed that shows over the scatter",
    "turned": "the phase reference turned",
    "mirrored": "lead for lag, or the two senses of rotation mixed up",
    "reversed": "one sensor reversed",
    "one mirrored": "lead for lag at one sensor",
    "changed": "the rotor, a mount or a sensor changed",
}


def looks_report(
    rotor: Rotor, read: BeforeAfter, looks: Looks, mistakes: Sequence[Mistake] = ()
) -> list[Block]:
    """Return the report of readings before and after.

    mistakes: ways in which the set-up may have been described wrongly, to name those that fit.
    """
    report: list[Block] = [Heading(f"{shown_name(rotor.name)}: readings before and after", 1)]
    report += _verdict(rotor, looks)
    if looks.verdict == "turned":
        report += _fitting(looks, mistakes)
    report += [Heading("How probable"), _explanations(looks), Heading("Readings")]
    report.append(_readings(rotor, read))
    if read.alone:
        listed = joined([f"{shown_name(s)} in {shown_name(r)}" for s, r in read.alone])
        report.append(Line(f"In one of the two tables alone, not used: {listed}.", "faint"))
    report += [Heading("Cautions"), Bullets(SHORT)]
    return report


def looks_document(
    rotor: Rotor, read: BeforeAfter, looks: Looks, mistakes: Sequence[Mistake] = ()
) -> dict[str, Any]:
    """Return what readings before and after look like as a document.

    verdict: kind of the explanation that is sure enough, null when the readings cannot tell (why
    says it). angle_deg: of shaft, positive = more lag after, known modulo angle_period_deg.
    """
    turned = looks.of("turned")
    return {
        "rotor": rotor.name,
        "verdict": looks.verdict,
        "why": looks.why or None,
        "explanations": [
            {
                "kind": e.kind,
                "sensor": e.sensor,
                "probability": e.probability,
                "angle_deg": e.angle_deg,
                "sd_deg": e.sd_deg,
            }
            for e in looks.explanations
        ],
        "near": list(looks.names),
        "angle_period_deg": looks.angle_period,
        "sensors_that_speak": list(looks.speaking),
        "mistakes": [
            {"mistake": m.text, "turn_deg": m.turn_deg, "fits": _fits(m, turned, looks)}
            for m in mistakes
        ],
        "readings": [
            {
                "sensor": sensor,
                "regime": regime,
                "before": reading_record(before, rotor.sensor(sensor).phase),
                "expected": reading_record(expected, rotor.sensor(sensor).phase),
                "after": reading_record(after, rotor.sensor(sensor).phase),
                "sd": sd,
            }
            for sensor, regime, before, expected, after, sd in _rows(read)
        ],
        "not_used": [{"sensor": s, "regime": r} for s, r in read.alone],
    }


def _verdict(rotor: Rotor, looks: Looks) -> list[Block]:
    if looks.verdict is None:
        return _cannot_tell(looks)
    told = looks.of(looks.verdict)
    sure = f" ({chance_in_words(told.probability)})"
    if told.kind == "as before":
        return [Line(f"Nothing turned: the readings are as before within their scatter{sure}.",
                     "good")]  # fmt: skip
    if told.kind == "changed":
        return [
            Line(f"This is no turn of the phase reference: something else changed{sure}.", "bad"),
            Line("The rotor, a mount, a sensor, or a move that nobody wrote down: look for it "
                 "before the next correction."),
        ]  # fmt: skip
    if told.kind == "reversed":
        return [
            Line(f"It looks as if {shown_name(told.sensor or '')} alone were reversed{sure}: half "
                 "a turn off, as large as before.", "bad"),
            Line("Look which way it is fitted and how its wires and its channel are set."),
        ]  # fmt: skip
    if told.kind == "one mirrored":
        return [
            Line(f"It looks as if lead were entered for lag at {shown_name(told.sensor or '')} "
                 f"alone, or the reverse{sure}.", "bad"),
            Line("Look how its channel is set, and what the rotor file says of its phase."),
        ]  # fmt: skip
    if told.kind == "mirrored":
        return [*_mirrored(told, sure), *_what_to_do()]
    text = f"It looks as if the phase reference were turned{sure}: {_by(told, looks)}."
    if looks.names:
        text += f" That is near {_or(looks.names)}."
    blocks: list[Block] = [Line(text, "bad")]
    if "half a turn" in looks.names:
        blocks.append(Line("All sensors with their sign changed would look the same."))
    return [*blocks, *_what_to_do()]


def _cannot_tell(looks: Looks) -> list[Block]:
    blocks: list[Block] = [Line(f"The readings cannot tell: {looks.why}.", "bad")]
    turned = looks.of("turned")
    if looks.speaking and turned.probability > 0.1:
        near = f", near {_or(looks.names)}" if looks.names else ""
        blocks.append(Line(f"If the reference was turned, it was this far: {_by(turned, looks)}"
                           f"{near}. A change that happens to keep the amplitudes, or a sensor "
                           "that was fitted anew, would look the same."))  # fmt: skip
    blocks.append(
        Line("What would tell: the same regimes read at two sensors or more, with readings well "
             "over their scatter, before anything is moved.")
    )  # fmt: skip
    return blocks


def _mirrored(told: Explanation, sure: str) -> list[Block]:
    angle, sd = told.angle_deg or 0.0, told.sd_deg or 0.0
    if abs(angle) <= max(_NEAR_DEG, 2.0 * sd):
        text = f"It looks as if lead were entered for lag, or the reverse{sure}."
    else:
        text = (
            "It looks as if the two senses of rotation were mixed up, or lead entered for lag and "
            f"the reference turned as well{sure}: mirrored, then {abs(angle):.3g} deg of shaft "
            f"{'more' if angle > 0 else 'less'} lag, +- {1.96 * sd:.2g}."
        )
    return [Line(text, "bad")]


def _what_to_do() -> list[Block]:
    return [
        Line("Look at pickup, tape or interrupter, and at what the instrument was told of them, "
             "before any correction is worked out from these readings."),
        Line("If it was moved on purpose, write an event 'reference moved' into the log: what was "
             "learned is then turned and kept. If it was not, put it back and read again."),
    ]  # fmt: skip


def _by(told: Explanation, looks: Looks) -> str:
    angle, sd = told.angle_deg or 0.0, told.sd_deg or 0.0
    text = f"{abs(angle):.3g} deg of shaft {'more' if angle >= 0 else 'less'} lag than before, "
    text += f"+- {1.96 * sd:.2g} (95 %)"
    if looks.angle_period < 360.0:
        text += f", or that and a multiple of {looks.angle_period:g} deg"
    return text


def _or(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


def _fitting(looks: Looks, mistakes: Sequence[Mistake]) -> list[Block]:
    """Return the mistakes in describing the set-up that would turn readings so."""
    told = looks.of("turned")
    found = tuple(
        f"{m.text}: {abs(m.turn_deg):.3g} deg." for m in mistakes if _fits(m, told, looks)
    )
    if not mistakes:
        return []
    if not found:
        return [Line("None of the usual mistakes in describing this set-up turns readings so far.")]
    return [
        Line(f"{count(len(found), 'mistake')} in describing this set-up would turn readings so:"),
        Bullets(found),
    ]


def _fits(mistake: Mistake, told: Explanation, looks: Looks) -> bool:
    """Return whether a mistake, made or put right between the readings, turns them so far."""
    near = max(_NEAR_DEG, 2.0 * (told.sd_deg or 0.0))
    period = looks.angle_period
    for turn in (mistake.turn_deg, -mistake.turn_deg):
        rest = abs(turned_deg(turn - (told.angle_deg or 0.0))) % period
        if min(rest, period - rest) <= near:
            return True
    return False


def _explanations(looks: Looks) -> Block:
    rows = []
    tones = []
    for e in looks.explanations:
        what = WORDS[e.kind]
        if len(looks.speaking) < 2 and e.kind in ("turned", "mirrored"):
            what += " (or this sensor alone)"
        if e.sensor is not None:
            what += f": {shown_name(e.sensor or '')}"
        ends = 1.96 * (e.sd_deg or 0.0)
        angle = "-" if e.angle_deg is None else f"{e.angle_deg:+.3g} +- {ends:.2g}"
        if e.angle_deg is not None and ends >= 180.0:
            angle = "any"
        rows.append((what, percent(e.probability), angle))
        tones.append("bad" if e.probability >= SURE and e.kind != "as before" else "plain")
    return table(["What", ">Probability", ">Angle [deg of shaft, + = more lag]"], rows)


def _readings(rotor: Rotor, read: BeforeAfter) -> Block:
    moved = not np.array_equal(read.before, read.pairs.expected)
    rows = []
    for name, regime, before, expected, after, _ in _rows(read):
        sensor = rotor.sensor(name)
        decimals = vibration_decimals(sensor.unit)

        def text(z: complex, phase: Any = sensor.phase, digits: int = decimals) -> str:
            return amplitude_at_clock(z, phase, digits)

        further = "-"
        if before and after:
            base = expected if moved else before
            apart = own_phase_deg(after, sensor.phase) - own_phase_deg(base, sensor.phase)
            further = f"{turned_deg(apart):+.0f}"
        cells = [shown_name(name), shown_name(regime), text(before)]
        rows.append((*cells, *([text(expected)] if moved else []), text(after), further))
    titles = ["Sensor", "Regime", ">Before", *([">To be expected"] if moved else []), ">After",
              ">Phase [deg further]"]  # fmt: skip
    return table(titles, rows)


def _rows(read: BeforeAfter) -> list[tuple[str, str, complex, complex, complex, float]]:
    p = read.pairs
    return list(
        zip(p.sensors, p.regimes, read.before.tolist(), p.expected.tolist(), p.after.tolist(),
            p.sd.tolist(), strict=True)
    )  # fmt: skip
