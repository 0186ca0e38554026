"""The two families of correction lines of a chart, in millimetres from the circle's centre.

A line of an axis holds every reading that asks for one amount of it, so it runs along the other
axis. What stands at its ends is placed in `labels`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from adapt.balancing.paper.axes import Axes
from adapt.balancing.paper.scale import spacing_of_lines
from adapt.problems import CannotBeMet
from adapt.rotor import Adjuster

__all__ = ["CorrectionLine", "lines_of", "mm_per_amount"]

Point = tuple[float, float]

SHORTEST = 0.05  # of the radius, half the length of the shortest line that is drawn
LEAST_EACH_SIDE = 1  # lines on each side of zero, without which nothing can be read between lines
LEAST_MM_PER_STEP = 1e-6  # below it an effect is nothing on this scale


@dataclass(frozen=True)
class CorrectionLine:
    """One line: a constant amount of one axis, from rim to rim of the circle.

    axis: 0 or 1. amount: [adjuster units]. start, end: (x, y) from the centre [mm], x to 3:00, y to
    12:00. heavy: whether it is drawn heavy and labelled.
    """

    axis: int
    amount: float
    start: Point
    end: Point
    heavy: bool


def mm_per_amount(axes: Axes, axis: int, mm_per_unit: float) -> float:
    """Return how far apart [mm] two lines of an axis are that differ by one adjuster unit.

    mm_per_unit: of the reading. |e| times the sine of the angle between the axes.
    """
    return float(abs(axes.effects[axis]) * math.sin(math.radians(axes.angle_deg)) * mm_per_unit)


def lines_of(
    axes: Axes, adjusters: tuple[Adjuster, Adjuster], radius: float, mm_per_unit: float
) -> tuple[CorrectionLine, ...]:
    """Return the lines of both axes inside a circle, each axis from its lowest amount up.

    adjusters: of the two axes. radius: of the circle [mm]. Raises CannotBeMet when one step of an
    adjuster moves the reading farther than the circle reaches.
    """
    lines: list[CorrectionLine] = []
    for axis, adjuster in enumerate(adjusters):
        apart = mm_per_amount(axes, axis, mm_per_unit)
        mm_per_step = apart * adjuster.step
        if mm_per_step < LEAST_MM_PER_STEP:
            raise CannotBeMet(
                f"one step of {adjuster.name} moves the reading by next to nothing on this full "
                "scale; ask for a smaller one"
            )
        between, heavy = spacing_of_lines(adjuster.step, mm_per_step)
        reach = radius * math.sqrt(1.0 - SHORTEST**2)
        most = math.floor(reach / (between * mm_per_step))
        if most < LEAST_EACH_SIDE:
            raise CannotBeMet(
                f"one step of {adjuster.name} ({adjuster.step:g} {adjuster.unit}) moves the "
                "reading farther than the circle reaches; ask for a larger full scale or name "
                "other axes"
            )
        for k in range(-most, most + 1):
            amount = k * between * adjuster.step
            start, end = _chord(axes, axis, amount, radius, mm_per_unit)
            lines.append(CorrectionLine(axis, amount, start, end, k % heavy == 0))
    return tuple(lines)


def _chord(
    axes: Axes, axis: int, amount: float, radius: float, mm_per_unit: float
) -> tuple[Point, Point]:
    """Return where the readings -(e x + e' t), t any number, cross the circle."""
    along = complex(axes.effects[1 - axis])
    along /= abs(along)
    reading = -complex(axes.effects[axis]) * amount * mm_per_unit
    foot = reading - along * (reading * along.conjugate()).real
    half = math.sqrt(max(0.0, radius**2 - abs(foot) ** 2))
    first, last = foot - half * along, foot + half * along
    return (first.imag, first.real), (last.imag, last.real)
