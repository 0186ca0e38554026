"""The cautions under every plan and the checks that its moves call for, as tables to extend.

To teach the program a new kind of hardware, add one `Hardware` to HARDWARE. All texts are common
practice of the trade (no source); the aircraft's maintenance manual comes before every one of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from adapt.planning.plan import Move, Plan
from adapt.reports.wording import count, joined, signed, sure_digits
from adapt.rotor import Adjuster, Rotor

__all__ = [
    "ALWAYS",
    "HARDWARE",
    "OTHER",
    "SHORT",
    "WHOLE",
    "Hardware",
    "checks_for",
    "hardware_of",
    "stop_and_inspect",
    "unusually_much",
    "what_to_do",
]

SHORT: tuple[str, ...] = (
    "Rotating blades kill: stay clear, and secure cables and brackets away from rotors and "
    "controls.",
    "The maintenance manual and its limits come first; work and release are for licensed people "
    "under the rules of their authority.",
    "A plan is advice from past readings, not an approval. If the rotor does not answer as "
    "predicted, stop and inspect: balancing must never hide a mechanical fault.",
)

WHOLE: tuple[str, ...] = (
    "Rotating blades kill. Nobody under or near a turning rotor. Cables, brackets, sensors, tape "
    "and targets are secured clear of rotors and flight controls before every start, and looked at "
    "after it.",
    "The maintenance manual and its limits come first. Limits, ranges and steps in the rotor file "
    "are copied from the manual by the person who answers for them, and checked by a second.",
    "Work and release are for licensed people under the rules of their authority. A plan is advice "
    "from past readings, not an approval, and nothing that the program prints releases an "
    "aircraft.",
    "Look before balancing: play in rod ends and bearings, dampers, lost or cracked hardware, "
    "dirt, ice or water in blades, damage. Balancing must never hide a mechanical fault.",
    "Stop and inspect when a plan asks for unusually much, when a rotor's coefficients have "
    "changed, or when a rotor does not answer to its moves as predicted.",
    "Write down what was really done, on which blade and in which sense: a move logged on the "
    "wrong blade misleads every later plan.",
    "A clock angle belongs to its set-up. Another pickup, tape, edge or sensor place turns "
    "readings; a quarter turn off, a correction of the right size makes the vibration grow.",
    "An old plan is not tonight's. A plan names the run and the date that it starts from. When "
    "anything was changed since, fly and read again first.",
)
"""For paper: those of docs/cautions.md that concern a job; the checks after moves stand apart."""

ALWAYS: tuple[str, ...] = ("Ground run inside its limits before flight.",)


@dataclass(frozen=True)
class Hardware:
    """A kind of adjuster: the words that tell it by its name, what plus and minus mean, checks.

    plus, minus: what to do for a positive and a negative amount; "{}" takes the amount with unit.
    checks: after any move of it. checks_when_mean_changes: when the moves do not sum to zero.
    """

    kind: str
    words: tuple[str, ...]
    plus: str
    minus: str
    checks: tuple[str, ...]
    checks_when_mean_changes: tuple[str, ...] = ()


HARDWARE: tuple[Hardware, ...] = (
    Hardware(
        kind="pitch link",
        words=(
            "pitch link",
            "pitch change link",
            "pitch rod",
            "pitch change rod",
            "pc link",
            "control rod",
        ),
        plus="{} so that the blade flies higher",
        minus="{} so that the blade flies lower",
        checks=(
            "Pitch links: independent inspection of the flight controls before flight; thread "
            "engagement inside the manual's limits, jam nuts torqued and locked; controls full, "
            "free and correct.",
        ),
        checks_when_mean_changes=(
            "Pitch links changed by {sum} in sum, which changes the mean pitch of the blades: "
            "autorotation rpm as the manual says.",
        ),
    ),
    Hardware(
        kind="trim tab",
        words=("trim tab", "tab"),
        plus="bend {} so that the blade flies higher",
        minus="bend {} so that the blade flies lower",
        checks=(
            "Trim tabs: measure the angle with the tab gauge before and after the bend; stay "
            "inside the manual's range; look for cracks and disbonding at the bend.",
        ),
    ),
    Hardware(
        kind="tip weight",
        words=("tip weight", "blade tip", "tip mass"),
        plus="add {}",
        minus="remove {}",
        checks=(
            "Tip weights: hardware secured, torqued and locked as the manual says; tip covers "
            "fitted; weights recorded blade by blade.",
        ),
    ),
    Hardware(
        kind="sweep",
        words=("sweep", "lead lag", "drag brace", "drag link"),
        plus="{}",
        minus="{}",
        checks=(
            "Sweep of blades: independent inspection; fasteners torqued and locked as the manual "
            "says; blade alignment measured again.",
        ),
    ),
    Hardware(
        kind="balance weight",
        words=("weight", "washer", "mass", "bolt", "shim"),
        plus="add {}",
        minus="remove {}",
        checks=(
            "{adjuster}: hardware secured, torqued and locked as the manual says; weights "
            "recorded blade by blade; nothing can touch through the whole range of pitch and flap.",
        ),
    ),
)
"""The first whose words stand in the adjuster's name is taken: the special before the general."""

