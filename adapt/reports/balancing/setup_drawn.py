"""Two set-ups drawn side by side: disc, blades, pickup, tape and sensors as seen from one side.

Black on white, drawn at the instant of the pulse: the edge that makes it stands under the pickup.
What turns between the two is decided elsewhere.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from adapt.balancing.setup.geometry import blade_angles_at_pulse, from_side
from adapt.balancing.setup.turns import Turn
from adapt.balancing.setup.values import Mount, Setup
from adapt.files import write_whole
from adapt.phasor import clock_text
from adapt.problems import BadInput, shown
from adapt.reports.balancing.setup_words import fitted, numbered, sentences, told_under
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["draw_setups", "write_setup_drawing"]

_SAVED: Mapping[str, dict[str, Any]] = {
    ".png": {"dpi": 150},
    ".svg": {"metadata": {"Date": None}},
    ".pdf": {"metadata": {"CreationDate": None}},
}
_ORDINALS = ("1st", "2nd", "3rd")
_REACH = 1.62  # of the axes, in radii of the disc
_LABEL = 1.5  # radius of the labels
_APART_DEG = 22.0  # between labels
_WIDEST = 16  # characters of a line in a label
_LEAST_TAPE_DEG = 6.0  # a tape is drawn at least so wide
_MOST_BLADES = 12  # with names: more would stand on each other
_LINES, _LINE = 9, 84  # lines under a disc, characters in each
_LONG_LINES, _LONG_LINE = 6, 122  # lines across the page


def write_setup_drawing(
    path: str | PathLike[str],
    rotor: Rotor,
    here: Setup,
    chart: Setup,
    turns: Mapping[str, Turn],
    seen_from: str | None = None,
) -> None:
    """Write the drawing of two set-ups as PDF, SVG or PNG, by the suffix; the same bytes each time.

    seen_from: one of the two sides of the disc; None = that of the set-up here. Raises BadInput for
    another suffix or side, AdaptError when the file cannot be written.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in _SAVED:
        raise BadInput(f"{shown(str(path))}: a drawing is a .pdf, .svg or .png file")
    content = BytesIO()
    figure = draw_setups(rotor, here, chart, turns, seen_from)
    figure.savefig(content, format=suffix[1:], **_SAVED[suffix])
    write_whole(path, content.getvalue())


