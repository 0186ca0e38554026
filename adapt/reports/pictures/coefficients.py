"""Coefficients on a clock face: the chart's, the type's and one rotor's, regimes numbered.

One face for each sensor and adjuster. Circles hold 95 %: of a circular normal with sd s per
component that is a radius of sqrt(-2 ln 0.05) s = 2.45 s. How sets differ over time: `over_time`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from adapt.coefficients import Coefficients
from adapt.coefficients.values import Posterior, component_sd
from adapt.reports.layout import Picture
from adapt.reports.learning.effect_cells import readable_amount
from adapt.reports.pictures.clock import Face, Numbers, draw_face, own_reading
from adapt.reports.pictures.drawing import (
    BEFORE,
    INK,
    OVER,
    WELL,
    empty_axes,
    plain_name,
    sheet,
)
from adapt.reports.wording import amplitude_at_clock, number, vibration_decimals
from adapt.rotor import Rotor, Sensor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["RADIUS_95", "Known", "RegimeEffect", "coefficient_pictures", "effect_picture"]

RADIUS_95 = math.sqrt(-2.0 * math.log(0.05))
"""Radius of the circle that holds 95 % of a circular normal, in its sds per component."""

_SIDE, _RADIUS, _LINE = 3.6, 1.48, 0.18  # of the square of the face, the face, a line of words
_LOOK: dict[str, dict[str, Any]] = {
    "chart": {"marker": "s", "color": OVER, "markerfacecolor": "white"},
    "type": {"marker": "^", "color": BEFORE, "markerfacecolor": "white"},
    "rotor": {"marker": "o", "color": WELL, "markerfacecolor": WELL},
}
_CIRCLE: dict[str, Any] = {"type": (0, (3, 2)), "rotor": "solid"}


@dataclass(frozen=True)
class Known:
    """A coefficient (complex, lag) and its sd per component; the chart's circle is not drawn."""

    mean: complex
    sd: float


@dataclass(frozen=True)
class RegimeEffect:
    """One regime's coefficient as the chart, the type and the rotor have it; None: not known."""

    regime: str
    chart: Known | None
    type_: Known | None
    rotor: Known | None

    def parts(self) -> Iterable[tuple[str, Known]]:
        """Yield what is known, the surest of the rotor last."""
        named = (("chart", self.chart), ("type", self.type_), ("rotor", self.rotor))
        yield from ((name, known) for name, known in named if known is not None)


def coefficient_pictures(
    learned: Coefficients, rotor: Rotor, serial: str | None, adjuster: str
) -> list[Picture]:
    """Return one face a sensor of what one amount of an adjuster does on the first blade.

    serial: the rotor whose own are shown beside the type's; None, or without runs: the type alone.
    Sensors of which nothing is known are left out.
    """
    kind = rotor.adjuster(adjuster)
    per = readable_amount(learned, kind)
    own = learned.rotors.get(serial) if serial is not None else None
    a = learned.adjusters.index(adjuster)
    chart = learned.chart
    parts = {
        "type_": _of(learned.type_, a, per),
        "rotor": _of(own, a, per),
        "chart": [] if chart is None else _pairs(chart.mean[:, a], chart.sd[:, a], per),
    }
    found = []
    for sensor in rotor.sensors:
        effects = [
            RegimeEffect(
                regime, **{k: known[at] if known else None for k, known in parts.items()}
            )
            for at, (name, regime) in enumerate(learned.channels)
            if name == sensor.name
        ]  # fmt: skip
        picture = effect_picture(sensor, effects, f"{per:g} {kind.unit} of {adjuster}", serial)
        if picture is not None:
            found.append(picture)
    return found


def effect_picture(
    sensor: Sensor, effects: Sequence[RegimeEffect], amount: str, serial: str | None
) -> Picture | None:
    """Return the face of one sensor and adjuster; None where nothing is known.

    amount: what the effects are of, in words. serial: whose the rotor's own are.
    """
    known = [e for e in effects if any(e.parts())]
    if not known:
        return None
    return Picture(
        name=f"effect-{plain_name(sensor.name)}-{plain_name(amount)}",
        title=f"{sensor.name} [{sensor.unit}]: {amount} on the first blade",
        says=_in_words(sensor, known, amount, serial),
        draw=lambda: _draw(sensor, known, serial),
    )


def _of(known: Posterior | None, adjuster: int, per: float) -> list[Known | None]:
    if known is None:
        return []
    return _pairs(known.mean[:, adjuster], component_sd(known.cov)[:, adjuster], per)


