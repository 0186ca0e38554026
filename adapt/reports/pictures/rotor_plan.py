"""The rotor seen in plan, with the moves where they are made: what goes on which blade."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from adapt.planning.plan import Move
from adapt.reports.cautions import hardware_of
from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import BEFORE, FAINT, INK, WELL, empty_axes, sheet
from adapt.reports.wording import signed
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["rotor_plan"]

_TIP, _ROOT, _CHORD = 1.35, 0.34, 0.15
_PLACES = {"pitch link": 0.42, "trim tab": 0.98, "tip weight": 1.27, "sweep": 0.5}
_WEIGHT = 0.3  # weights at the hub, and whatever has no place of its own
_LABEL_AT = 1.58
_WIDE, _HIGH = 6.2, 4.0


def rotor_plan(rotor: Rotor, moves: Sequence[Move]) -> Picture:
    """Return the rotor in plan view with a mark and words for each move.

    The first blade points up; the others follow clockwise in passing order, by their angle.
    """
    return Picture(
        name="moves",
        title=f"The {rotor.name} in plan: blades in passing order, clockwise from the top",
        says=_in_words(rotor, moves),
        draw=lambda: _draw(rotor, moves),
    )


def _in_words(rotor: Rotor, moves: Sequence[Move]) -> str:
    blades = ", ".join(rotor.blades)
    if not moves:
        return f"{rotor.name} with blades {blades} in passing order; no move."
    said = "; ".join(f"blade {m.blade}: {_amount(rotor, m)}" for m in moves)
    return f"{rotor.name} with blades {blades} in passing order. {said}."


def _amount(rotor: Rotor, move: Move) -> str:
    adjuster = rotor.adjuster(move.adjuster)
    return f"{adjuster.name} {signed(move.amount, adjuster.step)} {adjuster.unit}"


def _draw(rotor: Rotor, moves: Sequence[Move]) -> Figure:
    figure = sheet(_WIDE, _HIGH)
    axes = empty_axes(figure, 0.0, 0.0, _WIDE, _HIGH)
    middle = (_WIDE / 2, _HIGH / 2)
    by_blade: dict[str, list[Move]] = {}
    for move in moves:
        by_blade.setdefault(move.blade, []).append(move)
    for blade, angle in zip(rotor.blades, rotor.psi.tolist(), strict=True):
        _blade(axes, middle, angle, bool(by_blade.get(blade)))
    _hub(axes, middle)
    for blade, angle in zip(rotor.blades, rotor.psi.tolist(), strict=True):
        mine = by_blade.get(blade, [])
        for move in mine:
            _mark(axes, middle, angle, rotor, move)
        _label(axes, middle, angle, blade, [_amount(rotor, m) for m in mine])
    if moves:
        axes.text(0.1, 0.1, "filled mark: plus; open mark: minus", fontsize=7, color=BEFORE)
    return figure


def _at(
    middle: tuple[float, float], angle: float, out: float, across: float = 0.0
) -> tuple[float, float]:
    """Return the place on a blade: so far out along it, so far to its clockwise side [inch]."""
    s, c = math.sin(angle), math.cos(angle)
    return middle[0] + out * s + across * c, middle[1] + out * c - across * s


def _blade(axes: Axes, middle: tuple[float, float], angle: float, moved: bool) -> None:
    from matplotlib.patches import Polygon

    half = _CHORD / 2
    outline = [
        _at(middle, angle, out, across)
        for out, across in ((0.0, -0.04), (_ROOT, -0.04), (_ROOT + 0.12, -half), (_TIP, -half),
                            (_TIP, half), (_ROOT + 0.12, half), (_ROOT, 0.04), (0.0, 0.04))
    ]  # fmt: skip
    axes.add_patch(
        Polygon(
            outline, closed=True, facecolor="#eef2f4" if moved else "white", zorder=2,
            edgecolor=INK if moved else FAINT, linewidth=1.2 if moved else 0.8,
        )
    )  # fmt: skip


def _hub(axes: Axes, middle: tuple[float, float]) -> None:
    from matplotlib.patches import Circle

    axes.add_patch(Circle(middle, 0.17, facecolor="white", edgecolor=INK, linewidth=1.0, zorder=3))
    axes.add_patch(Circle(middle, 0.05, facecolor=INK, edgecolor=INK, zorder=3))


def _mark(axes: Axes, middle: tuple[float, float], angle: float, rotor: Rotor, move: Move) -> None:
    """Mark where a move is made: plus filled, minus open."""
    adjuster = rotor.adjuster(move.adjuster)
    kind = hardware_of(adjuster).kind
    out = _PLACES.get(kind, _WEIGHT)
    across = _CHORD / 2 if kind == "trim tab" else 0.0
    mark = {"pitch link": "^", "trim tab": "s", "tip weight": "o", "sweep": "D"}.get(kind, "o")
    axes.plot(
        *_at(middle, angle, out, across), mark, markersize=8, color=WELL, zorder=5,
        markerfacecolor=WELL if move.amount > 0 else "white", markeredgewidth=1.6,
    )  # fmt: skip


def _label(
    axes: Axes, middle: tuple[float, float], angle: float, blade: str, said: Sequence[str]
) -> None:
    """Write a blade's name and moves beyond its tip, away from it."""
    s, c = math.sin(angle), math.cos(angle)
    x, y = _at(middle, angle, _LABEL_AT - 0.2 * (1.0 - abs(c)))
    across = "center" if abs(s) < 0.3 else "left" if s > 0 else "right"
    x += 0.0 if across == "center" else math.copysign(-0.15, s)
    lines = [blade if len(blade) <= 24 else blade[:23] + "…", *said]
    top = y + 0.085 * (len(lines) - 1) + (0.1 * (len(lines) - 1) if c > 0.7 else 0.0)
    for k, line in enumerate(lines):
        axes.text(
            x, top - 0.17 * k, line, ha=across, va="center", zorder=6,
            fontsize=8.5 if k == 0 else 8.0, fontweight="bold" if k else "normal",
            color=(INK if said else BEFORE) if k == 0 else WELL,
        )  # fmt: skip
