"""One coefficient in the published sets of a design: amplitude and clock angle over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from adapt.phasor import clock_text
from adapt.reports.layout import Picture
from adapt.reports.learning.effect_cells import at_clock, interval
from adapt.reports.pictures.drawing import FAINT, INK, OVER, WELL, plain_name, sheet
from adapt.reports.wording import date

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["InSet", "over_time_picture"]

_WIDE, _HIGH = 3.9, 3.9
_MOST_SIDE_BY_SIDE = 30.0
_MOST_LINES = 6  # of the clock angle's axis


@dataclass(frozen=True)
class InSet:
    """One coefficient in one set: amplitude and its 95 % interval, clock angle [deg] and its.

    phase_low_deg, phase_high_deg: in the sense of growing phase, 0 and 360 where any is possible.
    In the sensor's own convention. label, published, withdrawn: of the set.
    """

    label: str
    published: datetime
    withdrawn: bool
    amplitude: float
    low: float
    high: float
    phase_deg: float
    phase_low_deg: float
    phase_high_deg: float

    @property
    def has_phase(self) -> bool:
        return self.phase_high_deg - self.phase_low_deg < 360.0


def over_time_picture(
    name: str, unit: str, points: Sequence[InSet], decimals: int
) -> Picture | None:
    """Return a coefficient over the days of publishing; None where no set has it.

    name: of the coefficient, in words. points: oldest first; they are numbered from 1.
    """
    known = [(k, p) for k, p in enumerate(points, start=1) if np.isfinite(p.amplitude)]
    if not known:
        return None
    said = []
    for k, p in known:
        value = " ".join(at_clock(p.amplitude, p.phase_deg, decimals, not p.has_phase).split())
        gone = ", withdrawn" if p.withdrawn else ""
        said.append(
            f"{k} {p.label} ({p.published:%Y-%m-%d}{gone}): {value}, 95 % "
            f"{interval(p.low, p.high, decimals)}"
        )
    return Picture(
        name=f"over-time-{plain_name(name)}",
        title=f"{name} [{unit}]: in the sets by the day of publishing, 95 % intervals",
        says=f"{name} in {unit}. {'; '.join(said)}.",
        draw=lambda: _draw(unit, known),
    )


def _draw(unit: str, points: Sequence[tuple[int, InSet]]) -> Figure:
    figure = sheet(_WIDE, _HIGH)
    upper = figure.add_axes((0.19, 0.57, 0.77, 0.38))
    lower = figure.add_axes((0.19, 0.13, 0.77, 0.38), sharex=upper)
    places = dict(
        zip((k for k, _ in points), _places([p.published for _, p in points]), strict=True)
    )
    _marked(
        upper,
        places,
        points,
        [p.amplitude for _, p in points],
        [(p.low, p.high) for _, p in points],
    )
    upper.set_ylim(0.0, 1.12 * max(p.high for _, p in points))
    upper.set_ylabel(unit)
    upper.tick_params(labelbottom=False)
    phased = [(k, p) for k, p in points if p.has_phase]
    if phased:
        middle = _unrolled([p.phase_deg for _, p in phased])
        ends = [
            (m - (p.phase_deg - p.phase_low_deg) % 360, m + (p.phase_high_deg - p.phase_deg) % 360)
            for m, (_, p) in zip(middle, phased, strict=True)
        ]
        _marked(lower, places, phased, middle, ends)
        _clock_ticks(lower)
    else:
        lower.text(0.5, 0.5, "any clock angle is possible", transform=lower.transAxes,
                   ha="center", va="center")  # fmt: skip
        lower.set_yticks([])
    lower.set_ylabel("clock angle")
    _dates(lower, [p.published for _, p in points])
    return figure


def _marked(
    axes: Axes,
    places: Mapping[int, float],
    points: Sequence[tuple[int, InSet]],
    values: Sequence[float],
    ends: Sequence[tuple[float, float]],
) -> None:
    """Draw values with intervals, each numbered; those of withdrawn sets as crosses."""
    days = [places[k] for k, _ in points]
    axes.plot(days, values, color=FAINT, linewidth=0.8, zorder=2)
    for day, value, (k, p), (low, high) in zip(days, values, points, ends, strict=True):
        ink = OVER if p.withdrawn else WELL
        axes.plot([day, day], [low, high], color=INK, linewidth=1.0, zorder=3)
        axes.plot([day], [value], "X" if p.withdrawn else "o", color=ink, markersize=5.5, zorder=4)
        axes.annotate(
            str(k), (day, value), xytext=(5, 4), textcoords="offset points", fontsize=7,
            fontweight="bold", color=ink,
        )  # fmt: skip
    axes.grid(axis="y", color=FAINT, alpha=0.4, linewidth=0.5)


def _unrolled(phases: Sequence[float]) -> list[float]:
    """Return phases without leaps over 12 o'clock.

    >>> _unrolled([350.0, 10.0])
    [350.0, 370.0]
    """
    return [float(x) for x in np.unwrap(np.asarray(phases, dtype=float), period=360.0)]


def _clock_ticks(axes: Axes) -> None:
    """Write clock angles at the axis, some minutes apart."""
    low, high = axes.get_ylim()
    apart = next(
        (a for a in (2.5, 5.0, 10.0, 15.0, 30.0, 60.0, 90.0) if (high - low) / a <= _MOST_LINES),
        180.0,
    )
    ticks = np.arange(np.ceil(low / apart), np.floor(high / apart) + 1) * apart
    axes.set_yticks(ticks, [clock_text(float(t) % 360.0) for t in ticks])


def _day(when: datetime) -> float:
    """Return a time as the drawing library counts it: in days."""
    from matplotlib.dates import date2num

    return float(date2num(when))  # type: ignore[no-untyped-call]


def _places(times: Sequence[datetime]) -> list[float]:
    """Return where on the axis of days each time stands; those too close stand side by side."""
    days = [_day(t) for t in times]
    apart = max((days[-1] - days[0]) / _MOST_SIDE_BY_SIDE, 0.2)
    places: list[float] = []
    for day in days:
        places.append(day if not places else max(day, places[-1] + apart))
    return places


def _dates(axes: Axes, times: Sequence[datetime]) -> None:
    """Write the first and the last day at the axis, and one between where there is room."""
    at = _places(times)
    axes.set_xlim(at[0] - 0.5 - 0.1 * (at[-1] - at[0]), at[-1] + 0.5 + 0.1 * (at[-1] - at[0]))
    first, last = times[0], times[-1]
    if date(first) == date(last):
        axes.set_xticks([(at[0] + at[-1]) / 2], [date(first)])
    else:
        nearest = min(range(len(at)), key=lambda k: abs(at[k] - (at[0] + at[-1]) / 2))
        room = min(at[nearest] - at[0], at[-1] - at[nearest]) > 0.3 * (at[-1] - at[0])
        shown = [0, nearest, len(at) - 1] if room else [0, len(at) - 1]
        axes.set_xticks([at[k] for k in shown], [date(times[k]) for k in shown])
    axes.set_xlabel("published")
