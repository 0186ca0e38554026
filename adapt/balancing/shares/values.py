"""Holes, pieces and the answer of a share as values; the reader of their file lives in `reading`.

An unbalance is a complex number [g mm]: mass times radius at an angle. Angles count from the first
blade in passing order, as blades do in the rotor file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from adapt.phasor import to_complex

__all__ = [
    "MOST_HOLES",
    "PIECES_ASKED_FOR",
    "Change",
    "Hole",
    "Holes",
    "Piece",
    "Place",
    "Shared",
    "Total",
]

MOST_HOLES = 120  # more are no rotor, shaft or fan
# What stops an answer that the person who asked for it can lift.
PIECES_ASKED_FOR = "the number of pieces asked for"
SLACK = 1e-9  # of a mass or a limit: 0.1 + 0.2 is 0.3


@dataclass(frozen=True)
class Piece:
    """A kind of weight. stock: how many lie ready beside those fitted; None = as many as needed."""

    name: str
    mass_g: float
    stock: int | None = None


@dataclass(frozen=True)
class Hole:
    """A hole, station or tape position.

    angle_deg: from the first blade in passing order. most_g, most_pieces: what it may carry; at
    least one is given. fitted: pieces in it now, by name. blade: where it belongs to one.
    adjuster: the rotor file's adjuster that a mass in it is an amount of, when it is one. plane: of
    a shaft or fan, "" where the file names none.
    """

    name: str
    angle_deg: float
    radius_mm: float
    most_g: float | None = None
    most_pieces: int | None = None
    fitted: Mapping[str, int] = field(default_factory=dict)
    blade: str | None = None
    adjuster: str | None = None
    plane: str = ""

    @property
    def arm(self) -> complex:
        """Return the unbalance of 1 g in the hole [g mm per g]."""
        return complex(to_complex(self.radius_mm, self.angle_deg))


@dataclass(frozen=True)
class Place:
    """Where an adjuster of the rotor file has its weight: radius, angle after the blade, plane."""

    adjuster: str
    radius_mm: float
    angle_deg: float = 0.0
    plane: str = ""


@dataclass(frozen=True)
class Total:
    """What several holes may carry in all [g]. what: whose, in words; holes: their names."""

    what: str
    holes: tuple[str, ...]
    most_g: float
    least_g: float = 0.0


@dataclass(frozen=True)
class Holes:
    """A set of holes with the pieces for them, in file order. source: the file it came from."""

    holes: tuple[Hole, ...]
    pieces: tuple[Piece, ...]
    places: tuple[Place, ...] = ()
    totals: tuple[Total, ...] = ()
    source: str = field(default="", compare=False)

    @cached_property
    def masses(self) -> npt.NDArray[np.float64]:
        """Mass of each kind of piece [g], (piece,)."""
        return np.array([piece.mass_g for piece in self.pieces], dtype=float)

    @cached_property
    def fitted(self) -> npt.NDArray[np.int64]:
        """Pieces fitted now, (hole, piece)."""
        return self.table([hole.fitted for hole in self.holes])

    @cached_property
    def arms(self) -> npt.NDArray[np.complex128]:
        """Unbalance of 1 g in each hole [g mm per g], (hole,)."""
        return np.array([hole.arm for hole in self.holes], dtype=complex)

    def table(self, counts: list[Mapping[str, int]]) -> npt.NDArray[np.int64]:
        """Return counts by name, one mapping a hole, as (hole, piece)."""
        rows = [[of.get(piece.name, 0) for piece in self.pieces] for of in counts]
        return np.array(rows, dtype=np.int64).reshape(len(counts), len(self.pieces))

    def unbalance(self, counts: npt.NDArray[np.int64]) -> complex:
        """Return the unbalance [g mm] of pieces in the holes, counts (hole, piece)."""
        return complex((counts @ self.masses) @ self.arms)

    def over(self) -> tuple[str, ...]:
        """Return which holes carry more than they may, alone and together, in words."""
        said = []
        for hole, counts in zip(self.holes, self.fitted, strict=True):
            mass, number = float(counts @ self.masses), int(counts.sum())
            if hole.most_g is not None and mass > hole.most_g * (1 + SLACK):
                said.append(f"{hole.name} carries {mass:g} g; {hole.most_g:g} g is allowed")
            if hole.most_pieces is not None and number > hole.most_pieces:
                said.append(f"{hole.name} carries {number} pieces; {hole.most_pieces} are allowed")
        for total in self.totals:
            mass = sum(
                float(counts @ self.masses)
                for hole, counts in zip(self.holes, self.fitted, strict=True)
                if hole.name in total.holes
            )
            if mass > total.most_g * (1 + SLACK):
                said.append(f"{total.what}: {mass:g} g in all; {total.most_g:g} g are allowed")
            if mass < total.least_g * (1 - SLACK):
                said.append(f"{total.what}: {mass:g} g in all; {total.least_g:g} g is the least")
        return tuple(said)


@dataclass(frozen=True)
class Change:
    """What is done at one hole: pieces taken out, put in, and fitted then, by name."""

    hole: str
    out: Mapping[str, int]
    put: Mapping[str, int]
    after: Mapping[str, int]


@dataclass(frozen=True)
class Shared:
    """A correction shared over holes.

    aim: "handled" (fewest pieces put in and taken out), "fitted" (fewest pieces fitted then) or
    "nearest" (smallest residual within a number of pieces). target: the change of unbalance asked
    for; achieved: the change made; residual: what is left to correct, target - achieved [g mm].
    tolerance: the largest residual asked for [g mm]; inf for "nearest". feasible: whether it is
    kept; where it is not, the answer is the smallest residual found.
    changes: holes that are opened, in file order. handled, opened: pieces put in and taken out, and
    holes. pieces_before, pieces_after: fitted in all holes.
    least: proven: no answer within the tolerance has fewer pieces (handled, or fitted then).
    least_residual: proven: no answer that is allowed leaves less [g mm]; 0 where nothing is known.
    proven: the bounds meet in every part of the aim. stopped_by: limits any one of which, given
    way, would let the tolerance be kept, in words. doubts: holes over their limits now.
    """

    aim: str
    target: complex
    tolerance: float
    most_pieces: int | None
    feasible: bool
    proven: bool
    changes: tuple[Change, ...]
    achieved: complex
    handled: int
    opened: int
    pieces_before: int
    pieces_after: int
    least: int
    least_residual: float = 0.0
    stopped_by: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    seconds: float = 0.0

    @property
    def residual(self) -> complex:
        """Return what is left to correct [g mm]."""
        return self.target - self.achieved
