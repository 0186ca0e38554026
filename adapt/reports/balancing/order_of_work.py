"""The order of work of a rotor in words, and where a job stands in it.

What to look at and to do is common practice of the trade (no source); the aircraft's maintenance
manual comes before every line of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from shlex import quote
from typing import Any

from adapt.balancing.order_of_work import Found, OrderOfWork, Step
from adapt.reports.cautions import SHORT
from adapt.reports.layout import Block, Bullets, Commands, Heading, Line, table
from adapt.reports.wording import bar, joined, number, track_decimals, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["KINDS", "RotorKind", "is_shaft_or_fan", "kind_of", "order_document", "order_report"]

_UNSTEADY = 2.0  # times what the expected noise lets repeated readings be apart


@dataclass(frozen=True)
class RotorKind:
    """What belongs to a kind of rotor: the words that tell it by its name, and what to look at.

    look: before anything is moved. track: how its track is put right. balance: how it is balanced.
    """

    words: tuple[str, ...]
    look: tuple[str, ...]
    track: tuple[str, ...]
    balance: tuple[str, ...]


_ANY_LOOK = (
    "Play in bearings and rod ends, loose or lost hardware, cracks, damage, dirt, ice, trapped "
    "water and blocked drain holes: put right before balancing.",
    "Sensor, bracket, cable, target and tape: secured clear of everything that turns, and looked "
    "at after every start.",
)

KINDS: tuple[RotorKind, ...] = (
    RotorKind(
        words=("tail", "anti torque"),
        look=(
            *_ANY_LOOK,
            "Pitch change links, slider or spider, teeter hinge or flap bearings: play and wear "
            "feel like unbalance and come back the next day.",
            "What was fitted before: count the washers at every place and write them into the log.",
        ),
        track=(
            "Track on the ground at the pitch that the manual names, before any weight is moved: "
            "a blade that flies out of track pulls the balance with it.",
            "Pitch links move in the smallest steps; each is a flight control: independent "
            "inspection before the next flight.",
            "Read track and balance again after every change of a link.",
        ),
        balance=(
            "Span weight stands towards a blade's tip, chord weight a quarter turn from it; the "
            "effects of the two need not stand square, so both are worked out together.",
            "Take off before adding: the opposite place may carry what is too much here.",
            "Count what each place carries against its limit, and that the longest screw still "
            "shows its threads.",
        ),
    ),
    RotorKind(
        words=("shaft", "fan", "cooler", "blower"),
        look=(
            *_ANY_LOOK,
            "Couplings, flexible discs, hangers and their bolts: alignment first, then balance.",
        ),
        track=(),
        balance=(
            "One plane where the part is short, two where it is long; a weight in one plane moves "
            "the readings at both ends.",
            "Stay clear of critical speeds: near one, readings turn with every small change of "
            "speed.",
        ),
    ),
    RotorKind(
        words=(),
        look=(
            *_ANY_LOOK,
            "Dampers alike on all blades, lead and lag free, tabs as they were measured last.",
        ),
        track=(
            "Track on the ground first, then in hover, then through the speeds: links for what is "
            "there at all speeds, tabs for what grows with speed.",
            "Read track and balance again after every change of a link or tab.",
        ),
        balance=(
            "Balance in hover, then look at it through the speeds: what is left there is track or "
            "a blade that differs.",
        ),
    ),
)
"""The first whose words stand in the rotor's name is taken; the last is for all others."""

_TITLES = {
    "look": "Look before anything is moved",
    "read": "Read",
    "track": "Track",
    "balance on the ground": "Balance on the ground",
    "balance in flight": "Balance in flight",
    "close": "Close the work",
}
_STATES = {
    "always": "always",
    "done": "inside, by the log",
    "now": "NOW",
    "later": "later",
    "not told": "the log cannot tell",
}
_CLOSE = (
    "A last run inside all limits, with nothing changed after it.",
    "Weights, links and tabs written down blade by blade, as they are now.",
    "Sensors, cables, brackets, tape and targets taken off and counted.",
    "Inspections that the moves called for, and release by a licensed person.",
)


