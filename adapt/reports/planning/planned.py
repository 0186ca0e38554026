"""The plan as a technician reads it: what to do, what it should bring, how sure that is.

Built from a `Plan` and its rotor file; nothing is computed here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from adapt.planning.plan import ByHand, ChannelKey, Plan, ReadingForecast, TrackForecast
from adapt.reports import cautions
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, Tone, table
from adapt.reports.planning.planned_beside import beside, in_short, opening, poor_chance
from adapt.reports.wording import (
    amplitude_at_clock,
    bar,
    chance_in_words,
    count,
    date_and_time,
    height,
    joined,
    number,
    percent,
    signed,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = [
    "checks",
    "forecast_table",
    "headline",
    "moves",
    "plan_report",
    "readings_table",
    "tradeoff",
    "verdict",
]

_CONDITIONS = {
    "gross_weight": "gross weight {:g}",
    "wind_kt": "wind {:g} kt",
    "oat_c": "{:g} degC",
    "rpm": "{:g} rpm",
}


def plan_report(
    plan: Plan, rotor: Rotor, coefficients_from: str, concerns: Sequence[str] = ()
) -> list[Block]:
    """Return the report of a plan.

    coefficients_from: where the coefficients came from, in words. concerns: what to know about them
    before the moves are made (see `suspects.concerns_of`).
    """
    report = list(headline(plan, coefficients_from))
    if concerns:
        report += [Heading("Look at this first"), Bullets(tuple(concerns))]
    report += moves(plan, rotor)
    report += [Heading("Predicted for the next run"), readings_table(plan, rotor)]
    report.append(
        Line(
            "Ratio = predicted reading over its limit"
            + (", with what is not known of the effects allowed for." if plan.hedged else ".")
        )
    )
    if plan.track:
        report += [
            Heading(f"Blade heights [{rotor.track_unit}], up positive"),
            _heights(plan, rotor),
        ]
    report += poor_chance(plan)
    report += opening(plan, rotor)
    report += tradeoff(plan, rotor)
    if plan.alternatives:
        report += [Heading("Other plans of nearly the same worth"), _alternatives(plan, rotor)]
    report += beside(plan, rotor)
    if plan.notes:
        report += [Heading("What this rests on"), Bullets(plan.notes)]
    report += [*checks(plan, rotor), Heading("Cautions"), Bullets(cautions.SHORT)]
    return report


def readings_table(plan: Plan, rotor: Rotor) -> Table:
    """Return every reading and track spread before and after the moves, against its limit."""
    return forecast_table(plan, rotor, plan.after_run)


def forecast_table(plan: Plan | ByHand, rotor: Rotor, after_run: str) -> Table:
    """Return the same of a plan, or of moves by hand; after_run: the run that it starts from."""
    rows: list[tuple[str, ...]] = []
    forecasts: list[ReadingForecast | TrackForecast | None] = []
    for sensor in rotor.sensors:
        of_sensor = [r for r in plan.readings if r.sensor == sensor.name]
        if of_sensor:
            rows.append((f"{sensor.name} [{sensor.unit}]", *[""] * 6))
            forecasts.append(None)
        digits = vibration_decimals(sensor.unit)
        for r in of_sensor:
            before = amplitude_at_clock(r.before, sensor.phase, digits)
            after = amplitude_at_clock(r.after, sensor.phase, digits)
            rows.append(_forecast_row(r, before, after, number(r.limit, digits), after_run))
            forecasts.append(r)
    if plan.track:
        rows.append((f"track spread [{rotor.track_unit}]", *[""] * 6))
        forecasts.append(None)
    for t in plan.track:
        digits = track_decimals(rotor.track_unit)
        before, after = number(t.before, digits), number(t.after, digits)
        rows.append(_forecast_row(t, before, after, number(t.limit, digits), after_run))
        forecasts.append(t)
    tones: list[Tone] = [
        "bad" if f is not None and f.ratio is not None and f.ratio > 1.0 + 1e-9 else "plain"
        for f in forecasts
    ]
    return table(["Regime", ">Before", ">After", ">Limit", ">Ratio", "|", ">Chance"], rows, tones)


def tradeoff(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield the smoothest plan for each number of moves that improves on fewer."""
    if len(plan.tradeoff) < 2:
        return
    steps = [
        t for k, t in enumerate(plan.tradeoff) if k == 0 or t.plan != plan.tradeoff[k - 1].plan
    ]
    rows = [
        (
            str(t.moves),
            number(t.worst_ratio),
            percent(t.chance),
            "proven" if t.proven else "best found",
            in_short(t.plan, rotor),
        )
        for t in steps
    ]
    chosen: list[Tone] = ["good" if set(t.plan) == set(plan.moves) else "plain" for t in steps]
    yield Heading("The smoothest with more or fewer moves")
    yield table([">Moves", ">Worst ratio", ">Chance", "", "Which"], rows, chosen)


