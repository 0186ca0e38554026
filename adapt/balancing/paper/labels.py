"""Where words stand around the circle of a chart: hours outside, amounts at the ends of lines.

No label touches another or the circle; all in millimetres from the circle's centre. Widths are
those of DejaVu Sans, the type face the page is set in, as its own tables of advance widths give
them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from adapt.balancing.paper.lines import CorrectionLine, Point
from adapt.balancing.paper.scale import amount_text

__all__ = ["HOURS_OUT", "HOUR_PT", "LABEL_PT", "MM_PER_PT", "Label", "hour_labels", "line_labels"]

MM_PER_PT = 25.4 / 72.0  # of type
LABEL_PT = 6.5
HOUR_PT = 9.5
PAD = 0.55  # [mm] around the figures of a label, for its frame
APART = 0.5  # [mm] between labels
LANES = (2.2, 7.0)  # [mm] from the circle to labels: beside it, and one place farther out
HOURS_OUT = 11.6  # [mm] from the circle to the hours
_EM = {"+": 0.838, "−": 0.838, ".": 0.318}
_DIGIT_EM, _BOLD_DIGIT_EM, _HEIGHT_EM = 0.636, 0.696, 0.76


@dataclass(frozen=True)
class Label:
    """A label: its text, the middle of its box and the box's width and height [mm].

    axis, amount: of the line it belongs to; None and the hour for an hour. leader: the line's end,
    where the label stands away from it.
    """

    text: str
    at: Point
    width: float
    height: float
    axis: int | None
    amount: float
    leader: Point | None = None


def hour_labels(radius: float) -> tuple[Label, ...]:
    """Return the hours 1 to 12 around a circle of that radius [mm]; 12 at the top, clockwise."""
    size = HOUR_PT * MM_PER_PT
    labels = []
    for hour in range(1, 13):
        angle = math.radians(90.0 - 30.0 * hour)
        width = _BOLD_DIGIT_EM * size * len(str(hour))
        at = _outside(angle, radius + HOURS_OUT, width, _HEIGHT_EM * size)
        labels.append(Label(str(hour), at, width, _HEIGHT_EM * size, None, float(hour)))
    return tuple(labels)


def line_labels(
    lines: Iterable[CorrectionLine], radius: float, taken: Sequence[Label]
) -> tuple[Label, ...]:
    """Return the labels of the heavy lines, at both ends where there is room, else at one.

    taken: labels that stand already. A line for whose ends there is no room has none: its
    neighbours' tell it.
    """
    heavy = [line for line in lines if line.heavy]
    # From zero out, the two axes in turn: the lines that are used most get the best places.
    steps = {a: min((abs(x.amount) for x in heavy if x.axis == a and x.amount), default=1.0)
             for a in (0, 1)}  # fmt: skip
    heavy.sort(key=lambda line: (round(abs(line.amount) / steps[line.axis]), line.axis))
    placed: list[Label] = list(taken)
    free: dict[tuple[int, float], list[Point]] = {
        (line.axis, line.amount): sorted((line.start, line.end), key=lambda p: (-p[1], p[0]))
        for line in heavy
    }

    def place(line: CorrectionLine, lane: float) -> bool:
        text = amount_text(line.amount, steps[line.axis])
        for end in free[line.axis, line.amount]:
            label = _label(text, end, radius, lane, line)
            if not any(_touch(label, other) for other in placed):
                placed.append(label)
                free[line.axis, line.amount].remove(end)
                return True
        return False

    without = [line for line in heavy if not place(line, LANES[0])]
    without = [line for line in without if not place(line, LANES[1])]
    for line in heavy:
        if line not in without:
            place(line, LANES[0])
    return tuple(placed[len(taken) :])


def _label(text: str, end: Point, radius: float, lane: float, line: CorrectionLine) -> Label:
    size = LABEL_PT * MM_PER_PT
    width = size * sum(_EM.get(c, _DIGIT_EM) for c in text) + 2.0 * PAD
    height = size * _HEIGHT_EM + 2.0 * PAD
    at = _outside(math.atan2(end[1], end[0]), radius + lane, width, height)
    return Label(text, at, width, height, line.axis, line.amount, end if lane > LANES[0] else None)


def _outside(angle: float, reach: float, width: float, height: float) -> Point:
    """Return the middle of a box that stands wholly beyond `reach` in a direction [rad]."""
    x, y = math.cos(angle), math.sin(angle)
    far = reach + 0.5 * (width * abs(x) + height * abs(y))
    return far * x, far * y


def _touch(one: Label, other: Label) -> bool:
    return (
        abs(one.at[0] - other.at[0]) < 0.5 * (one.width + other.width) + APART
        and abs(one.at[1] - other.at[1]) < 0.5 * (one.height + other.height) + APART
    )
