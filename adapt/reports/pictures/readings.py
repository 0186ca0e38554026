"""Readings of one sensor on a clock face: every regime before and after, against its limit."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapt.reports.layout import Picture
from adapt.reports.pictures.clock import Numbers, draw_face, own_reading
from adapt.reports.pictures.drawing import BEFORE, INK, OVER, WELL, empty_axes, plain_name, sheet
from adapt.reports.wording import amplitude_at_clock, number, vibration_decimals
from adapt.rotor import Sensor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Shift", "readings_picture"]

_INSIDE = 1.0 + 1e-9
_SIDE, _RADIUS, _LINE = 3.6, 1.48, 0.18  # of the square of the face, the face, a line of words


@dataclass(frozen=True)
class Shift:
    """One regime's reading before and after, complex, lag, in the sensor's unit; None: not known.

    limit: in the same unit; None: without one.
    """

    regime: str
    before: complex | None
    after: complex | None
    limit: float | None

    @property
    def over(self) -> bool:
        """Whether the later of the two is over its limit."""
        last = self.before if self.after is None else self.after
        return last is not None and self.limit is not None and abs(last) > _INSIDE * self.limit


def readings_picture(
    sensor: Sensor, shifts: Sequence[Shift], before: str, after: str
) -> Picture | None:
    """Return the picture of a sensor's readings in all regimes; None where there are none.

    before, after: what the two are, in words ("run 1", "predicted"); after "": there is no second.
    """
    known = [s for s in shifts if s.before is not None or s.after is not None]
    if not known:
        return None
    return Picture(
        name=f"readings-{plain_name(sensor.name)}",
        title=f"{sensor.name} [{sensor.unit}]: {' and '.join(w for w in (before, after) if w)}",
        says=_in_words(sensor, known, before, after),
        draw=lambda: _draw(sensor, known, before, after),
    )


def _in_words(sensor: Sensor, shifts: Iterable[Shift], before: str, after: str) -> str:
    digits = vibration_decimals(sensor.unit)
    said = []
    for s in shifts:
        limit = "no limit" if s.limit is None else f"limit {number(s.limit, digits)}"
        over = ", over it" if s.over else ""
        both = (s.before, s.after) if after else (s.before,)
        shown = (amplitude_at_clock(v, sensor.phase, digits) for v in both)
        pair = " > ".join(" ".join(t.split()) for t in shown)
        said.append(f"{s.regime}: {pair}, {limit}{over}")
    words = " > ".join(w for w in (before, after) if w)
    return f"{sensor.name} in {sensor.unit}, {words}. {'; '.join(said)}."


def _draw(sensor: Sensor, shifts: Sequence[Shift], before: str, after: str) -> Figure:
    below = _LINE * (math.ceil(len(shifts) / 2) + 1) + 0.25
    figure = sheet(_SIDE, _SIDE + below)
    axes = empty_axes(figure, 0.0, 0.0, _SIDE, _SIDE + below)
    values = [v for s in shifts for v in (s.before, s.after) if v is not None and cmath.isfinite(v)]
    face = draw_face(
        axes, _SIDE / 2, below + _SIDE / 2, _RADIUS, [abs(v) for v in values],
        sorted({s.limit for s in shifts if s.limit is not None}),
        vibration_decimals(sensor.unit),
    )  # fmt: skip

    def at(value: complex | None) -> tuple[float, float] | None:
        return None if value is None else face.place(own_reading(value, sensor.phase))

    ends = [(at(s.before), at(s.after)) for s in shifts]
    numbers = Numbers(axes, [p for pair in ends for p in pair if p is not None])
    for k, (shift, (start, end)) in enumerate(zip(shifts, ends, strict=True), start=1):
        ink = OVER if shift.over else WELL
        if start is not None and end is not None:
            axes.plot(*zip(start, end, strict=True), color=ink, linewidth=0.7, zorder=4)
        if start is not None:
            axes.plot(*start, "o", markersize=4.2, color=BEFORE, markerfacecolor="white", zorder=5)
        if end is not None:
            axes.plot(*end, "X" if shift.over else "o", markersize=5.2, color=ink, zorder=6)
        last = start if end is None else end
        assert last is not None
        numbers.put(last, str(k), ink)
        if start is not None and end is not None:
            numbers.put(start, str(k), BEFORE)
    _legend(axes, below - 0.05, sensor, shifts, (before, after))
    return figure


def _legend(
    axes: Axes, top: float, sensor: Sensor, shifts: Sequence[Shift], words: tuple[str, str]
) -> None:
    """Say which number is which regime with which limit, and what the marks are."""
    several = len({s.limit for s in shifts}) > 1
    digits = vibration_decimals(sensor.unit)
    rows = math.ceil(len(shifts) / 2)
    for k, shift in enumerate(shifts):
        x, y = 0.2 + (_SIDE / 2) * (k // rows), top - _LINE * (k % rows)
        axes.text(x, y, str(k + 1), fontsize=7, fontweight="bold", va="center",
                  color=OVER if shift.over else WELL)  # fmt: skip
        limit = "no limit" if shift.limit is None else number(shift.limit, digits).rstrip("0")
        name = _short(shift.regime) + (f" ({limit})" if several else "")
        axes.text(x + 0.2, y, name, fontsize=7.5, va="center", color=INK)
    before, after = words
    limited = any(s.limit is not None for s in shifts)
    y = top - _LINE * (rows + 0.5)
    for share, mark, face, ink, said in (
        (0.0, "o", "white", BEFORE, before),
        (0.26, "o", WELL, WELL, after),
        (0.55, "X", OVER, OVER, f"{after}, over limit"),
    ):
        if mark == "X" and not (limited and after):
            continue
        if not said:
            continue
        x = 0.2 + share * _SIDE
        axes.plot([x + 0.04], [y], mark, markersize=5, color=ink, markerfacecolor=face)
        axes.text(x + 0.2, y, said, fontsize=7, va="center", color=INK)


def _short(name: str, most: int = 18) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"
