"""One plane without phase, for people and for scripts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import numpy as np

from adapt.balancing.trial.amplitude_table import AmplitudeRuns
from adapt.balancing.trial.amplitudes import Answer, WithoutPhase
from adapt.reports import cautions
from adapt.reports.balancing.places import IN_PASSING_ORDER, angle_and_place, unusually_much
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.wording import count, joined, number, signed, sure_digits, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["amplitudes_document", "amplitudes_report"]

_NOISE_FROM = {
    "given": "as given",
    "rotor file": "as the rotor file states it",
    "expected": "as it is expected where nothing is known; state it with --sd",
    "residual": "as these runs show it",
}


def amplitudes_report(found: WithoutPhase, runs: AmplitudeRuns, rotor: Rotor) -> list[Block]:
    """Return the report of a correction from amplitudes alone."""
    unit = runs.sensor.unit
    digits = vibration_decimals(unit)
    report: list[Block] = [
        Heading(f"{runs.adjuster.name} of {rotor.name}, from amplitudes alone", 1),
        Line(
            f"{runs.sensor.name} in {runs.regime}, {count(len(runs.runs), 'run')}. Noise of a "
            f"reading {number(found.noise_sd, digits + 1)} {unit}, "
            f"{_NOISE_FROM[found.noise_from]}."
        ),
        *_verdict(found),
    ]
    if found.answers and not found.line_is_all:
        report += [Heading("Correction"), _answers(found, runs, rotor)]
        report.append(
            Line(
                f"{IN_PASSING_ORDER} All trial weights taken off first. What stands opposite may "
                "be taken off instead."
            )
        )
        much = unusually_much(runs.adjuster, found.answers[0].correction)
        if much:
            report.append(Line(cautions.stop_and_inspect(much), "bad"))
    report += _line(found, runs, rotor)
    report += [Heading("Runs"), _runs(found, runs, rotor)]
    if found.fit_chance is not None:
        report.append(
            Line(
                f"By noise alone the fit would be worse in {100 * found.fit_chance:.0f} % of cases."
            )
        )
    if runs.doubts:
        report += [Heading("Doubts"), Bullets(tuple(str(p) for p in runs.doubts))]
    report += [Heading("Cautions"), Bullets(cautions.SHORT)]
    return report


def _verdict(found: WithoutPhase) -> Iterable[Block]:
    if not found.answers:
        yield Line(f"Not known: {joined(found.reasons)}.", "bad")
    elif found.usable and found.line_is_all:
        yield Line(
            "Amplitudes cannot tell on which side of the line of these blades the rest stands, but "
            "the part along it, which is all that they can take, is known.",
            "good",
        )
    elif found.usable:
        yield Line("One answer fits these runs.", "good")
    else:
        yield Line(f"Not to be used as it is: {joined(found.reasons)}.", "bad")


def _answers(found: WithoutPhase, runs: AmplitudeRuns, rotor: Rotor) -> Block:
    return table(
        ["Answer", ">Add", ">Sd", ">Angle [deg]", ">Sd [deg]", "Which is", ">Next reading below"],
        [_answer(k, answer, runs, rotor) for k, answer in enumerate(found.answers, 1)],
    )


def _answer(k: int, answer: Answer, runs: AmplitudeRuns, rotor: Rotor) -> tuple[str, ...]:
    digits = sure_digits(runs.adjuster.step) + 1
    angle, where = angle_and_place(rotor, answer.correction)
    unit = runs.sensor.unit
    return (
        str(k),
        f"{abs(answer.correction):.{digits}f} {runs.adjuster.unit}",
        number(answer.sd, digits),
        angle,
        number(answer.angle_sd_deg, 1),
        where,
        _below(answer.remaining, unit),
    )


def _below(remaining: float, unit: str) -> str:
    if math.isinf(remaining):
        return "not known"
    return f"{number(remaining, vibration_decimals(unit))} {unit}"


def _line(found: WithoutPhase, runs: AmplitudeRuns, rotor: Rotor) -> Iterable[Block]:
    if found.on_line is None:
        return
    line, unit = found.on_line, runs.sensor.unit
    angle, where = angle_and_place(rotor, line.correction)
    digits = sure_digits(runs.adjuster.step) + 1
    what = "All that these blades can take" if found.line_is_all else "What both answers share"
    yield Line(
        f"{what}: add {abs(line.correction):.{digits}f} {runs.adjuster.unit} "
        f"(sd {number(line.sd, digits)}) at {angle} deg, {where}. That leaves "
        f"{number(line.remaining, vibration_decimals(unit))} {unit}."
    )


def _runs(found: WithoutPhase, runs: AmplitudeRuns, rotor: Rotor) -> Block:
    digits = vibration_decimals(runs.sensor.unit)
    rows = []
    for k, name in enumerate(runs.runs):
        fitted = found.answers[0].fitted[k] if found.answers else None
        rows.append(
            (
                name,
                _weights(runs, k, rotor) or "none",
                number(float(runs.amplitudes[k]), digits),
                number(None if fitted is None else float(fitted), digits),
            )
        )
    return table(["Run", "Trial weight", f">Read [{runs.sensor.unit}]", ">Fitted"], rows)


def _weights(runs: AmplitudeRuns, k: int, rotor: Rotor) -> str:
    step = runs.adjuster.step
    return joined(
        [
            f"{signed(float(amount), step)} {runs.adjuster.unit} on {blade}"
            for blade, amount in zip(rotor.blades, runs.amounts[k], strict=True)
            if amount
        ]
    )


def amplitudes_document(found: WithoutPhase, runs: AmplitudeRuns, rotor: Rotor) -> dict[str, Any]:
    """Return the correction as a document; angles in passing order from the first blade [deg]."""
    line = found.on_line
    return {
        "rotor": rotor.name,
        "sensor": runs.sensor.name,
        "regime": runs.regime,
        "unit": runs.sensor.unit,
        "adjuster": runs.adjuster.name,
        "adjuster_unit": runs.adjuster.unit,
        "usable": found.usable,
        "reasons": list(found.reasons),
        "noise_sd": found.noise_sd,
        "noise_from": found.noise_from,
        "freedom": found.freedom,
        "fit_chance": found.fit_chance,
        "answers": [
            {
                **_weight(a.correction),
                "sd": a.sd,
                "angle_sd_deg": a.angle_sd_deg,
                "effect": a.effect,
                "initial": a.initial,
                "remaining": a.remaining,
                "misfit": a.misfit,
            }
            for a in found.answers
        ],
        "on_line": (
            None
            if line is None
            else {**_weight(line.correction), "sd": line.sd, "remaining": line.remaining,
                  "all_there_is": found.line_is_all}
        ),
        "runs": [
            {
                "run": name,
                "amplitude": runs.amplitudes[k],
                "fitted": found.answers[0].fitted[k] if found.answers else None,
            }
            for k, name in enumerate(runs.runs)
        ],
        "doubts": [asdict(p) for p in runs.doubts],
        "cautions": list(cautions.SHORT),
    }  # fmt: skip


def _weight(weight: complex) -> dict[str, float]:
    return {
        "amount": abs(weight),
        "angle_deg": float(np.rad2deg(np.angle(weight)) % 360.0),
    }
