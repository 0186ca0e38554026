"""How the blades fly: heights over the regimes, before and after, and the limit of the spread."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import BEFORE, DASHES, FAINT, INK, MARKS, OVER, sheet
from adapt.reports.wording import number, track_decimals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Heights", "track_picture"]


@dataclass(frozen=True)
class Heights:
    """Heights of the blades in one regime, before and after [track unit], up positive.

    limit: of the spread; None: without one.
    """

    regime: str
    before: Mapping[str, float]
    after: Mapping[str, float]
    limit: float | None


def track_picture(
    blades: Sequence[str], unit: str, heights: Sequence[Heights], before: str, after: str
) -> Picture | None:
    """Return the picture of a rotor's track; None where nothing of it is known.

    before, after: what the two are, in words; a side on which no height is known is left out.
    """
    known = [h for h in heights if h.before or h.after]
    if not known:
        return None
    words = " and ".join(w for w in (before, after) if w)
    return Picture(
        name="track",
        title=f"Blade heights [{unit}], up positive: {words}",
        says=_in_words(blades, unit, known, before, after),
        draw=lambda: _draw(blades, unit, known, before, after),
    )


def _in_words(
    blades: Sequence[str], unit: str, heights: Sequence[Heights], before: str, after: str
) -> str:
    digits = track_decimals(unit)

    def side(values: Mapping[str, float]) -> str:
        told = [f"{b} {values[b]:+.{digits}f}" for b in blades if b in values]
        return ", ".join(told) if told else "not read"

    rows = [
        f"{h.regime}: {side(h.before)}{f' > {side(h.after)}' if after else ''}, limit of the "
        f"spread {number(h.limit, digits)}"
        for h in heights
    ]
    words = " > ".join(w for w in (before, after) if w)
    return f"Blade heights in {unit}, {words}. {'; '.join(rows)}."


def _draw(
    blades: Sequence[str], unit: str, heights: Sequence[Heights], before: str, after: str
) -> Figure:
    sides = [
        (words, [getattr(h, which) for h in heights])
        for words, which in ((before, "before"), (after, "after"))
        if any(getattr(h, which) for h in heights)
    ]
    wide = max(2.2, 0.55 * len(heights) + 0.6)
    figure = sheet(1.0 + len(sides) * (wide + 0.35) + 0.7, 3.0)
    across, up = (float(x) for x in figure.get_size_inches())
    every = [v for _, side in sides for values in side for v in values.values()]
    reach = 1.12 * max([*(abs(v) for v in every), *(0.5 * (h.limit or 0.0) for h in heights)])
    for n, (words, side) in enumerate(sides):
        left = 0.7 + n * (wide + 0.35)
        axes = figure.add_axes((left / across, 0.75 / up, wide / across, 1.9 / up))
        _panel(axes, blades, heights, side)
        axes.set_ylim(-(reach or 1.0), reach or 1.0)
        axes.set_title(words)
        if n == 0:
            axes.set_ylabel(f"height [{unit}], up positive")
        else:
            axes.tick_params(labelleft=False)
    if any(h.limit is not None for h in heights):
        axes.plot([], [], color=OVER, linewidth=1.2, label="limit of spread")
    axes.legend(
        loc="center left", bbox_to_anchor=(1.02, 0.5), title="blade", handlelength=2.6,
        fontsize=7.5, title_fontsize=7.5,
    )  # fmt: skip
    return figure


def _panel(
    axes: Axes,
    blades: Sequence[str],
    heights: Sequence[Heights],
    side: Sequence[Mapping[str, float]],
) -> None:  # fmt: skip
    for at, (regime, values) in enumerate(zip(heights, side, strict=True)):
        if not values:
            continue
        low, high = min(values.values()), max(values.values())
        over = regime.limit is not None and high - low > (1.0 + 1e-9) * regime.limit
        axes.plot(
            [at, at], [low, high], color=OVER if over else FAINT, zorder=1, solid_capstyle="butt",
            linewidth=5.0 if over else 2.5, alpha=0.45,
        )  # fmt: skip
        if regime.limit is not None:
            middle = 0.5 * (low + high)
            for end in (middle - 0.5 * regime.limit, middle + 0.5 * regime.limit):
                axes.plot([at - 0.3, at + 0.3], [end, end], color=OVER, linewidth=1.2, zorder=2)
    for b, blade in enumerate(blades):
        line = [values.get(blade, math.nan) for values in side]
        axes.plot(
            range(len(side)), line, marker=MARKS[b % len(MARKS)], markersize=4.5, color=INK,
            linestyle=DASHES[b % len(DASHES)], linewidth=0.9, label=_short(blade),
            markerfacecolor="white" if b % 2 else INK, zorder=4,
        )  # fmt: skip
    axes.axhline(0.0, color=BEFORE, linewidth=0.6, zorder=0)
    names = [_short(h.regime) for h in heights]
    axes.set_xticks(range(len(heights)), names, rotation=30, ha="right", fontsize=7.5)
    axes.set_xlim(-0.5, len(heights) - 0.5)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)


def _short(name: str, most: int = 16) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"
