"""What a set-up is in words, under its drawing and in its report; lines that fit a width."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from adapt.balancing.setup.geometry import from_side
from adapt.balancing.setup.turns import Turn, shown_name
from adapt.balancing.setup.values import Mount, Setup
from adapt.phasor import clock_text, phase_deg, to_complex
from adapt.reports.wording import joined
from adapt.rotor import Rotor

__all__ = ["fitted", "numbered", "offset", "sentences", "sits", "told_under", "turned_phase"]

EXAMPLE_DEG = 130.0  # 4:20
MOST_NAMES = 3  # of sensors around the shaft: more get numbers


def sentences(turns: Mapping[str, Turn], rotor: Rotor) -> list[str]:
    """Return in words what a reading here is on the chart, sensors that turn alike together."""
    alike: dict[str, list[str]] = {}
    for name in (s.name for s in rotor.sensors):
        turn = turns[name]
        if turn.cannot:
            text = f"cannot be turned: {turn.cannot}"
        else:
            about = "about " if turn.approximate else ""
            after = clock_text(turned_phase(turn, EXAMPLE_DEG))
            before = clock_text(EXAMPLE_DEG)
            text = f"a reading of {before} here is {about}{after} on the chart"
            if turn.mirrors:
                text += f", where it is shown as {turn.phase_to}"
        alike.setdefault(text, []).append(shown_name(name))
    return [f"{joined(names)}: {text}." for text, names in alike.items()]


def turned_phase(turn: Turn, phase: float) -> float:
    """Return a phase as shown here as the chart shows it, both [deg]."""
    return float(phase_deg(turn(to_complex(1.0, phase))))


def fitted(said: Sequence[str], most: int, width: int) -> str:
    """Return sentences wrapped to a width; what does not fit is left out, and that is said.

    >>> print(fitted(["One short sentence.", "Two.", "Three."], 2, 20))
    One short sentence.
    The rest stands in the report.
    """
    lines: list[str] = []
    for number, sentence in enumerate(said):
        own = textwrap.wrap(sentence, width, subsequent_indent="   ")
        if len(lines) + len(own) > most - (number < len(said) - 1):
            return "\n".join([*lines, "The rest stands in the report."])
        lines += own
    return "\n".join(lines)


def numbered(setup: Setup, mount: Mount) -> str:
    """Return the number of a sensor around the shaft where there are too many for names."""
    around = [m.sensor for m in setup.mounts if m.angle_deg is not None]
    if len(around) <= MOST_NAMES or mount.sensor not in around:
        return ""
    return f"({around.index(mount.sensor) + 1})"


def told_under(setup: Setup, side: str) -> list[str]:
    """Return what stands under a disc, angles as seen from the side that is drawn."""
    reference = setup.reference
    pickup = from_side(reference.angle_deg, setup.seen_from, side)
    of_tape = "Tape" if reference.kind == "photocell" else "Interrupter"
    wide = f" {reference.width_deg:.3g} deg wide," if reference.width_deg else ""
    edge = "its centre" if reference.answers_to == "centre" else f"its {reference.answers_to} edge"
    swapped = " (wires swapped)" if reference.wires_swapped else ""
    turns = "clockwise" if setup.clockwise == (setup.seen_from == side) else "anticlockwise"
    told = [
        f"The rotor turns {turns}; 12 o'clock: {setup.twelve}. Its file: seen from "
        f"{setup.seen_from}.",
        f"Pickup: {reference.kind} {_angle_text(pickup)}.",
        f"{of_tape}:{wide} middle {offset(reference.ahead_deg)} blade {reference.blade}; {edge} "
        f"makes the pulse{swapped}.",
    ]
    for m in setup.mounts:
        number = numbered(setup, m)
        told.append(f"{number + ' ' if number else ''}{m.sensor}: {sits(setup, m, side)}.")
    return told


def sits(setup: Setup, mount: Mount, side: str) -> str:
    """Return where a sensor sits and what it shows, angles as seen from a side."""
    place = ""
    if mount.angle_deg is not None:
        place = f", {_angle_text(from_side(mount.angle_deg, setup.seen_from, side))}"
    way = f"{mount.positive}, sign changed" if mount.reversed else mount.positive
    late = f", {mount.lag_deg:+.4g} deg by the instrument" if mount.lag_deg else ""
    return f"{mount.place}{place}; positive {way}; shown as {mount.phase}{late}"


def _angle_text(angle: float) -> str:
    return f"at {clock_text(angle)} ({angle % 360.0:.4g} deg)"


def offset(ahead: float) -> str:
    """Return where the middle of a tape stands against a blade [deg ahead] in words.

    >>> offset(0.0), offset(-20.0)
    ('on', '20 deg behind')
    """
    if ahead == 0.0:
        return "on"
    return f"{abs(ahead):.4g} deg {'ahead of' if ahead > 0 else 'behind'}"
