"""The sheet of a chart: paper sizes, and where the circle and the words stand on it.

In millimetres: x grows to the right and y upwards from the lower left corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from adapt.balancing.paper.labels import HOURS_OUT
from adapt.balancing.paper.lines import Point

__all__ = ["PAPERS", "Box", "layout"]

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height of a sheet [mm]: ISO 216 A4; US letter is 8.5 x 11 inches."""

MARGIN = 10.0
TITLE = 15.0  # [mm] high
WORDS = 93.0  # [mm] high, under the circle
BESIDE = 16.5  # [mm] from the circle to the edge of the square around it: labels, hours
GUTTER = 6.0
FOOT = 24.0  # [mm] high: cautions and signature
AIR = 2.0  # [mm] between what stands beside the circle and the words under it


@dataclass(frozen=True)
class Box:
    """A place for words: its lower left corner, width and height [mm]."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def top(self) -> float:
        """Upper edge [mm]."""
        return self.bottom + self.height


def layout(width: float, height: float) -> tuple[float, Point, dict[str, Box]]:
    """Return the circle's radius and middle, and the boxes for words.

    The circle and what stands around it fill a square between the title and the words, or the
    width of the sheet.
    """
    inner = width - 2.0 * MARGIN
    between = height - 2.0 * MARGIN - TITLE - WORDS
    half = min(between, inner) / 2.0
    radius = half - BESIDE
    top = height - MARGIN - TITLE
    centre = width / 2.0, top - half
    below = centre[1] - half
    right = width - MARGIN
    # Beside the circle four corners stay free: as wide as a box of that height can be there.
    high = 0.3 * half
    wide = width / 2.0 - MARGIN - math.sqrt((radius + HOURS_OUT + 5.5) ** 2 - (half - high) ** 2)
    column = (inner - GUTTER) / 2.0
    words = below - MARGIN - FOOT - AIR
    return radius, centre, {
        "title": Box(MARGIN, top, inner, TITLE),
        "upper left": Box(MARGIN, top - high, wide, high),
        "upper right": Box(right - wide, top - high, wide, high),
        "lower left": Box(MARGIN, below, wide, high),
        "lower right": Box(right - wide, below, wide, high),
        "left": Box(MARGIN, MARGIN + FOOT, column, words),
        "right": Box(right - column, MARGIN + FOOT, column, words),
        "foot": Box(MARGIN, MARGIN, inner, FOOT),
    }  # fmt: skip
