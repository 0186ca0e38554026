"""What stands beside a plan: moves by hand, why a chance is poor, what would open a way, stages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapt.planning.plan import ByHand, Chances, Move, NextStage, Plan, Relaxation
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.wording import (
    amplitude,
    count,
    joined,
    number,
    percent,
    signed,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["beside", "held_beside", "in_short", "opening", "poor_chance"]

_HELPS = {
    "noise": "The noise of one run is what stands in the way: no move helps against it. Repeat the "
    "run, average more readings, and look for the cause of the scatter before balancing.",
    "repeated": "Repeating the run first, without a move, is worth more than a move: where the "
    "readings stand is not known well enough.",
    "known": "What the moves do on this rotor is not known well enough. The runs after these moves "
    "will teach it; a plan that is made then is surer.",
    "finer": "The steps of the hardware are what stands in the way: finer steps would do better.",
    "wider": "The bounds of the hardware (ranges, single moves, sums, blades) are what stands in "
    "the way.",
    "": "No single one of these would raise it much.",
}


def poor_chance(plan: Plan) -> Iterable[Block]:
    """Yield why the chance is poor: what it could be if one thing were otherwise."""
    if plan.chances is None:
        return
    yield Heading("What the chance could be")
    yield _chances(plan.chances)
    yield Line(_HELPS[plan.chances.main], tone="bad")


def _chances(chances: Chances) -> Table:
    found = "" if chances.proven else " (at least)"
    rows = [
        ("The likeliest moves as things stand", percent(chances.plan)),
        ("The run repeated first and read the same, then moves", percent(chances.repeated)),
        ("Every effect known exactly", percent(chances.known)),
        ("Steps a quarter as large", percent(chances.finer)),
        ("No bounds on ranges, single moves, sums and blades", percent(chances.wider)),
        ("Nothing left but the noise of one run", percent(chances.perfect)),
    ]
    return table(["If", f">Chance{found}"], rows)


def opening(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield which single bound, given way, would open a way to the limits."""
    if not plan.relaxations:
        return
    yield Heading("What would open a way")
    yield Line("Any one of these, with the rest as it is; whether it may be is the manual's word:")
    yield Bullets(tuple(_relaxed(r) for r in plan.relaxations))


def _relaxed(one: Relaxation) -> str:
    unit = f" {one.unit}" if one.unit else ""
    least = "" if one.exact else ", or perhaps less"
    if one.what == "locked":
        return f"{one.name} unlocked"
    assert one.needed is not None
    assert one.now is not None
    if one.what == "limits":
        return f"every limit wider by {100.0 * (one.needed - 1.0):.0f} %{least}"
    if one.what == "most moves":
        return f"{one.needed:.0f} moves instead of {one.now:.0f}{least}"
    if one.what == "most minutes":
        return f"{one.needed:.0f} minutes of labour instead of {one.now:.0f}{least}"
    words = {
        "fitted range": f"{one.name} fitted {'up' if one.needed > one.now else 'down'} to",
        "largest move": f"{one.name} moved by up to",
        "sum": f"the sum of {one.name} moves {'up' if one.needed > one.now else 'down'} to",
    }[one.what]
    return f"{words} {one.needed:g}{unit} instead of {one.now:g}{unit}{least}"


def beside(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield what else was asked for or is worth knowing."""
    if plan.by_hand is not None:
        yield from _by_hand(plan, plan.by_hand, rotor)
    if plan.next_stage is not None:
        yield from _stage(plan.next_stage, rotor)
    if plan.lessons:
        yield Heading("What the next run would teach")
        yield table(
            ["Adjuster", ">Doubt now", ">After"],
            [(x.adjuster, percent(x.before), percent(x.after)) for x in plan.lessons],
        )
        yield Line("Doubt = one sd of the effect of a usual move, as a share of the limits.")
    if plan.savings:
        yield Heading("Weight that could come off after the moves above")
        yield Line("Equal on blades that cancel out: taking it off changes no predicted reading.")
        yield Bullets(
            tuple(
                f"{in_short(s.moves, rotor)} (saves {s.saved:g} "
                f"{rotor.adjuster(s.moves[0].adjuster).unit})"
                for s in plan.savings
            )
        )


def _by_hand(plan: Plan, held: ByHand, rotor: Rotor) -> Iterable[Block]:
    yield Heading("Your own moves beside the plan")
    yield Line(f"{in_short(held.moves, rotor)}.")
    yield from held_beside(held)
    rows: list[tuple[str, ...]] = [
        ("Worst ratio", number(plan.worst_ratio), number(held.worst_ratio)),
        ("Chance", percent(plan.chance), percent(held.chance)),
        ("Moves", str(len(plan.moves)), str(len(held.moves))),
    ]
    if plan.minutes is not None and held.minutes is not None:
        rows.append(("Labour [min]", f"{plan.minutes:.0f}", f"{held.minutes:.0f}"))
    for mine, other in zip(plan.readings, held.readings, strict=True):
        if mine.limit is None or mine.ratio is None:
            continue
        digits = vibration_decimals(rotor.sensor(mine.sensor).unit)
        rows.append(
            (
                f"{mine.sensor}, {mine.regime} [{rotor.sensor(mine.sensor).unit}]",
                amplitude(mine.after, digits),
                amplitude(other.after, digits),
            )
        )
    digits = track_decimals(rotor.track_unit)
    for mine_track, other_track in zip(plan.track, held.track, strict=True):
        if mine_track.limit is not None and mine_track.ratio is not None:
            rows.append(
                (
                    f"track spread, {mine_track.regime} [{rotor.track_unit}]",
                    number(mine_track.after, digits),
                    number(other_track.after, digits),
                )
            )
    yield table(["", ">The plan", ">Yours"], rows)


def held_beside(held: ByHand) -> Iterable[Block]:
    """Yield which bounds moves by hand break, and what they do that is not known."""
    if held.breaks:
        yield Line("They break what the hardware allows:", tone="bad")
        yield Bullets(held.breaks, tone="bad")
    if held.unknown:
        names = joined([f"{k.sensor or 'track'} in {k.regime}" for k in held.unknown])
        yield Line(f"What they do to {names} is not known.", tone="bad")


def _stage(stage: NextStage, rotor: Rotor) -> Iterable[Block]:
    yield Heading("What balancing is then expected to need")
    if stage.why:
        yield Line(f"That cannot be planned: {stage.why}.", tone="bad")
        return
    if stage.moves:
        yield Line(
            f"If the next run reads as expected, {count(len(stage.moves), 'move')}: "
            f"{in_short(stage.moves, rotor)}; then {percent(stage.chance)} for every limit."
        )
    else:
        yield Line(
            "If the next run reads as expected, no move; the chance of everything inside on the "
            f"run after is {percent(stage.chance)}."
        )
    total = sum(stage.counts.values())
    if not total:
        return
    rows = [
        ("no plan reaches it" if moves < 0 else count(moves, "move"), percent(runs / total))
        for moves, runs in sorted(stage.counts.items(), key=lambda pair: (pair[0] < 0, pair[0]))
    ]
    yield table([f"Of {count(total, 'simulated next run')}", ">Share"], rows)
    yield Line("Plan again after the next run: its readings decide, not this forecast.")


def in_short(moves: Sequence[Move], rotor: Rotor) -> str:
    """Return moves in one line, "red hub weight +40 g; blue tab -1 deg"."""
    texts = []
    for move in moves:
        adjuster = rotor.adjuster(move.adjuster)
        amount = signed(move.amount, adjuster.step)
        texts.append(f"{move.blade} {adjuster.name} {amount} {adjuster.unit}")
    return "; ".join(texts) or "none"
