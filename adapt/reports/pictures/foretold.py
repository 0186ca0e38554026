"""One run's readings on the clock: before, as each method foretold them, and as they were read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapt.reports.layout import Picture
from adapt.reports.pictures.clock import Numbers, draw_face, own_reading
from adapt.reports.pictures.drawing import (
    BEFORE,
    FAINT,
    INK,
    OVER,
    WELL,
    empty_axes,
    plain_name,
    sheet,
)
from adapt.reports.wording import amplitude_at_clock, vibration_decimals
from adapt.rotor import Sensor

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Reading", "foretold_picture"]

_LOOK: dict[str, dict[str, Any]] = {
    "chart": {"marker": "s", "color": OVER, "markerfacecolor": "white", "markersize": 4.6},
    "early fit": {"marker": "^", "color": BEFORE, "markerfacecolor": "white", "markersize": 4.6},
    "learned": {"marker": "o", "color": WELL, "markerfacecolor": "white", "markersize": 5.4},
}
_BEFORE: dict[str, Any] = {"marker": "+", "color": BEFORE, "markersize": 5.5}
_READ: dict[str, Any] = {"marker": ".", "color": INK, "markersize": 6.5}
_SIDE, _RADIUS, _LINE = 4.0, 1.68, 0.18


@dataclass(frozen=True)
class Reading:
    """One regime: read before, foretold by method, and read; complex, lag, in the sensor's unit."""

    regime: str
    before: complex
    foretold: Mapping[str, complex]
    read: complex
    limit: float | None


def foretold_picture(sensor: Sensor, readings: Sequence[Reading], run: str) -> Picture | None:
    """Return the picture of a run's readings at one sensor; None where there are none."""
    if not readings:
        return None
    digits = vibration_decimals(sensor.unit)

    def told(value: complex) -> str:
        return " ".join(amplitude_at_clock(value, sensor.phase, digits).split())

    said = "; ".join(
        f"{r.regime}: before {told(r.before)}, "
        + "".join(f"{m} {told(v)}, " for m, v in r.foretold.items() if m in _LOOK)
        + f"read {told(r.read)}"
        for r in readings
    )
    return Picture(
        name=f"foretold-{plain_name(sensor.name)}",
        title=f"{sensor.name} [{sensor.unit}]: run {run} as foretold and as read",
        says=f"{sensor.name} in {sensor.unit}, {run}. {said}.",
        draw=lambda: _draw(sensor, readings),
    )


def _draw(sensor: Sensor, readings: Sequence[Reading]) -> Figure:
    rows = math.ceil(len(readings) / 2)
    below = _LINE * (rows + 1) + 0.25
    figure = sheet(_SIDE, _SIDE + below)
    axes = empty_axes(figure, 0.0, 0.0, _SIDE, _SIDE + below)
    values = [v for r in readings for v in (r.before, r.read, *r.foretold.values())]
    limits = sorted({r.limit for r in readings if r.limit is not None})
    digits = vibration_decimals(sensor.unit)
    face = draw_face(
        axes, _SIDE / 2, below + _SIDE / 2, _RADIUS, [abs(v) for v in values], limits, digits
    )

    def at(value: complex) -> tuple[float, float]:
        return face.place(own_reading(value, sensor.phase))

    numbers = Numbers(axes, [at(v) for v in values])
    for k, reading in enumerate(readings, start=1):
        end = at(reading.read)
        axes.plot(*at(reading.before), linestyle="", zorder=4, **_BEFORE)
        for method, look in _LOOK.items():
            if method in reading.foretold:
                start = at(reading.foretold[method])
                axes.plot(*zip(start, end, strict=True), color=FAINT, linewidth=0.8, zorder=3)
                axes.plot(*start, linestyle="", zorder=5, **look)
        axes.plot(*end, linestyle="", zorder=6, **_READ)
        numbers.put(end, str(k), INK)
        numbers.put(at(reading.before), str(k), BEFORE)
    top = below - 0.05
    for k, reading in enumerate(readings):
        x, y = 0.2 + (_SIDE / 2) * (k // rows), top - _LINE * (k % rows)
        axes.text(x, y, str(k + 1), fontsize=7, fontweight="bold", va="center", color=INK)
        axes.text(x + 0.2, y, reading.regime[:24], fontsize=7.5, va="center")
    shown = {m: look for m, look in _LOOK.items() if any(m in r.foretold for r in readings)}
    y = top - _LINE * (rows + 0.5)
    for k, (word, look) in enumerate({"before": _BEFORE, **shown, "read": _READ}.items()):
        x = 0.2 + 0.74 * k
        axes.plot([x], [y], linestyle="", **look)
        axes.text(x + 0.1, y, word, fontsize=7, va="center")
    return figure