def headline(plan: Plan, coefficients_from: str) -> Iterable[Block]:
    """Yield which rotor and job, from which run, how good the plan is and how that is known."""
    aircraft = plan.conditions.get("aircraft")
    on = f" on {aircraft}" if _known(aircraft) and str(aircraft) != plan.rotor else ""
    design = plan.design[:1].upper() + plan.design[1:]
    yield Heading(f"{design} {plan.rotor}{on}, job {plan.job}", level=1)
    known = [
        words.format(plan.conditions[key])
        for key, words in _CONDITIONS.items()
        if _known(plan.conditions.get(key))
    ]
    conditions = f" ({', '.join(known)})" if known else ""
    read = date_and_time(plan.conditions.get("started"))
    yield Line(f"From run {plan.after_run}, read {read}{conditions}.")
    yield Line(f"Coefficients: {coefficients_from}.")
    if plan.limit_set is not None:
        yield Line(f"Limits: the set '{plan.limit_set}'.")
    if plan.track_alone:
        yield Line(
            "Track first: here 'every limit' and every chance are of the track alone; vibration "
            "comes in the next stage."
        )
    if plan.weighted_ratio is not None:
        yield Line(
            "Regimes are weighted: the largest ratio times weight is "
            f"{number(plan.weighted_ratio)}."
        )
    yield from verdict(plan)


def verdict(plan: Plan) -> Iterable[Block]:
    """Yield what the plan comes to, whether that is proven, and what stops it."""
    yield Line(_verdict(plan), tone="plain" if plan.feasible else "bad")
    yield Line(_proof(plan))
    yield from _stopped(plan)


def _verdict(plan: Plan) -> str:
    n = len(plan.moves)
    if not plan.feasible:
        asked = (
            f" with a chance of {percent(plan.chance_asked)}"
            if plan.chance_asked and plan.aim in ("fewest", "quickest")
            else ""
        )
        best = f"The best found has {count(n, 'move')}" if n else "Nothing is better than no move"
        return f"No plan found brings everything inside its limits{asked}. {best}: {_odds(plan)}"
    if n == 0:
        return f"No move is needed: {_odds(plan)}"
    return f"{count(n, 'move')[:1].upper()}{count(n, 'move')[1:]}: {_odds(plan)}"


def _odds(plan: Plan) -> str:
    if math.isnan(plan.chance):
        return "the chance that the next run is inside every limit is not known."
    text = (
        f"the next run is inside every limit in {chance_in_words(plan.chance)} cases "
        f"({percent(plan.chance)}"
    )
    if abs(plan.joint_chance - plan.chance) >= 0.005:
        text += f" with each limit by itself, {percent(plan.joint_chance)} counting what they share"
    return text + f"). Worst predicted ratio {number(_worst(plan))}."


def _worst(plan: Plan) -> float:
    """Return the worst ratio; of everything with a limit where nothing counts by itself."""
    if plan.worst_ratio > 0.0:
        return plan.worst_ratio
    forecasts: list[ReadingForecast | TrackForecast] = [*plan.readings, *plan.track]
    return max((f.ratio for f in forecasts if f.ratio is not None), default=0.0)