def kind_of(rotor: Rotor) -> RotorKind:
    """Return the kind of a rotor by its name; a tail rotor's drive shaft is a shaft."""
    name = rotor.name.casefold()
    if "shaft" in name:
        return next(k for k in KINDS if "shaft" in k.words)
    return next((k for k in KINDS if any(w in name for w in k.words)), KINDS[-1])


def is_shaft_or_fan(rotor: Rotor) -> bool:
    """Return whether a rotor is a shaft or a fan by its name: it may have more than one plane."""
    return "shaft" in kind_of(rotor).words


def order_report(
    order: OrderOfWork, rotor: Rotor, plan_command: str, trial_command: str | None = None
) -> list[Block]:
    """Return the report. plan_command: the command that plans this job, up to its options.

    trial_command: the one for a trial weight, where nobody knows yet what weights do.
    """
    report: list[Block] = [
        Heading(f"Order of work: {rotor.name} {order.rotor}, job {order.job}", 1),
        Line(f"After run {order.runs[-1]} of {len(order.runs)}. {_headline(order, rotor)}"),
    ]
    for place, step in enumerate(order.steps, start=1):
        state = "done" if step.name == "read" and step.state == "done" else _STATES[step.state]
        report.append(Heading(f"{place}. {_title(step, rotor)}: {state}"))
        if step.found:
            report.append(_found_table(step.found, rotor))
        said = [*_told(step, order), *_todo(step, rotor)]
        commands = _commands(step, order, rotor, plan_command, trial_command)
        if commands and step.name in _BALANCE and trial_command is not None:
            said.append(_NOT_KNOWN)
        if said:
            report.append(Bullets(tuple(said), "faint" if step.state == "later" else "plain"))
        if commands:
            report.append(Commands(commands))
    report += [Heading("Cautions"), Bullets(SHORT)]
    return report


_BALANCE = ("balance on the ground", "balance in flight")


def _title(step: Step, rotor: Rotor) -> str:
    """Return a step's title; what has no regime on the ground need not fly."""
    if step.name == "balance in flight" and not any(r.on_ground for r in rotor.regimes):
        return "Balance"
    return _TITLES[step.name]


def _headline(order: OrderOfWork, rotor: Rotor) -> str:
    step = order.next
    if order.waiting:
        return "Moves or an event stand after it: run and read before anything else is planned."
    if step is None:
        return "The rotor file has no limit on vibration: whether the work is done, see the manual."
    if step.name == "close":
        return "All that is read and limited is inside: close the work."
    return f"Next: {_title(step, rotor).lower()}."


def _told(step: Step, order: OrderOfWork) -> list[str]:
    """Return what the log says about a step, in sentences."""
    said = []
    if step.name == "read":
        if order.steady is None:
            said.append(
                "No run of this job was repeated with nothing changed: where a reading surprises, "
                "read again before moving anything."
            )
        elif order.steady > _UNSTEADY:
            said.append(
                f"Runs with nothing changed between them are {order.steady:.1f} times as far apart "
                "as readings should be: look at the sensor, the cable, the tape, the wind, and "
                "for play, before any correction."
            )
        else:
            said.append(
                f"Runs with nothing changed between them agree ({order.steady:.1f} of what "
                "readings usually differ by)."
            )
    if step.name == "track" and step.state == "not told":
        said.append("The log holds no limit on track: see that it is inside the manual's.")
    if step.name in _BALANCE and step.state == "not told":
        said.append("The rotor file holds no limit on vibration: take the manual's into it.")
    if step.name == "track":
        said += [
            f"Weights were moved after run {run} while the track was over its limit or not read: "
            "what they were right for has changed since."
            for run in order.early
        ]
        if order.mixed:
            said.append(
                f"Weights and links or tabs were moved together after run {joined(order.mixed)}: "
                "if the next run surprises, what each did cannot be told apart by eye."
            )
    unread = [f for f in step.found if f.amplitude is None]
    if unread:
        what = joined([f"{f.sensor or 'track'} in {f.regime}" for f in unread])
        said.append(f"Not read in this job since its last event: {what}.")
    stale = [f for f in step.found if f.moved_since]
    if stale:
        what = joined([f"{f.sensor or 'track'} in {f.regime}" for f in stale])
        said.append(f"Something was moved since this was last read, so read it again: {what}.")
    return said


