"""Moves against what they bring: the lowest worst ratio by number of moves, and its chance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from adapt.planning.plan import Plan, Tradeoff
from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import FAINT, INK, OVER, WELL, sheet
from adapt.reports.wording import count, number, percent

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["tradeoff_picture"]


def tradeoff_picture(plan: Plan) -> Picture | None:
    """Return the trade-off of a plan; None where there is none to show."""
    steps = [t for t in plan.tradeoff if math.isfinite(t.worst_ratio)]
    if len(steps) < 2:
        return None
    said = "; ".join(
        f"{count(t.moves, 'move')}: worst ratio {number(t.worst_ratio)}, chance "
        f"{percent(t.chance)}, {_known(t)}"
        for t in steps
    )
    return Picture(
        name="tradeoff",
        title="The smoothest with more or fewer moves: worst ratio and chance",
        says=f"Lowest worst ratio by number of moves. {said}.",
        draw=lambda: _draw(steps, len(plan.moves)),
    )


def _known(step: Tradeoff) -> str:
    return "proven" if step.proven else "best found"


def _draw(steps: Sequence[Tradeoff], chosen: int) -> Figure:
    figure = sheet(4.6, 2.7)
    axes = figure.add_axes((0.13, 0.17, 0.83, 0.76))
    moves = [t.moves for t in steps]
    ratios = [t.worst_ratio for t in steps]
    axes.plot(moves, ratios, color=FAINT, linewidth=0.9, drawstyle="steps-post", zorder=1)
    axes.axhline(1.0, color=OVER, linewidth=1.3, linestyle=(0, (4, 1.5)), zorder=1)
    axes.text(
        0.995, 1.0, "limit", color=OVER, fontsize=7, ha="right", va="bottom",
        transform=axes.get_yaxis_transform(),
    )  # fmt: skip
    for t in steps:
        over = t.worst_ratio > 1.0 + 1e-9
        ink = OVER if over else WELL
        axes.plot(
            t.moves, t.worst_ratio, "X" if over else "o", markersize=6.5, color=ink, zorder=3,
            markerfacecolor=ink if t.proven else "white",
        )  # fmt: skip
        axes.annotate(
            percent(t.chance), (t.moves, t.worst_ratio), xytext=(5, 4), textcoords="offset points",
            fontsize=7, color=INK, zorder=4,
            bbox={"facecolor": "white", "linewidth": 0, "boxstyle": "square,pad=0.05"},
        )  # fmt: skip
    if chosen in moves:
        axes.axvline(chosen, color=FAINT, linewidth=7, alpha=0.25, zorder=0)
        axes.text(
            chosen, 0.99, "this plan", fontsize=6.5, color=INK, ha="center", va="top",
            transform=axes.get_xaxis_transform(), bbox={"facecolor": "white", "linewidth": 0,
            "boxstyle": "square,pad=0.1"},
        )  # fmt: skip
    axes.set_xticks(moves)
    axes.set_xlim(min(moves) - 0.35, max(moves) + 0.65)
    axes.set_ylim(0.0, 1.12 * max([*ratios, 1.0]))
    axes.set_xlabel("moves")
    axes.set_ylabel("worst ratio (reading over limit)")
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)
    return figure
