"""How a paper chart is used, in sentences: step by step, and what plus and minus mean."""

from __future__ import annotations

from adapt.balancing.paper.minus import instead_of_minus
from adapt.balancing.paper.page import Page
from adapt.reports.balancing.paper_parts import Part, axis_text, capital, short
from adapt.reports.cautions import hardware_of
from adapt.reports.wording import joined
from adapt.rotor import Adjuster, Rotor

__all__ = ["how_to_use", "plus_and_minus"]

WEIGHTS = ("tip weight", "balance weight")  # kinds of hardware, as their names tell them


def how_to_use(page: Page, rotor: Rotor) -> Part:
    """Return the steps from a reading to a correction."""
    axes = page.axes
    steps = [
        f"{rotor.adjuster(a.adjuster).step:g} {short(rotor.adjuster(a.adjuster).unit)}"
        for a in axes.pair
    ]
    each = " and ".join(dict.fromkeys(steps))
    first, second = (axis_text(axis) for axis in axes.pair)
    inside = "" if page.limit is None else " Inside the double ring it is within its limit."
    return Part(
        "How to use it",
        (
            f"Read {short(axes.sensor)} in {short(axes.regime)} as the maintenance manual says; "
            "write down amplitude and clock angle.",
            f"Mark the reading: at its clock angle, as far out as its amplitude.{inside}",
            f"Between the nearest solid lines read the amount for {first}, between the nearest "
            f"dashed lines that for {second}. Round each to whole steps of {each}.",
            "Make both corrections, record them, do the checks that they call for, and read again.",
            "If the next reading is not where this chart leads you to expect, do not correct "
            "again: stop and inspect.",
        ),
        numbered=True,
    )


def plus_and_minus(page: Page, rotor: Rotor) -> Part:
    """Return what the sign of an amount means, and how much of it there may be."""
    sentences: list[str] = []
    order = rotor.sensor(page.axes.sensor).order
    for name in dict.fromkeys(axis.adjuster for axis in page.axes.pair):
        adjuster = rotor.adjuster(name)
        sentences.append(f"{capital(short(name))}: plus is {_plus(adjuster)}, {_minus(adjuster)}.")
        for axis in page.axes.pair:
            instead = instead_of_minus(rotor, axis, order)
            if axis.adjuster == name and _is_weight(adjuster) and instead is not None:
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
        if rotor.has_track and not _is_weight(adjuster):
            sentences.append("It moves the track, too: read that again, and keep it in its limits.")
        sentences.append(_most(adjuster))
    return Part("Plus and minus", tuple(sentences))


def _plus(adjuster: Adjuster) -> str:
    if adjuster.positive is not None and adjuster.positive.casefold() != "add":
        return f"'{short(adjuster.positive, 60)}'"
    if _is_weight(adjuster):
        return "add weight"
    told = hardware_of(adjuster).plus.replace("{}", "").strip()
    return f"'{told}'" if told else "the positive sense of the rotor file"


def _minus(adjuster: Adjuster) -> str:
    if _is_weight(adjuster):
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
    return capital(f"{move}on a blade in all {low:g} to {high:g} {unit}.")


def _is_weight(adjuster: Adjuster) -> bool:
    by_name = adjuster.kind is None and hardware_of(adjuster).kind in WEIGHTS
    return adjuster.is_weight or by_name
