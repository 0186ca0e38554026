"""A clock face to show readings on: rings of amplitude, hours, limits. Hours go clockwise from 12.

Places are in inches of the axes that a face is drawn on; readings are complex in the sensor's own
convention, so that 12 o'clock is angle 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapt.reports.pictures.drawing import BEFORE, FAINT, INK, OVER
from adapt.reports.wording import number, shortest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Face", "Numbers", "draw_face", "own_reading"]

_RINGS_AT_DEG, _LIMIT_AT_DEG = 75.0, 225.0  # where what they are is written: 2:30 and 7:30
_HOUR_PT, _RING_PT = 7.0, 6.0


@dataclass(frozen=True)
class Face:
    """A face: its centre and radius [inch], and the amplitude at its rim."""

    x: float
    y: float
    radius: float
    reach: float

    def place(self, reading: complex) -> tuple[float, float]:
        """Return where a reading stands."""
        scale = self.radius / self.reach
        return self.x + scale * reading.imag, self.y + scale * reading.real

    def turned(self, share: float, deg: float) -> tuple[float, float]:
        """Return the place at a share of the radius and an angle from 12, clockwise."""
        angle = math.radians(deg)
        return (
            self.x + share * self.radius * math.sin(angle),
            self.y + share * self.radius * math.cos(angle),
        )


def own_reading(value: complex, phase: str) -> complex:
    """Return a reading (lag) as the sensor's instrument shows it."""
    return value.conjugate() if phase == "lead" else value


def draw_face(
    axes: Axes, x: float, y: float, radius: float, sizes: Sequence[float], limits: Sequence[float],
    decimals: int,
) -> Face:  # fmt: skip
    """Draw a face that reaches over all sizes and limits, and return it.

    limits: amplitudes that are drawn as limits, each once.
    """
    from matplotlib.patches import Circle
    from matplotlib.ticker import MaxNLocator

    largest = max([*sizes, *limits, 0.0]) or 1.0
    ticks = MaxNLocator(nbins=4, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, largest * 1.06)
    rings = [float(t) for t in ticks if t > 0]
    face = Face(x, y, radius, rings[-1])
    for ring in rings:
        rim = ring is rings[-1]
        axes.add_patch(
            Circle(
                (x, y), radius * ring / face.reach, fill=False, edgecolor=INK if rim else FAINT,
                linewidth=0.9 if rim else 0.5, zorder=1,
            )
        )  # fmt: skip
    for hour in range(12):
        deg = 30.0 * hour
        start, end = face.turned(0.03, deg), face.turned(1.0, deg)
        axes.plot(*zip(start, end, strict=True), color=FAINT, linewidth=0.4, zorder=1)
        axes.text(
            *face.turned(1.0 + 0.11 / radius, deg), str(hour or 12), ha="center", va="center",
            fontsize=_HOUR_PT,
        )  # fmt: skip
    for ring in rings:
        at = face.turned(ring / face.reach, _RINGS_AT_DEG)
        _written(axes, at, shortest(ring), BEFORE if ring is not rings[-1] else INK)
    for limit in dict.fromkeys(limits):
        axes.add_patch(
            Circle(
                (x, y), radius * limit / face.reach, fill=False, edgecolor=OVER, linewidth=1.5,
                linestyle=(0, (4, 1.5)), zorder=2,
            )
        )  # fmt: skip
        at = face.turned(limit / face.reach, _LIMIT_AT_DEG)
        _written(axes, at, f"limit {number(limit, decimals).rstrip('0')}", OVER)
    return face


def _written(axes: Axes, at: tuple[float, float], text: str, ink: str) -> None:
    axes.text(
        *at, text, ha="center", va="center", fontsize=_RING_PT, color=ink, zorder=3,
        bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "linewidth": 0.0},
    )  # fmt: skip


class Numbers:
    """Small numbers beside marks, each on the side where it is in the way of least."""

    _SIDES = tuple((math.sin(k * math.pi / 4), math.cos(k * math.pi / 4)) for k in range(8))

    def __init__(self, axes: Axes, marks: Sequence[tuple[float, float]]) -> None:
        """Prepare to number; marks: places that are to be kept clear [inch]."""
        self._axes, self._taken = axes, list(marks)

    def put(self, at: tuple[float, float], text: str, ink: str = INK, away: float = 0.1) -> None:
        """Write a number beside a mark."""
        places = [(at[0] + away * dx, at[1] + away * dy) for dx, dy in self._SIDES]
        best = max(places, key=self._clear)
        self._taken.append(best)
        self._axes.text(
            *best, text, ha="center", va="center", fontsize=6.5, color=ink, zorder=7,
            fontweight="bold",
        )  # fmt: skip

    def _clear(self, place: tuple[float, float]) -> float:
        return min((math.dist(place, other) for other in self._taken), default=9.0)