def _pairs(mean: Any, sd: Any, per: float) -> list[Known | None]:
    return [
        Known(per * complex(m), per * float(s)) if np.isfinite(m) and np.isfinite(s) else None
        for m, s in zip(mean, sd, strict=True)
    ]


def _in_words(
    sensor: Sensor, effects: Sequence[RegimeEffect], amount: str, serial: str | None
) -> str:
    digits = vibration_decimals(sensor.unit)
    names = {"chart": "chart", "type": "type", "rotor": serial or "rotor"}
    said = []
    for effect in effects:
        parts = []
        for name, known in effect.parts():
            value = " ".join(amplitude_at_clock(known.mean, sensor.phase, digits).split())
            around = "" if name == "chart" else f" within {number(RADIUS_95 * known.sd, digits)}"
            parts.append(f"{names[name]} {value}{around}")
        said.append(f"{effect.regime}: {', '.join(parts)}")
    return (
        f"Effect of {amount} on {sensor.name} in {sensor.unit}, with the radius that holds 95 %. "
        f"{'; '.join(said)}."
    )


def _draw(sensor: Sensor, effects: Sequence[RegimeEffect], serial: str | None) -> Figure:
    rows = math.ceil(len(effects) / 2)
    below = _LINE * (rows + 1) + 0.25
    figure = sheet(_SIDE, _SIDE + below)
    axes = empty_axes(figure, 0.0, 0.0, _SIDE, _SIDE + below)
    sizes = [
        abs(known.mean) + (0.0 if name == "chart" else RADIUS_95 * known.sd)
        for effect in effects
        for name, known in effect.parts()
    ]
    digits = vibration_decimals(sensor.unit)
    face = draw_face(axes, _SIDE / 2, below + _SIDE / 2, _RADIUS, sizes, [], digits)
    places = [
        [(name, known, face.place(own_reading(known.mean, sensor.phase)))
         for name, known in effect.parts()]
        for effect in effects
    ]  # fmt: skip
    numbers = Numbers(axes, [at for regime in places for _, _, at in regime])
    for k, regime in enumerate(places, start=1):
        for name, known, at in regime:
            _circle(axes, face, name, known, at)
            axes.plot(*at, linestyle="", markersize=4.2, zorder=5, **_LOOK[name])
        if len(regime) > 1:
            axes.plot(*zip(*(at for _, _, at in regime), strict=True), color=BEFORE,
                      linewidth=0.6, zorder=3)  # fmt: skip
        for name, _, at in regime[-1:] if len(regime) == 1 else (regime[0], regime[-1]):
            numbers.put(at, str(k), _LOOK[name]["color"])
    _legend(axes, below - 0.05, effects, serial)
    return figure


def _circle(axes: Axes, face: Face, name: str, known: Known, at: tuple[float, float]) -> None:
    """Draw where 95 % of a coefficient's probability is; the chart has none."""
    from matplotlib.patches import Circle

    if name not in _CIRCLE:
        return
    radius = face.radius / face.reach * RADIUS_95 * known.sd
    axes.add_patch(
        Circle(
            at, radius, fill=False, edgecolor=_LOOK[name]["color"], linewidth=0.8,
            linestyle=_CIRCLE[name], zorder=4,
        )
    )  # fmt: skip


def _legend(axes: Axes, top: float, effects: Sequence[RegimeEffect], serial: str | None) -> None:
    """Say which number is which regime, and what the marks are."""
    rows = math.ceil(len(effects) / 2)
    for k, effect in enumerate(effects):
        x, y = 0.2 + (_SIDE / 2) * (k // rows), top - _LINE * (k % rows)
        axes.text(x, y, str(k + 1), fontsize=7, fontweight="bold", va="center", color=INK)
        axes.text(x + 0.2, y, _short(effect.regime, 22), fontsize=7.5, va="center")
    shown = dict.fromkeys(name for effect in effects for name, _ in effect.parts())
    words = {"chart": "chart", "type": "type, 95 %", "rotor": f"{_short(serial or '', 14)}, 95 %"}
    y = top - _LINE * (rows + 0.5)
    for share, name in zip((0.0, 0.24, 0.56), shown, strict=False):
        x = 0.2 + share * _SIDE
        axes.plot([x + 0.04], [y], linestyle="", markersize=5, **_LOOK[name])
        axes.text(x + 0.2, y, words[name], fontsize=7, va="center")


def _short(name: str, most: int) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"