def _proof(plan: Plan) -> str:
    if not plan.proven:
        return f"Not proven to be the best{_bound(plan)}."
    if not plan.feasible:
        return "Proven: with the hardware and moves allowed, nothing comes nearer."
    if not plan.moves and plan.aim in ("fewest", "quickest") and plan.run_minutes is None:
        return "Proven: the target is reached as the rotor stands."
    if plan.run_minutes is not None:
        return "Proven: no plan has less labour to be expected, another run included."
    if plan.weighted_ratio is not None:
        return "Proven: no plan within the same number of moves has a lower weighted worst ratio."
    best = {
        "fewest": "fewer moves do not reach the target, and as many do no better",
        "quickest": "less labour does not reach the target, and as much does no better",
        "smoothest": "no plan within the same number of moves has a lower worst ratio",
        "likeliest": "no plan within the same number of moves has a higher chance",
    }
    return f"Proven: {best.get(plan.aim, 'no plan is better')}."


def _bound(plan: Plan) -> str:
    """Return what is proven of a plan that may not be the best, to stand after a sentence."""
    if not plan.feasible or not math.isfinite(plan.lower_bound):
        return ""
    if plan.aim == "fewest":
        return f"; proven: it takes at least {count(math.ceil(plan.lower_bound - 1e-9), 'move')}"
    if plan.aim == "quickest":
        return f"; proven: it takes at least {plan.lower_bound:.0f} minutes"
    if plan.aim == "smoothest":
        return f"; proven: the worst ratio cannot be below {number(plan.lower_bound)}"
    return ""


def _stopped(plan: Plan) -> Iterable[Block]:
    if plan.stopped_by:
        yield Line(f"What stops it: {joined([_named(k) for k in plan.stopped_by])}.", tone="bad")
    if plan.not_constrained:
        names = joined([_named(k) for k in plan.not_constrained])
        yield Line(f"Limited but never read in this job, so not promised: {names}.", tone="bad")


def moves(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield the moves as instructions, their labour, and whether to stop and inspect first."""
    if not plan.moves:
        return
    rows = []
    for move in plan.moves:
        adjuster = rotor.adjuster(move.adjuster)
        amount = f"{signed(move.amount, adjuster.step)} {adjuster.unit}"
        rows.append((move.blade, adjuster.name, amount, cautions.what_to_do(move, adjuster)))
    yield Heading("Moves")
    yield table(["Blade", "Adjuster", ">Change", "What to do"], rows)
    if plan.minutes is not None:
        more = ""
        if plan.expected_minutes is not None:
            more = f" {plan.expected_minutes:.0f} with another run where this one does not do."
        yield Line(f"Labour: about {plan.minutes:.0f} minutes.{more}")
    reasons = cautions.unusually_much(plan, rotor)
    if reasons:
        yield Line(cautions.stop_and_inspect(reasons), tone="bad")


def checks(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield the checks that the moves call for."""
    texts = cautions.checks_for(plan.moves, rotor)
    if texts:
        yield Heading("Checks that these moves call for")
        yield Bullets(texts)


def _heights(plan: Plan, rotor: Rotor) -> Table:
    digits = track_decimals(rotor.track_unit)
    rows = [
        (
            t.regime,
            *(
                f"{height(t.heights_before.get(b), digits)} > "
                f"{height(t.heights_after.get(b), digits)}"
                for b in rotor.blades
            ),
        )
        for t in plan.track
        if t.heights_before or t.heights_after
    ]
    return table(["Regime, before > after", *(f">{b}" for b in rotor.blades)], rows)


def _alternatives(plan: Plan, rotor: Rotor) -> Table:
    rows = [
        (str(len(a.moves)), number(a.worst_ratio), percent(a.chance), in_short(a.moves, rotor))
        for a in plan.alternatives
    ]
    return table([">Moves", ">Worst ratio", ">Chance", "Which"], rows)


def _named(key: ChannelKey) -> str:
    return f"{key.sensor or 'track spread'} in {key.regime}"


def _forecast_row(
    forecast: ReadingForecast | TrackForecast, before: str, after: str, limit: str, run: str
) -> tuple[str, ...]:
    earlier = "" if forecast.read_in in (None, run) else f" (run {forecast.read_in})"
    return (
        f"  {forecast.regime}{earlier}",
        "not read" if forecast.before is None else before,
        after,
        limit,
        number(forecast.ratio),
        bar(forecast.ratio),
        percent(forecast.chance),
    )


def _known(value: object) -> bool:
    return value is not None and value == value and value != ""
