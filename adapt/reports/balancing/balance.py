"""What a job's own runs say of its planes, and the correction, as a technician reads it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from adapt.balancing.trial.conditioning import Conditioning, Direction
from adapt.balancing.trial.correction import Correction, Remaining
from adapt.balancing.trial.own_runs import LastRun
from adapt.balancing.trial.vectors import Balance
from adapt.reports import cautions
from adapt.reports.balancing.places import IN_PASSING_ORDER, angle_and_place, unusually_much
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.planning.planned import checks, moves, readings_table
from adapt.reports.wording import (
    amplitude_at_clock,
    joined,
    number,
    percent,
    sure_digits,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["OWN_RUNS", "balance_report", "combination_in_words", "what_to_do_about"]

OWN_RUNS = "this job's own runs alone"


def balance_report(found: Balance, rotor: Rotor) -> list[Block]:
    """Return the report of a balance by the vector method."""
    report: list[Block] = [
        Heading(f"{rotor.name[:1].upper()}{rotor.name[1:]} {found.rotor}, job {found.job}", 1),
        Line(f"From run {found.after_run}; effects from {OWN_RUNS}, no chart."),
        _last_run(found.last_run),
        Heading("What one unit in the first hole does"),
        _effects(found, rotor),
    ]
    report += [Heading("Can the planes be told apart?"), *_told_apart(found)]
    report += _correction(found.correction, rotor, "Correction, any amount at any angle")
    if found.well_known is not None:
        report += _correction(
            found.well_known, rotor, "Correction of the well-known combination only"
        )
    report += _in_steps(found, rotor)
    if found.notes:
        report += [Heading("What this rests on"), Bullets(found.notes)]
    report += [Heading("Cautions"), Bullets(cautions.SHORT)]
    return report


def what_to_do_about(found: Conditioning) -> tuple[str, ...]:
    """Return what to do where planes cannot be told apart or a trial weight showed nothing."""
    advice = []
    if found.without_effect:
        advice.append(
            f"Take a larger trial weight in {joined(found.without_effect)} ('adapt trial'), or "
            "average more readings; make sure that it was fitted where the log says."
        )
    if found.is_poor and len(found.planes) > 1:
        if any(direction.known for direction in found.directions):
            advice.append("Correct the well-known combination only, and look again.")
        elif 0 < len(found.without_effect) < len(found.planes):
            told = [plane for plane in found.planes if plane not in found.without_effect]
            options = " ".join(f"--plane '{plane}'" for plane in told)
            advice.append(f"Correct without it for now ({options}), and look again.")
        advice += [
            "Read sensors elsewhere, nearer to each plane, or one more of them.",
            "Read a run at another speed, where the planes act differently.",
        ]
    elif found.is_poor and not found.without_effect:
        advice.append("Repeat the trial with a larger weight, or average more readings.")
    return tuple(advice)


def combination_in_words(direction: Direction, planes: tuple[str, ...]) -> str:
    """Return a combination of planes in words: a sum, a difference, or weights with angles."""
    parts = np.array(direction.parts)
    if len(planes) == 1:
        return planes[0]
    shown = [i for i in range(len(planes)) if abs(parts[i]) > 0.1 * np.abs(parts).max()]
    if len(shown) == 1:
        return f"{planes[shown[0]]} alone"
    lead = shown[0]
    turn = [float(np.rad2deg(np.angle(parts[i] / parts[lead]))) for i in shown]
    if len(shown) == 2 and abs(abs(turn[1]) - 180.0) < 20.0:
        return f"difference of {planes[shown[0]]} and {planes[shown[1]]}"
    if all(abs(t) < 20.0 for t in turn):
        return f"sum of {joined([planes[i] for i in shown])}"
    others = [
        f"{planes[i]} turned by {t:+.0f} deg" for i, t in zip(shown[1:], turn[1:], strict=True)
    ]
    return f"{planes[lead]} together with {joined(others)}"


def _last_run(last: LastRun) -> Line:
    if not last.tested:
        return Line(
            f"Whether run {last.run} fits the runs before it cannot be said: they do not foretell "
            "it."
        )
    if last.fits:
        return Line(f"Run {last.run} fits what the runs before it foretell.")
    chance = "less than 1 in 1000" if last.chance < 0.001 else f"{1000 * last.chance:.0f} in 1000"
    return Line(
        f"Run {last.run} does not fit what the runs before it foretell: {last.sensor} in "
        f"{last.regime} is {last.off:.1f} standard deviations off (by noise alone: {chance}). Look "
        "for a wrong entry, a weight that was not where the log says, or a rotor that does not "
        "answer in proportion; stop and inspect before correcting.",
        "bad",
    )


def _effects(found: Balance, rotor: Rotor) -> Block:
    rows: list[tuple[str, ...]] = []
    for plane in found.planes:
        rows.append((f"{plane}, 1 {rotor.adjuster(plane).unit}", "", "", "", ""))
        for effect in found.effects:
            if effect.plane != plane:
                continue
            sensor = rotor.sensor(effect.sensor)
            if effect.value is None or effect.sd is None:
                rows.append(
                    (f"  {effect.sensor}", effect.regime, "not known", "-", str(effect.pairs))
                )
                continue
            digits = _digits(effect.sd)
            rows.append(
                (
                    f"  {effect.sensor} [{sensor.unit}]",
                    effect.regime,
                    amplitude_at_clock(effect.value, sensor.phase, digits),
                    number(effect.sd, digits),
                    str(effect.pairs),
                )
            )
    return table(["Sensor", "Regime", ">Effect", ">Sd", ">Pairs"], rows)


def _told_apart(found: Balance) -> Iterable[Block]:
    seen = found.correction.conditioning
    if len(seen.planes) > 1:
        condition = "no end" if np.isinf(seen.condition) else f"{seen.condition:.1f}"
        yield Line(
            f"Condition number {condition} (1 = told apart as well as can be, above 10 = poorly)."
        )
    else:
        yield Line("One plane.")
    if not seen.is_poor:
        several = len(seen.planes) > 1
        yield Line(
            "Every combination of weights in them is well known."
            if several
            else "What it does is well known.",
            "good",
        )
        return
    rows = [
        (
            combination_in_words(d, seen.planes),
            f"{d.gain:.2f}",
            "exact" if np.isinf(d.certainty) else f"{d.certainty:.1f}",
            "well known" if d.known else "poorly known",
        )
        for d in seen.directions
    ]
    yield table(["Combination", ">Seen with", ">Over its doubt", ""], rows)
    yield from _poor(seen)


def _poor(seen: Conditioning) -> Iterable[Block]:
    if seen.without_effect:
        yield Line(
            f"The trial weight in {joined(seen.without_effect)} changed the readings no more than "
            "noise does.",
            "bad",
        )
    known = [combination_in_words(d, seen.planes) for d in seen.directions if d.known]
    poor = [combination_in_words(d, seen.planes) for d in seen.directions if not d.known]
    if poor and len(seen.planes) > 1:
        yield Line(
            f"Planes look alike in these readings. What is known well: {joined(known) or 'nothing'}"
            f". What is poorly known: {joined(poor)}.",
            "bad",
        )
    advice = what_to_do_about(seen)
    if advice:
        yield Bullets(advice)


def _correction(correction: Correction, rotor: Rotor, title: str) -> Iterable[Block]:
    yield Heading(title)
    if correction.poorly_known:
        yield Line(f"Not to be used as it is: {correction.poorly_known}.", "bad")
    rows = []
    for plane, weight, sd in zip(correction.planes, correction.weights, correction.sd, strict=True):
        adjuster = rotor.adjuster(plane)
        digits = sure_digits(adjuster.step) + 1
        angle, where = angle_and_place(rotor, complex(weight))
        rows.append(
            (plane, f"{abs(weight):.{digits}f} {adjuster.unit}", number(float(sd), digits), angle,
             where)
        )  # fmt: skip
    yield table(["Plane", ">Add", ">Sd", ">Angle [deg]", "Which is"], rows)
    yield Line(f"{IN_PASSING_ORDER} What stands opposite may be taken off instead.")
    much = [
        reason
        for plane, weight in zip(correction.planes, correction.weights, strict=True)
        for reason in unusually_much(rotor.adjuster(plane), complex(weight))
    ]
    if much:
        yield Line(cautions.stop_and_inspect(tuple(much)), "bad")
    yield Heading("What should remain")
    yield table(
        ["Sensor", "Regime", ">Now", ">After", ">Next reading, 95 %", ">Limit"],
        [_remaining(r, rotor) for r in correction.remaining],
    )
    if not all(r.used for r in correction.remaining):
        yield Line("* not corrected for, only foretold.")
    if rotor.has_track:
        yield Line(
            "Track is not looked at here"
            + (
                ", nor in the plan in steps: see that it is inside its limits before weights are "
                "moved ('adapt order')."
                if all(rotor.adjuster(plane).is_weight for plane in correction.planes)
                else "; the plan in steps keeps it inside its limits."
            )
        )


def _remaining(r: Remaining, rotor: Rotor) -> tuple[str, ...]:
    sensor = rotor.sensor(r.sensor)
    digits = vibration_decimals(sensor.unit)
    return (
        f"{r.sensor} [{sensor.unit}]{'' if r.used else ' *'}",
        r.regime,
        amplitude_at_clock(r.before, sensor.phase, digits),
        amplitude_at_clock(r.after, sensor.phase, digits),
        f"{number(r.low, digits)} to {number(r.high, digits)}",
        number(r.limit, digits),
    )


def _in_steps(found: Balance, rotor: Rotor) -> Iterable[Block]:
    plan = found.plan
    yield Heading("In steps of the hardware")
    if plan is None:
        yield Line(f"No plan: {found.why_no_plan}.")
        return
    if not plan.moves:
        yield Line("No moves are better than these: the rotor is left as it is.")
    yield from moves(plan, rotor)
    yield Line(
        f"Chance that the next run is inside every limit: {percent(plan.chance)}; worst predicted "
        f"ratio {number(plan.worst_ratio)}."
        + ("" if plan.proven else " Not proven to be the best."),
        "plain" if plan.feasible else "bad",
    )
    yield readings_table(plan, rotor)
    yield from checks(plan, rotor)


def _digits(sd: float) -> int:
    """Return the decimals at which an sd shows its first two figures."""
    return 3 if not sd > 0.0 else int(min(8, max(0, 1 - np.floor(np.log10(sd)))))
