"""The page of a paper chart as values in millimetres: circle, rings, rays, lines, labels, boxes.

x grows to the right and y upwards from the lower left corner of the sheet. Phases are the sensor's
own: 12:00 at the top, clockwise. Nothing here draws; the words of the page live in `reports`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from adapt.balancing.paper.axes import Axes
from adapt.balancing.paper.labels import (
    Label,
    hour_labels,
    line_labels,
)
from adapt.balancing.paper.lines import CorrectionLine, Point, lines_of, mm_per_amount
from adapt.balancing.paper.scale import full_scale, rings
from adapt.balancing.paper.sheet import PAPERS, Box, layout
from adapt.balancing.paper.taught import Taught, largest_seen, taught_by
from adapt.balancing.paper.worked import (
    EffectKnown,
    Example,
    effects_known,
    usual_example,
    work,
)
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.phasor import to_complex
from adapt.problems import BadInput, one_of, shown
from adapt.rotor import Rotor
from adapt.rotor.limit_sets import wrong_limit_set
from adapt.rotor.usual import usual_amounts

__all__ = ["Page", "Ray", "Ring", "page_of"]

INNERMOST = 0.04  # of the radius, where rays begin: twelve lines in one point are a blot
TICK_MINUTES = 10
TICKS = {60: 2.0, 30: 1.6, 10: 0.9}  # [mm] by minutes of clock
LARGEST = 1e6  # full scale in any unit: more is a slip


@dataclass(frozen=True)
class Ring:
    """A circle of one amplitude [sensor unit] around the middle; radius [mm]."""

    amplitude: float
    radius: float


@dataclass(frozen=True)
class Ray:
    """A straight line of one clock angle: minutes of clock from 12:00; start and end [mm]."""

    minutes: int
    start: Point
    end: Point


@dataclass(frozen=True, eq=False)
class Page:
    """A chart on one sheet, all in millimetres from its lower left corner.

    paper: "a4" or "letter". centre, radius: of the circle, whose rim is the full scale [sensor
    unit]. limit: the limit in force there [sensor unit], None = none; limit_set: its named set.
    rays: of the hours, from near the middle to the rim; ticks: outside the rim. lines, labels: see
    `lines` and `labels`, here from the sheet's corner. boxes: where words may stand: "title",
    "upper left", "upper right", "lower left", "lower right" beside the circle, "left", "right",
    "foot". example: the worked one; asked: whether somebody handed it in. known: of each axis.
    """

    paper: str
    width: float
    height: float
    centre: Point
    radius: float
    full_scale: float
    axes: Axes
    rings: tuple[Ring, ...]
    limit: float | None
    limit_set: str | None
    rays: tuple[Ray, ...]
    ticks: tuple[Ray, ...]
    lines: tuple[CorrectionLine, ...]
    labels: tuple[Label, ...]
    boxes: dict[str, Box]
    example: Example
    asked: bool
    known: tuple[EffectKnown, EffectKnown]
    taught: Taught

    @property
    def mm_per_unit(self) -> float:
        """Millimetres on the sheet for one sensor unit."""
        return self.radius / self.full_scale

    def at(self, reading: complex) -> Point:
        """Return where a reading (the sensor's own convention and unit) stands, (x, y) [mm]."""
        scale = self.mm_per_unit
        return self.centre[0] + scale * reading.imag, self.centre[1] + scale * reading.real

    def reading_at(self, x: float, y: float) -> complex:
        """Return the reading that stands at a place [mm], in the sensor's own convention."""
        return complex(y - self.centre[1], x - self.centre[0]) / self.mm_per_unit

    def amounts_at(self, x: float, y: float) -> tuple[float, float]:
        """Return the amounts [adjuster units] that correct the reading at a place [mm]."""
        return self.axes.amounts_for(self.reading_at(x, y))


def page_of(
    rotor: Rotor,
    coefficients: Coefficients,
    history: History,
    axes: Axes,
    *,
    limit_set: str | None = None,
    full: float | None = None,
    paper: str = "a4",
    example: tuple[float, float] | None = None,
) -> Page:
    """Return the page of a chart.

    axes: of `choose_axes`, with the same coefficients. limit_set: a named set of limits. full: the
    full scale [sensor unit]; absent: a round number that leaves a quarter of room over the limit
    and over the readings seen. paper: "a4" or "letter". example: a reading as (amplitude [sensor
    unit], phase [deg, the sensor's own]). Raises BadInput with everything in these that cannot be;
    CannotBeMet when the lines of an axis do not fit the scale.
    """
    _require(rotor, limit_set, full, paper, example)
    in_force = rotor.limit_for(axes.sensor, axes.regime, limit_set)
    limit = None if in_force is None else in_force.limit
    reading = None if example is None else complex(to_complex(*example))
    adjusters = (
        rotor.adjuster(axes.pair[0].adjuster),
        rotor.adjuster(axes.pair[1].adjuster),
    )
    if full is None:
        # One step of each axis must be readable, too.
        steps = [mm_per_amount(axes, k, 1.0) * adjusters[k].step for k in (0, 1)]
        largest = max(limit or 0.0, largest_seen(axes, history, limit))
        largest = max(largest, 0.0 if reading is None else abs(reading))
        full = full_scale(max(largest or _usual_effect(rotor, axes), *steps))
    elif reading is not None and abs(reading) > full:
        raise BadInput(
            f"example: found an amplitude of {abs(reading):g}, expected at most the full scale, "
            f"{full:g}"
        )
    width, height = PAPERS[paper]
    radius, centre, boxes = layout(width, height)
    lines = lines_of(axes, adjusters, radius, radius / full)
    hours = hour_labels(radius)
    labels = hours + line_labels(lines, radius, hours)
    return Page(
        paper=paper,
        width=width,
        height=height,
        centre=centre,
        radius=radius,
        full_scale=full,
        axes=axes,
        rings=tuple(Ring(a, radius * a / full) for a in rings(full)),
        limit=limit,
        limit_set=limit_set,
        rays=tuple(
            Ray(m, *_radial(centre, m, INNERMOST * radius, radius)) for m in range(0, 720, 60)
        ),
        ticks=tuple(
            Ray(m, *_radial(centre, m, radius, radius + _tick(m)))
            for m in range(0, 720, TICK_MINUTES)
        ),
        lines=tuple(
            replace(x, start=_moved(x.start, centre), end=_moved(x.end, centre)) for x in lines
        ),
        labels=tuple(
            replace(
                x,
                at=_moved(x.at, centre),
                leader=None if x.leader is None else _moved(x.leader, centre),
            )
            for x in labels
        ),
        boxes=boxes,
        example=work(
            axes,
            rotor,
            coefficients,
            usual_example(axes, adjusters, full) if reading is None else reading,
        ),
        asked=reading is not None,
        known=effects_known(axes),
        taught=taught_by(axes, rotor, coefficients, history),
    )


def _require(
    rotor: Rotor,
    limit_set: str | None,
    full: float | None,
    paper: str,
    example: tuple[float, float] | None,
) -> None:
    """Raise BadInput with everything that cannot be."""
    wrong = []
    if (unknown := wrong_limit_set(rotor, limit_set)) is not None:
        wrong.append(str(unknown))
    if full is not None and not 0.0 < full <= LARGEST:
        wrong.append(f"full scale: found {full:g}, expected a number above 0, such as 1.0")
    if paper not in PAPERS:
        wrong.append(f"paper: found {shown(paper)}, expected {one_of('a size', paper, PAPERS)}")
    if example is not None and not (0.0 < example[0] <= LARGEST and math.isfinite(example[1])):
        wrong.append(
            f"example: found {example[0]:g} at {example[1]:g} deg, expected an amplitude above 0 "
            "and a clock angle"
        )
    if wrong:
        raise BadInput("\n".join(wrong))


def _usual_effect(rotor: Rotor, axes: Axes) -> float:
    """Return how far a usual move of each axis moves the reading: the scale of what is unknown."""
    usual = dict(zip(rotor.adjuster_names, usual_amounts(rotor), strict=True))
    return float(
        sum(abs(e) * usual[axis.adjuster] for e, axis in zip(axes.effects, axes.pair, strict=True))
    )


def _radial(centre: Point, minutes: int, first: float, last: float) -> tuple[Point, Point]:
    angle = math.radians(0.5 * minutes)
    x, y = math.sin(angle), math.cos(angle)
    return (
        (centre[0] + first * x, centre[1] + first * y),
        (centre[0] + last * x, centre[1] + last * y),
    )


def _tick(minutes: int) -> float:
    return next(TICKS[every] for every in TICKS if minutes % every == 0)


def _moved(point: Point, by: Point) -> Point:
    return point[0] + by[0], point[1] + by[1]