def draw_setups(
    rotor: Rotor,
    here: Setup,
    chart: Setup,
    turns: Mapping[str, Turn],
    seen_from: str | None = None,
) -> Figure:
    """Return the drawing of two set-ups, both as seen from one side."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "adapt"
    side = here.seen_from if seen_from is None else seen_from
    try:
        from_side(0.0, here.seen_from, side)
    except ValueError:
        raise BadInput(f"{shown(side)} is not a side of this disc") from None
    figure = Figure(figsize=(11.69, 8.27))
    title = textwrap.shorten(rotor.name, 44, placeholder="...")
    figure.text(
        0.5, 0.965, f"{title}: both set-ups seen from {side}, when the pulse comes",
        ha="center", va="top", fontsize=14, fontweight="bold",
    )  # fmt: skip
    for setup, title, left in ((here, "Here", 0.02), (chart, "Chart", 0.51)):
        axes = figure.add_axes((left, 0.385, 0.47, 0.505))
        axes.set_xlim(-_REACH * 1.36, _REACH * 1.36)
        axes.set_ylim(-_REACH, _REACH)
        axes.set_aspect("equal")
        axes.axis("off")
        name = textwrap.shorten(f"{title}: {setup.name}", 56, placeholder="...")
        figure.text(left + 0.235, 0.905, name, ha="center", fontsize=12)
        _Disc(axes, rotor, setup, side).draw()
        told = fitted(told_under(setup, side), _LINES, _LINE)
        figure.text(left + 0.02, 0.375, told, fontsize=8.5, va="top", linespacing=1.35)
    text = fitted(sentences(turns, rotor), _LONG_LINES, _LONG_LINE)
    figure.text(0.04, 0.185, text, fontsize=10, va="top", linespacing=1.4, fontweight="bold")
    figure.text(
        0.04, 0.025,
        "Not to scale. Heavy bar: the edge that makes the pulse. Arrow of a sensor: the motion "
        "that counts positive. The maintenance manual comes first.",
        fontsize=8.5,
    )  # fmt: skip
    return figure


class _Disc:
    """One set-up on its axes; angles are clockwise as seen from the side that is drawn."""

    def __init__(self, axes: Any, rotor: Rotor, setup: Setup, side: str) -> None:
        self.axes, self.rotor, self.setup, self.side = axes, rotor, setup, side
        self.clockwise = setup.clockwise == (setup.seen_from == side)
        self.labels: list[tuple[float, float, str]] = []  # angle, radius it points at, text

    def seen(self, angle: float) -> float:
        """Return an angle of the set-up as seen from the side that is drawn."""
        return from_side(angle, self.setup.seen_from, self.side)

    def draw(self) -> None:
        """Draw everything."""
        self._clock()
        self._blades()
        self._arrow()
        self._reference()
        for mount in self.setup.mounts:
            if mount.angle_deg is not None:
                self._sensor(mount, self.seen(mount.angle_deg))
        self._place_labels()

    def _clock(self) -> None:
        from matplotlib.patches import Circle

        self.axes.add_patch(Circle((0, 0), 1.0, fill=False, linewidth=1.0, color="0.45"))
        self.axes.add_patch(Circle((0, 0), 0.07, color="black"))
        for hour in range(12):
            inner = 0.94 if hour % 3 else 0.9
            self._line(30.0 * hour, inner, 1.0, color="0.45", linewidth=0.9)
        taken = [self.seen(self.setup.reference.angle_deg)]
        taken += [self.seen(m.angle_deg) for m in self.setup.mounts if m.angle_deg is not None]
        for hour in (12, 3, 6, 9):
            if all(abs((30.0 * hour - x + 180.0) % 360.0 - 180.0) > 12.0 for x in taken):
                self._text(30.0 * hour, 1.1, str(hour), fontsize=9, color="0.35")

    def _blades(self) -> None:
        for number, angle in enumerate(blade_angles_at_pulse(self.setup, self.rotor)):
            at = self.seen(angle)
            first = number == 0
            wide = 9.0 if len(self.rotor.blades) <= _MOST_BLADES else 3.0
            self._line(at, 0.07, 0.86, color="0.45" if first else "0.72", linewidth=wide,
                       solid_capstyle="butt", zorder=1)  # fmt: skip
            ordinal = _ORDINALS[number] if number < 3 else f"{number + 1}th"
            name = textwrap.shorten(self.rotor.blades[number], 14, placeholder="...")
            box = {"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": "0.6"}
            if len(self.rotor.blades) <= _MOST_BLADES or first:
                self._text(at, 0.74, f"{name}\n{ordinal}", fontsize=8.5, bbox=box, zorder=6,
                           fontweight="bold" if first else "normal")  # fmt: skip

    def _arrow(self) -> None:
        """Draw the direction of rotation as a bow with a head, clear of the first blade."""
        way = 1.0 if self.clockwise else -1.0
        start = self.seen(blade_angles_at_pulse(self.setup, self.rotor)[0]) + way * 12.0
        angles = np.deg2rad(start + way * np.linspace(0.0, 64.0, 40))
        x, y = 0.3 * np.sin(angles), 0.3 * np.cos(angles)
        self.axes.plot(x, y, color="black", linewidth=2.2, zorder=5)
        self.axes.annotate(
            "", (x[-1], y[-1]), (x[-4], y[-4]), zorder=5,
            arrowprops={"arrowstyle": "-|>", "color": "black", "lw": 2.2, "mutation_scale": 18},
        )  # fmt: skip

    def _reference(self) -> None:
        from matplotlib.patches import Polygon

        reference = self.setup.reference
        pickup = self.seen(reference.angle_deg)
        way = 1.0 if self.clockwise else -1.0
        # The edge stands under the pickup; the tape's middle is half a width behind or ahead.
        width = max(reference.width_deg, _LEAST_TAPE_DEG)
        half = {"leading": -0.5, "centre": 0.0, "trailing": 0.5}[reference.answers_to]
        middle = pickup + way * half * width
        arc = np.deg2rad(middle + width * np.linspace(-0.5, 0.5, 30))
        ring = np.concatenate([
            np.stack([0.44 * np.sin(arc), 0.44 * np.cos(arc)], axis=1),
            np.stack([0.54 * np.sin(arc[::-1]), 0.54 * np.cos(arc[::-1])], axis=1),
        ])  # fmt: skip
        self.axes.add_patch(
            Polygon(ring, facecolor="white", edgecolor="black", hatch="////", linewidth=1.0,
                    zorder=3)
        )  # fmt: skip
        self._line(pickup, 0.40, 0.58, color="black", linewidth=3.2, zorder=4)
        self._line(pickup, 0.58, 1.17, color="black", linewidth=1.0, linestyle=(0, (4, 3)),
                   zorder=2)  # fmt: skip
        corners = [(pickup, 1.03), (pickup - 6.0, 1.24), (pickup + 6.0, 1.24)]
        points = [_at(angle, radius) for angle, radius in corners]
        self.axes.add_patch(Polygon(points, facecolor="black", edgecolor="black", zorder=4))
        self.labels.append((pickup, 1.24, f"pickup {clock_text(pickup)}"))

    def _sensor(self, mount: Mount, angle: float) -> None:
        self.axes.plot(*_at(angle, 1.17), marker="s", color="black", markerfacecolor="white",
                       markersize=9, zorder=4)  # fmt: skip
        ends = (1.24, 1.43) if mount.positive == "outwards" else (1.43, 1.24)
        self.axes.annotate(
            "", _at(angle, ends[1]), _at(angle, ends[0]), zorder=5,
            arrowprops={"arrowstyle": "-|>", "color": "black", "lw": 1.4, "shrinkA": 0,
                        "shrinkB": 0},
        )  # fmt: skip
        name = numbered(self.setup, mount) or textwrap.shorten(
            mount.sensor, 2 * _WIDEST, placeholder="..."
        )
        self.labels.append((angle, 1.45, f"{name} {clock_text(angle)}"))

    def _place_labels(self) -> None:
        """Write the labels round the disc, pushed apart where they would stand on each other."""
        order = sorted(range(len(self.labels)), key=lambda i: self.labels[i][0])
        at = np.array([self.labels[i][0] for i in order])
        apart = min(_APART_DEG, 300.0 / max(len(at), 1))
        for _ in range(200):
            gap = (np.roll(at, -1) - at) % 360.0 if len(at) > 1 else np.array([360.0])
            short = np.maximum(apart - gap, 0.0)
            if short.max() < 0.1:
                break
            at = at - short / 4.0 + np.roll(short, 1) / 4.0
        for i, angle in zip(order, at, strict=True):
            true, radius, text = self.labels[i]
            x, y = _at(float(angle), _LABEL)
            if abs((angle - true + 180.0) % 360.0 - 180.0) > 1.0:
                self.axes.plot(*zip(_at(true, radius), (x, y), strict=True), color="0.5",
                               linewidth=0.7)  # fmt: skip
            lines = textwrap.wrap(text, _WIDEST)
            across, up = np.sin(np.deg2rad(angle)), np.cos(np.deg2rad(angle))
            self.axes.text(
                x, y, "\n".join(lines), fontsize=8.5, zorder=7,
                ha="left" if across > 0.35 else "right" if across < -0.35 else "center",
                va="bottom" if up > 0.6 else "top" if up < -0.6 else "center",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip

    def _line(self, angle: float, start: float, end: float, **look: Any) -> None:
        self.axes.plot(*zip(_at(angle, start), _at(angle, end), strict=True), **look)

    def _text(self, angle: float, radius: float, text: str, **look: Any) -> None:
        self.axes.text(*_at(angle, radius), text, ha="center", va="center", **look)


def _at(angle: float, radius: float) -> tuple[float, float]:
    """Return where an angle clockwise from 12 o'clock stands on the axes."""
    return radius * float(np.sin(np.deg2rad(angle))), radius * float(np.cos(np.deg2rad(angle)))