def _todo(step: Step, rotor: Rotor) -> Sequence[str]:
    kind = kind_of(rotor)
    if step.name == "look":
        return kind.look
    if step.state == "done":
        return ()
    if step.name == "track":
        return kind.track
    if step.name in _BALANCE:
        return kind.balance if step.state == "now" else ()
    return _CLOSE if step.name == "close" else ()


def _found_table(found: Sequence[Found], rotor: Rotor) -> Block:
    rows = []
    for f in found:
        if f.sensor is None:
            unit, decimals = str(rotor.track_unit), track_decimals(rotor.track_unit)
        else:
            unit = rotor.sensor(f.sensor).unit
            decimals = vibration_decimals(unit)
        ratio = None if f.amplitude is None else f.amplitude / f.limit
        name = f"{f.sensor or 'track spread'} [{unit}]"
        rows.append(
            (name, f.regime, f.run or "-", number(f.amplitude, decimals),
             number(f.limit, decimals), bar(ratio))
        )  # fmt: skip
    tones = ["plain" if f.inside else "bad" for f in found]
    titles = ["Reading", "Regime", ">Run", ">Last read", ">Limit", "Of its limit"]
    return table(titles, rows, tones)  # type: ignore[arg-type]


_NOT_KNOWN = (
    "What weights do to these readings is not known: no chart was named, and the log holds no move "
    "of a weight. Name a chart (--chart; a paper one becomes one by 'adapt from-paper'), or try a "
    "weight of a safe size:"
)


def _commands(
    step: Step, order: OrderOfWork, rotor: Rotor, plan_command: str, trial_command: str | None
) -> tuple[str, ...]:
    """Return the command for a step, of all that was read, so that nothing gets worse."""
    if step.state != "now" or step.name not in ("track", *_BALANCE):
        return ()
    if step.name == "track":
        return (f"{plan_command} --track-first",)
    if trial_command is not None:
        return (trial_command,)
    words = [plan_command]
    words += [f"--lock-adjuster {quote(a.name)}" for a in rotor.adjusters if not a.is_weight]
    in_flight = [f for s in order.steps if s.name == "balance in flight" for f in s.found]
    if step.name == "balance on the ground" and any(f.amplitude is None for f in in_flight):
        words += [f"--regime {quote(r.name)}" for r in rotor.regimes if r.on_ground]
    return (" ".join(words),)


def order_document(order: OrderOfWork) -> dict[str, Any]:
    """Return the document: "steps" with what the log says of each, "next", "waiting"."""
    return {
        "rotor": order.rotor,
        "job": order.job,
        "after_run": order.runs[-1],
        "next": None if order.next is None else order.next.name,
        "waiting": order.waiting,
        "steady": order.steady,
        "moved_together": list(order.mixed),
        "weights_before_track": list(order.early),
        "steps": [
            {
                "step": step.name,
                "state": step.state,
                "found": [
                    {
                        "sensor": f.sensor,
                        "regime": f.regime,
                        "amplitude": f.amplitude,
                        "limit": f.limit,
                        "run": f.run,
                        "moved_since": f.moved_since,
                        "inside": f.inside,
                    }
                    for f in step.found
                ],
            }
            for step in order.steps
        ],
    }
