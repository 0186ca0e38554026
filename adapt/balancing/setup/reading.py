"""The reader of a set-up file (TOML), which reports every problem of the file at once.

What the values mean stands in `values`. Sections [setup], [reference] and [[sensors]].
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Literal, get_args

from adapt.balancing.setup.geometry import from_side
from adapt.balancing.setup.values import (
    OPPOSITE_DIRECTION,
    OTHER_SIDE,
    Edge,
    Mount,
    Reference,
    Setup,
)
from adapt.phasor import CLOCK_EXPECTED, ClockError, clock_to_deg
from adapt.problems import BadInput, one_of, shown
from adapt.rotor import Rotor
from adapt.sections import NEEDED, Book, Section, Words, name_of, open_book

__all__ = ["read_setup"]

WIDEST_DEG = 180.0  # a tape over half the disc has no edge that anybody would call leading
MOST_AHEAD_DEG = 360.0
MOST_LAG_DEG = 720.0
_PARTS = ("setup", "reference", "sensors")
_AROUND = ("outwards", "inwards")


def read_setup(path: str | PathLike[str], rotor: Rotor) -> Setup:
    """Read a set-up file of a rotor.

    Sensors it does not list stand where they always stood. Raises BadInput with every problem
    found: line, section and key, what was found and expected.
    """
    file = Path(path)
    book = open_book(file, "a set-up file", _PARTS)
    main, reference = _one(book, "setup"), _one(book, "reference")
    setup = _setup(book, main, reference, rotor, file)
    if book.problems or setup is None:
        raise BadInput(sorted(book.problems, key=lambda p: p.row or 0))
    return setup


def _one(book: Book, part: str) -> Section | None:
    """Return the one section of a kind; note when it is not there."""
    value = book.content.get(part)
    if not isinstance(value, Mapping):
        book.note(part, None, None, f"[{part}]", "no such section", f"a section [{part}]")
        return None
    return Section(book, part, None, value)


def _setup(
    book: Book, main: Section | None, reference: Section | None, rotor: Rotor, file: Path
) -> Setup | None:
    side = name = twelve = rotation = None
    clockwise = True
    if main is not None:
        name = main.text("name", NEEDED)
        _check_rotor(main, rotor)
        side = main.choice("seen_from", tuple(OTHER_SIDE), NEEDED)
        twelve = main.text("twelve", NEEDED)
        rotation = main.choice("rotation", ("clockwise", "anticlockwise"), NEEDED)
        other = _side(main, "rotation_seen_from", side)
        clockwise = (rotation == "clockwise") == (other == side)
        main.close()
    pickup = None if reference is None else _reference(reference, rotor, side)
    sections = book.sections("sensors", needed=False)
    mounts = [m for s in sections if (m := _mount(s, rotor, side))]
    book.once("sensors", [m.sensor for m in mounts])
    if name is None or side is None or twelve is None or rotation is None or pickup is None:
        return None
    return Setup(name, side, twelve, clockwise, pickup, tuple(mounts), str(file))


def _check_rotor(main: Section, rotor: Rotor) -> None:
    named = main.text("rotor")
    if named is not None and named != rotor.name:
        main.wrong("rotor", named, f"{shown(rotor.name)}, the rotor of the rotor file")


def _side(section: Section, key: str, side: str | None) -> str | None:
    """Return the side that a key names, that of the whole set-up when it names none."""
    named = section.choice(key, tuple(OTHER_SIDE))
    if named is None or side is None:
        return side
    if named not in (side, OTHER_SIDE[side]):
        section.wrong(key, named, f"{side} or {OTHER_SIDE[side]}, the two sides of this disc")
        return side
    return str(named)


def _place(section: Section, side: str | None, needed: bool) -> float | None:
    """Return an angle of the disc, clockwise as seen from the set-up's side [deg]."""
    named = _side(section, "seen_from", side)
    clock, degrees = section.get("clock"), section.number("angle_deg")
    if clock is not None and "angle_deg" in section.values:
        section.wrong("angle_deg", Words("both clock and angle_deg"), "one of them")
        return None
    if clock is not None:
        try:
            degrees = clock_to_deg(clock if isinstance(clock, str) else "")
        except ClockError:
            section.wrong("clock", clock, f'{CLOCK_EXPECTED}, in quotes as in "4:30"')
            return None
    elif "angle_deg" not in section.values and needed:
        section.wrong(None, Words("neither clock nor angle_deg"), 'a place, as in clock = "4:30"')
    if degrees is None or named is None or side is None:
        return degrees
    return from_side(degrees, named, side)


