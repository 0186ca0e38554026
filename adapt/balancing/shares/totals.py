"""What several holes may carry in all: the rotor file's ranges of a blade, and as arrays.

A mass in a hole that names blade and adjuster is an amount of that adjuster on that blade, so the
range of what one blade may carry bounds all its holes of the adjuster together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.contents import Bounds
from adapt.balancing.shares.values import SLACK, Hole, Holes, Total
from adapt.rotor import Rotor

__all__ = ["change_of", "room_of", "rows_of", "totals_of"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]
Row = tuple[npt.NDArray[np.bool_], float, float]

_CLIP = 1e15  # units: so much mass is over every limit, and a sum of 120 holes stays a whole number


def totals_of(holes: Sequence[Hole], rotor: Rotor) -> tuple[Total, ...]:
    """Return what the holes of each blade may carry in all, by the rotor file.

    One for each blade and adjuster that holes name, and for each range that adjusters in g share
    there. Amounts that stand in no hole of the file are not counted.
    """
    found = []
    ranges: list[tuple[tuple[str, ...], tuple[float, float]]]
    ranges = [((a.name,), a.fitted_range) for a in rotor.adjusters]
    ranges += [(shared.adjusters, shared.fitted_range) for shared in rotor.shared_ranges]
    for names, (least, most) in ranges:
        if any(rotor.adjuster(name).unit != "g" for name in names):
            continue
        for blade in rotor.blades:
            there = [h for h in holes if h.blade == blade and h.adjuster in names]
            if there and {h.adjuster for h in there} == set(names):
                what = f"{' and '.join(names)} on blade {blade}"
                found.append(Total(what, tuple(h.name for h in there), most, max(least, 0.0)))
    return tuple(found)


def rows_of(holes: Holes, bounds: Sequence[Bounds]) -> list[Row]:
    """Return the totals that can bind: member holes (hole,), most [g], and its sign.

    Sign -1 with a negative most states a least. What the holes' own bounds keep is left out.
    """
    names = [hole.name for hole in holes.holes]
    now = holes.fitted @ holes.masses
    most = np.array([bound.most_g for bound in bounds])
    rows: list[Row] = []
    for total in holes.totals:
        member = np.isin(names, total.holes)
        if most[member].sum() > total.most_g * (1.0 + SLACK):
            # Over it, it may be left, and is only changed towards it.
            rows.append((member, max(total.most_g, float(now[member].sum())), 1.0))
        if total.least_g > 0.0:
            rows.append((member, -min(total.least_g, float(now[member].sum())), -1.0))
    return rows


def _unit(most: float) -> float:
    """Return the unit in which a total is counted [g]: far below what masses are exact to."""
    return max(abs(most), 1e-6) * SLACK


def change_of(rows: Sequence[Row], hole: int, mass: Real) -> Int:
    """Return what contents of a hole add to each total, (content, total); mass: (content,) [g]."""
    columns = [
        np.clip(np.round(sign * mass / _unit(most)), -_CLIP, _CLIP)
        if member[hole]
        else np.zeros(len(mass))
        for member, most, sign in rows
    ]
    return np.array(columns, dtype=np.int64).reshape(len(rows), len(mass)).T


def room_of(rows: Sequence[Row], base: Real) -> Int:
    """Return what may be added to each total, (total,); base: (hole,) [g] before any choice."""
    left = [
        np.floor((most - sign * float(base[member].sum())) / _unit(most) + 1.5 + member.sum())
        for member, most, sign in rows
    ]
    return np.array(left, dtype=np.int64)