OTHER = Hardware(
    kind="other",
    words=(),
    plus="{}",
    minus="{}",
    checks=(
        "{adjuster}: secured and inspected as the manual says; independent inspection if any "
        "flight control was disturbed.",
    ),
)


def hardware_of(adjuster: Adjuster) -> Hardware:
    """Return what is known of an adjuster's kind of hardware, told by its name.

    Else by what it is: a weight is a balance weight whatever it is called; all others are OTHER.
    """
    name = re.sub(r"[\W_]+", " ", adjuster.name.casefold())

    def told(hardware: Hardware) -> bool:
        return any(re.search(rf"\b{word}(e?s)?\b", name) for word in hardware.words)

    usual = HARDWARE[-1] if adjuster.is_weight else OTHER
    return next((hardware for hardware in HARDWARE if told(hardware)), usual)


def what_to_do(move: Move, adjuster: Adjuster) -> str:
    """Return a move as an instruction in words: "add 40 g".

    The rotor file's own words for the positive sense always stand with it, because which way a
    link turns depends on the horn.
    """
    hardware = hardware_of(adjuster)
    digits = sure_digits(adjuster.step)
    amount = f"{abs(move.amount):.{digits}f} {adjuster.unit}"
    usual = (hardware.plus if move.amount > 0 else hardware.minus).format(amount)
    if adjuster.positive is None or adjuster.positive.casefold() in ("add", "add weight"):
        return usual if usual != amount else f"{move.amount:+.{digits}f} {adjuster.unit}"
    if move.amount > 0:
        return f"{amount}: {adjuster.positive}"
    if usual == amount:
        return f"{amount}: the opposite of '{adjuster.positive}'"
    return f"{usual} (plus would be: {adjuster.positive})"


def checks_for(moves: Iterable[Move], rotor: Rotor) -> tuple[str, ...]:
    """Return the checks that these moves call for, the special first; empty without moves."""
    totals: dict[str, float] = {}
    for move in moves:
        totals[move.adjuster] = totals.get(move.adjuster, 0.0) + move.amount
    names: dict[Hardware, list[str]] = {}
    for name in totals:
        names.setdefault(hardware_of(rotor.adjuster(name)), []).append(name)
    checks: list[str] = []
    for hardware, adjusters in names.items():
        title = joined(adjusters)
        checks += [text.format(adjuster=title[:1].upper() + title[1:]) for text in hardware.checks]
        for name in adjusters:
            adjuster, total = rotor.adjuster(name), totals[name]
            if abs(total) > 1e-6 * adjuster.step:
                change = f"{signed(total, adjuster.step)} {adjuster.unit}"
                checks += [text.format(sum=change) for text in hardware.checks_when_mean_changes]
    return (*checks, *ALWAYS) if totals else ()


def unusually_much(plan: Plan, rotor: Rotor) -> tuple[str, ...]:
    """Return why a plan asks for so much that a mechanic should look for a cause first.

    Unusually much: more than five moves; a move of more than half the adjuster's fitted range; a
    move as large as the rotor file allows. The thresholds are the program's own, set low.
    """
    reasons: list[str] = []
    if len(plan.moves) > 5:
        reasons.append(f"the plan needs {count(len(plan.moves), 'move')}")
    for move in plan.moves:
        adjuster = rotor.adjuster(move.adjuster)
        low, high = adjuster.fitted_range
        size = abs(move.amount)
        what = f"{adjuster.name} on blade {move.blade}"
        if adjuster.largest_move is not None and size > adjuster.largest_move - 0.5 * adjuster.step:
            reasons.append(f"{what} moves as far as one move may")
        elif size > 0.5 * (high - low):
            reasons.append(f"{what} moves by more than half its range")
    return tuple(reasons)


def stop_and_inspect(reasons: tuple[str, ...]) -> str:
    """Return the sentence for `unusually_much`."""
    return (
        f"Unusually much: {joined(reasons)}. Stop and inspect before correcting: dampers, "
        "bearings, rod ends, mounts, and the last work done on this rotor."
    )
