"""Weights over holes by definition: every content of every hole tried, keys compared one by one.

Shares nothing with `adapt.balancing.shares` but the values that state the problem.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares import Hole, Holes, Piece, Total

Int = npt.NDArray[np.int64]
EQUAL = 1e-7  # [g mm]: residuals closer than this count as equal


def drawn_holes(rng: np.random.Generator, most_holes: int = 4, even: bool | None = None) -> Holes:
    """Return a small problem: 1 to `most_holes` holes, 1 to 3 kinds, some fitted, some scarce."""
    number, kinds = int(rng.integers(1, most_holes + 1)), int(rng.integers(1, 4))
    if number == 4:
        kinds = min(kinds, 2)
    even = bool(rng.random() < 0.5) if even is None else even
    pieces = tuple(
        Piece(f"kind {k}", float(mass), None if rng.random() < 0.5 else int(rng.integers(0, 3)))
        for k, mass in enumerate(rng.choice([1.0, 2.0, 2.5, 5.0, 10.0, 0.7], kinds, replace=False))
    )
    holes = []
    for h in range(number):
        angle = 360.0 * h / number if even else float(rng.uniform(0.0, 360.0))
        radius = 100.0 if even else float(rng.choice([80.0, 100.0, 130.0]))
        most_pieces = None if rng.random() < 0.2 else int(rng.integers(1, 4))
        most_g = (
            float(rng.choice([4.0, 8.0, 12.0]))
            if most_pieces is None or rng.random() < 0.4
            else None
        )
        if most_pieces is None:
            most_g = min(most_g or 4.0, 3.0 * min(p.mass_g for p in pieces))
        fitted = {p.name: int(rng.integers(0, 3)) for p in pieces if rng.random() < 0.3}
        holes.append(Hole(f"hole {h}", angle, radius, most_g, most_pieces, fitted))
    return Holes(tuple(holes), pieces)


def with_totals(rng: np.random.Generator, holes: Holes) -> Holes:
    """Return the problem with one or two limits on what some of its holes carry in all."""
    totals = []
    for k in range(int(rng.integers(1, 3))):
        chosen = [hole.name for hole in holes.holes if rng.random() < 0.7]
        most = float(rng.choice([2.0, 4.0, 8.0]))
        least = float(rng.choice([0.0, 0.0, 1.0, 4.0]))
        totals.append(Total(f"total {k}", tuple(chosen), max(most, least), least))
    return replace(holes, totals=tuple(totals))


def inside(holes: Holes, then: Int) -> bool:
    """Return whether every total is kept, or one that is not kept now is not made worse."""
    for total in holes.totals:
        member = [hole.name in total.holes for hole in holes.holes]
        now, mass = ((counts @ holes.masses)[member].sum() for counts in (holes.fitted, then))
        if not min(total.least_g, now) - 1e-6 <= mass <= max(total.most_g, now) + 1e-6:
            return False
    return True


def every_content(holes: Holes) -> Iterator[Int]:
    """Yield everything that may be fitted, (hole, piece)."""
    masses = holes.masses
    choices = []
    for hole, now in zip(holes.holes, holes.fitted, strict=True):
        most = max(hole.most_pieces if hole.most_pieces is not None else 10**9, int(now.sum()))
        most_g = max(hole.most_g if hole.most_g is not None else np.inf, float(now @ masses))
        top = [
            int(
                min(
                    most,
                    99 if np.isinf(most_g) else most_g // mass + 1,
                    holes.fitted[:, k].sum() + (p.stock if p.stock is not None else 10**9),
                )
            )
            for k, (mass, p) in enumerate(zip(masses, holes.pieces, strict=True))
        ]
        contents = [np.array(c) for c in product(*(range(t + 1) for t in top))]
        choices.append([c for c in contents if c.sum() <= most and c @ masses <= most_g + 1e-9])
    for chosen in product(*choices):
        then = np.array(chosen)
        drawn = (then - holes.fitted).sum(axis=0)
        in_stock = all(
            p.stock is None or d <= p.stock for p, d in zip(holes.pieces, drawn, strict=True)
        )
        if in_stock and inside(holes, then):
            yield then


def by_definition(
    holes: Holes, target: complex, aim: str, tolerance: float, most: int | None
) -> Int | None:
    """Return the best of all contents by the aim, None when none keeps the tolerance."""
    now = holes.fitted
    arms = np.array([h.radius_mm * np.exp(1j * np.deg2rad(h.angle_deg)) for h in holes.holes])
    every = np.array(list(every_content(holes)))
    residual = np.abs(target - ((every - now) @ holes.masses) @ arms)
    handled = np.abs(every - now).sum(axis=(1, 2))
    opened = (every != now).any(axis=2).sum(axis=1)
    fitted = every.sum(axis=(1, 2))
    mass = np.round((every @ holes.masses).sum(axis=1), 6)
    kept = np.ones(len(every), dtype=bool)
    if aim != "nearest":
        kept &= residual <= tolerance + EQUAL
    if most is not None:
        kept &= handled <= most
    if not kept.any():
        return None

    def least(values: npt.NDArray[np.float64], slack: float = 0.0) -> None:
        kept[kept] = values[kept] <= values[kept].min() + slack

    if aim == "combine":
        least(fitted)
    if aim == "nearest":
        least(residual, EQUAL)
    least(handled)
    least(opened)
    least(residual, EQUAL)
    least(fitted)
    least(mass)
    return max(every[kept].tolist())  # the most of the first kinds in the first holes


def reach(holes: Holes) -> float:
    """Return about how much unbalance the holes can carry [g mm]."""
    return float(max(np.abs(h.radius_mm) for h in holes.holes) * 8.0)
