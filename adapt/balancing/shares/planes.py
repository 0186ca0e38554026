"""The planes of a shaft or a fan: each is shared by itself, over its own holes.

A weight in one plane does not do what the same weight does in another, so nothing is added up
across planes. A holes file that names no plane has one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from adapt.balancing.shares.values import Hole, Holes, Place
from adapt.planning.plan import Move
from adapt.problems import BadInput, one_of, shown
from adapt.sections import Book

__all__ = ["of_plane", "planes_told"]


def planes_told(
    book: Book, holes: Sequence[Hole], places: Sequence[Place]
) -> tuple[list[Hole], list[Place]]:
    """Return holes and adjusters with the planes that they stand in.

    A hole stands in the plane that it names, else in that of its adjuster; an adjuster in the plane
    that it names, else in that of its holes. Where one is named, notes what stands in none or in
    two.
    """
    of_adjuster = {place.adjuster: place.plane for place in places if place.plane}
    told = [
        hole if hole.plane else replace(hole, plane=of_adjuster.get(hole.adjuster or "", ""))
        for hole in holes
    ]
    if not any(hole.plane for hole in told):
        return told, list(places)
    for number, hole in enumerate(told, start=1):
        where = f"[[holes]] {number} ({shown(hole.name)[1:-1]}), key plane"
        its = of_adjuster.get(hole.adjuster or "", hole.plane)
        if not hole.plane:
            expected = "the plane that it stands in, as other holes say"
            book.note("holes", number, None, where, "no plane", expected)
        elif its != hole.plane:
            expected = f"{shown(its)}, the plane of {hole.adjuster}"
            book.note("holes", number, "plane", where, shown(hole.plane), expected)
    found = []
    for number, place in enumerate(places, start=1):
        there = {hole.plane for hole in told if hole.adjuster == place.adjuster}
        plane = place.plane or (next(iter(there)) if len(there) == 1 else "")
        if not plane:
            where = f"[[adjusters]] {number} ({shown(place.adjuster)[1:-1]}), key plane"
            expected = "the plane that its weights stand in"
            book.note("adjusters", number, None, where, "no plane", expected)
        found.append(replace(place, plane=plane))
    return told, found


def of_plane(holes: Holes, moves: Iterable[Move] = (), asked: str | None = None) -> Holes:
    """Return the holes and adjusters of one plane: the one asked for, that of the moves, the only.

    Raises BadInput for a plane that is not there, for moves in several or in another than asked
    for, and where there are several and none is said.
    """
    planes = list(dict.fromkeys(hole.plane for hole in holes.holes))
    named = [plane for plane in planes if plane]
    if not named:
        if asked is not None:
            raise BadInput(f"plane {shown(asked)}: {holes.source or 'the holes'} name no planes")
        return holes
    if asked is not None and asked not in named:
        known = one_of("a plane of the holes file", asked, named)
        raise BadInput(f"plane: found {shown(asked)}, expected {known}")
    of_adjuster = {place.adjuster: place.plane for place in holes.places}
    stand = dict.fromkeys(of_adjuster[m.adjuster] for m in moves if m.adjuster in of_adjuster)
    wanted = dict.fromkeys([*([] if asked is None else [asked]), *stand])
    if len(wanted) > 1:
        which = ", ".join(f"{name} in {plane}" for name, plane in of_adjuster.items())
        raise BadInput(
            f"more than one plane ({which}): a weight in one does not do what it does in another; "
            "share each plane by itself"
        )
    if not wanted and len(named) > 1:
        raise BadInput(
            f"the holes stand in {len(named)} planes ({', '.join(named)}): say which is shared "
            "(--plane)"
        )
    plane = next(iter(wanted), named[0])
    if plane not in named:
        raise BadInput(f"plane {shown(plane)}: no hole stands in it (known: {', '.join(named)})")
    chosen = tuple(hole for hole in holes.holes if hole.plane == plane)
    names = {hole.name for hole in chosen}
    return replace(
        holes,
        holes=chosen,
        places=tuple(place for place in holes.places if place.plane == plane),
        totals=tuple(total for total in holes.totals if set(total.holes) <= names),
    )