def _reference(section: Section, rotor: Rotor, side: str | None) -> Reference | None:
    kind = section.choice("kind", ("photocell", "magnetic"), NEEDED)
    angle = _place(section, side, needed=True)
    blade = section.known("blade", "a blade of the rotor file", rotor.blades, NEEDED)
    ahead = _within(section, "ahead_deg", MOST_AHEAD_DEG)
    behind = _within(section, "behind_deg", MOST_AHEAD_DEG)
    if "ahead_deg" in section.values and "behind_deg" in section.values:
        section.wrong("behind_deg", Words("both ahead_deg and behind_deg"), "one of them")
    edge = section.choice("edge", get_args(Edge), NEEDED)
    width = _width(section, edge)
    swapped = section.flag("wires_swapped")
    section.close()
    if swapped and kind == "photocell":
        section.wrong("wires_swapped", True, "this key only for a magnetic pickup")
    if swapped and edge == "centre":
        expected = (
            "an edge, leading or trailing: what an instrument that answers to the centre does with "
            "swapped wires is not known (swap them back)"
        )
        section.wrong("wires_swapped", True, expected)
    if kind is None or angle is None or blade is None or edge is None:
        return None
    offset = (ahead or 0.0) - (behind or 0.0)
    return Reference(kind, angle, blade, offset, edge, width or 0.0, swapped)


def _within(section: Section, key: str, most: float) -> float | None:
    """Return a number between -most and most."""
    value = section.number(key)
    if value is not None and abs(value) > most:
        section.wrong(key, value, f"degrees from -{most:g} to {most:g}")
        return None
    return value


def _width(section: Section, edge: str | None) -> float | None:
    """Return the width of the tape or interrupter [deg of the disc]."""
    degrees = section.number("width_deg", least=0)
    width, radius = section.number("width_mm", above=0), section.number("radius_mm", above=0)
    of_length = {"width_mm", "radius_mm"} & set(section.values)
    if of_length and "width_deg" in section.values:
        section.wrong("width_deg", Words("the width twice"), "width_deg, or width_mm and radius_mm")
        return None
    if len(of_length) == 1:
        expected = (
            "width_mm together with radius_mm, the radius at which the tape passes the pickup"
        )
        section.wrong(of_length.pop(), Words("one without the other"), expected)
        return None
    if width is not None and radius is not None:
        degrees = math.degrees(width / radius)
    elif "width_deg" not in section.values and not of_length and edge in ("leading", "trailing"):
        expected = "width_deg, or width_mm and radius_mm: an edge is half a width off the middle"
        section.wrong(None, Words("no width"), expected)
    if degrees is not None and degrees >= WIDEST_DEG:
        key = "width_mm" if of_length else "width_deg"
        section.wrong(key, Words(f"{degrees:g} deg"), f"less than {WIDEST_DEG:g} deg")
    return degrees


def _mount(section: Section, rotor: Rotor, side: str | None) -> Mount | None:
    own = {s.name: s for s in rotor.sensors if s.combination is None}
    name = section.text("name", NEEDED)
    if name is not None and name not in own:
        made = name in {s.name for s in rotor.sensors}
        expected = one_of("a sensor of the rotor file", name, own)
        section.wrong(
            "name",
            Words(f"{shown(name)}, which is made of others") if made else name,
            "the sensors that it is made of" if made else expected,
        )
    place = section.text("place", NEEDED)
    positive = section.choice("positive", tuple(OPPOSITE_DIRECTION), NEEDED)
    around = positive in _AROUND
    angle = _place(section, side, needed=around)
    for key in ("clock", "angle_deg", "seen_from"):
        if positive is not None and not around and key in section.values:
            section.wrong(key, Words(f"a place around the shaft, positive {positive}"),
                          "such a place only with positive outwards or inwards")  # fmt: skip
    usual: Literal["lag", "lead"] = own[name].phase if name in own else "lag"
    phase = section.choice("phase", ("lag", "lead"), usual)
    lag = _within(section, "lag_deg", MOST_LAG_DEG)
    swapped = section.flag("reversed")
    section.close()
    if name is None or name_of(name) not in own or place is None or positive is None:
        return None
    if phase is None or (around and angle is None):
        return None
    return Mount(name, place, positive, angle if around else None, phase, lag or 0.0, swapped)
