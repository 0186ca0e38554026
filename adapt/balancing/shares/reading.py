"""The reader of the holes file (TOML), which reports every problem of the file at once.

What the values mean stands in `values`. Nothing here repairs: a file is right or refused.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from os import PathLike
from pathlib import Path

from adapt.balancing.shares.planes import planes_told
from adapt.balancing.shares.totals import totals_of
from adapt.balancing.shares.values import MOST_HOLES, Hole, Holes, Piece, Place
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor import Rotor
from adapt.sections import NEEDED, Book, Section, Words, name_of, open_book

__all__ = ["holes_problems", "read_holes"]

_PARTS = ("holes", "pieces", "adjusters")
MOST = 10_000  # pieces in a hole or in stock: more is a slip; leave the key out for no end


def read_holes(path: str | PathLike[str], rotor: Rotor) -> Holes:
    """Read a holes file for a rotor.

    [[holes]]: name; angle_deg from the first blade in passing order, or blade = its name and
    angle_deg after it (0 when left out); radius_mm; most_g and most_pieces, one of them at least;
    fitted = { "5 g washer" = 2 }; adjuster, of the rotor file, that a mass in it is an amount of;
    plane, of a shaft or fan with more than one (see `planes`).
    [[pieces]]: name; mass_g; stock, those that lie ready (no end when left out).
    [[adjusters]]: name, of the rotor file, in g; radius_mm; angle_deg after the blade (0);
    plane.
    What the holes of a blade may carry in all comes from the rotor file's ranges (see `totals`).

    Raises BadInput with every problem found: line, section and key, what was found and expected.
    """
    return _read(path, rotor)


def holes_problems(path: str | PathLike[str]) -> tuple[Problem, ...]:
    """Return what is wrong with a holes file by itself, where its rotor file cannot be read."""
    try:
        _read(path, None)
    except BadInput as error:
        return error.problems
    return ()


def _read(path: str | PathLike[str], rotor: Rotor | None) -> Holes:
    """Read a holes file; without a rotor its names are not looked up, and no angle is right."""
    book = open_book(Path(path), "a holes file", _PARTS)
    pieces = _pieces(book)
    holes = _holes(book, rotor)
    places = _places(book, rotor)
    if not book.problems:
        holes, places = planes_told(book, holes, places)
    if book.problems:
        raise BadInput(sorted(book.problems, key=lambda p: p.row or 0))
    totals = totals_of(holes, rotor) if rotor is not None else ()
    return Holes(tuple(holes), tuple(pieces), tuple(places), totals, str(book.file))


def _pieces(book: Book) -> list[Piece]:
    found = []
    for section in book.sections("pieces"):
        name, mass = section.text("name", NEEDED), section.number("mass_g", NEEDED, above=0)
        stock = _whole(section, "stock", 0)
        section.close()
        if name is not None and mass is not None:
            found.append(Piece(name, mass, stock))
    book.once("pieces", book.declared("pieces"))
    return found


def _holes(book: Book, rotor: Rotor | None) -> list[Hole]:
    sections = book.sections("holes")
    if len(sections) > MOST_HOLES:
        expected = f"{MOST_HOLES} at most"
        book.note("holes", None, None, "[[holes]]", f"{len(sections)} sections", expected)
    holes = [h for section in sections if (h := _hole(section, rotor))]
    book.once("holes", book.declared("holes"))
    return holes


def _hole(section: Section, rotor: Rotor | None) -> Hole | None:
    name = section.text("name", NEEDED)
    if rotor is None:
        blade = section.text("blade")
    else:
        blade = section.known("blade", "a blade of the rotor file", rotor.blades)
    angle = section.number("angle_deg", 0.0 if "blade" in section.values else NEEDED)
    radius = section.number("radius_mm", NEEDED, above=0)
    most_g = section.number("most_g", above=0)
    most_pieces = _whole(section, "most_pieces", 1)
    adjuster = _adjuster(section, rotor, "adjuster")
    fitted, plane = _fitted(section), section.text("plane") or ""
    section.close()
    if "most_g" not in section.values and "most_pieces" not in section.values:
        neither = Words("neither most_g nor most_pieces")
        section.wrong(None, neither, "what the hole may carry: one of them at least")
    if "adjuster" in section.values and "blade" not in section.values:
        section.wrong("adjuster", section.values["adjuster"], "this key only beside blade")
    if name is None or angle is None or radius is None or fitted is None:
        return None
    if blade is not None and rotor is not None:
        angle += math.degrees(float(rotor.psi[rotor.blades.index(blade)]))
    return Hole(name, angle % 360.0, radius, most_g, most_pieces, fitted, blade, adjuster, plane)


def _fitted(section: Section) -> dict[str, int] | None:
    value = section.get("fitted", {})
    expected = 'pieces and how many of each, as in { "5 g washer" = 2 }'
    if not isinstance(value, Mapping):
        section.wrong("fitted", value, expected)
        return None
    known = section.book.declared("pieces")
    counts: dict[str, int] = {}
    for key, number in value.items():
        name = name_of(key) or ""
        if name not in known:
            section.wrong("fitted", key, one_of("a piece of this file", name, known))
        elif isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= MOST:
            section.wrong("fitted", number, f"a whole number of {shown(name)}, 0 or more")
        elif name in counts:
            section.wrong("fitted", Words(f"{shown(name)} twice"), "each piece once")
        else:
            counts[name] = number
    return counts


def _places(book: Book, rotor: Rotor | None) -> list[Place]:
    found = []
    for section in book.sections("adjusters", needed=False):
        name = _adjuster(section, rotor, "name", NEEDED)
        radius = section.number("radius_mm", NEEDED, above=0)
        angle, plane = section.number("angle_deg", 0.0), section.text("plane") or ""
        section.close()
        if name is not None and radius is not None and angle is not None:
            found.append(Place(name, radius, angle % 360.0, plane))
    book.once("adjusters", book.declared("adjusters"))
    return found


def _adjuster(
    section: Section, rotor: Rotor | None, key: str, default: object = None
) -> str | None:
    """Return the name of an adjuster of the rotor file that is a weight in g."""
    if rotor is None:
        return section.text(key, default)
    name = section.known(key, "an adjuster of the rotor file", rotor.adjuster_names, default)
    if name is not None and rotor.adjuster(name).unit != "g":
        found = Words(f"{shown(name)} in {rotor.adjuster(name).unit}")
        section.wrong(key, found, "an adjuster in g")
        return None
    return name


def _whole(section: Section, key: str, least: int) -> int | None:
    value = section.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= MOST:
        section.wrong(key, value, f"a whole number, {least} to {MOST}")
        return None
    return value
