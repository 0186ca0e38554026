"""The circle of a paper chart drawn: rings, rays, correction lines, limit, labels, the example.

Every mark has an id of its own; `paper_page` tells which.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from adapt.balancing.paper.labels import HOUR_PT, LABEL_PT, MM_PER_PT, Label
from adapt.balancing.paper.lines import CorrectionLine, Point
from adapt.balancing.paper.page import Page
from adapt.reports.balancing.paper_type import properties

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Sheet

__all__ = ["DASHES", "WIDTHS", "draw_circle", "stroke"]

RING_PT = 5.6
DASHES = (0.0, (4.0, 2.0))
DOTS = (0.0, (1.0, 2.2))
WIDTHS = (1.5, 0.95, 0.45)
"""Width [pt] of lines of an axis: zero, heavy, light."""
RING_AT_DEG = 15.0  # where the amplitudes of rings stand: half an hour past 12


def draw_circle(sheet: Sheet, page: Page) -> None:
    """Draw the circle and all that stands in and around it; sheet: in millimetres."""
    _circle(sheet, page)
    for line in page.lines:
        _line(sheet, line)
    _limit(sheet, page)
    _labels(sheet, page.labels)
    _example(sheet, page)


def stroke(
    sheet: Sheet,
    start: Point,
    end: Point,
    gid: str,
    width: float,
    style: Any,
    colour: str,
    order: float,
) -> None:
    """Draw one straight line of an id, from a place to another [mm]; width [pt]."""
    from matplotlib.lines import Line2D

    sheet.add_line(
        Line2D(
            (start[0], end[0]), (start[1], end[1]), linewidth=width, linestyle=style, color=colour,
            gid=gid, zorder=order, dash_capstyle="butt", solid_capstyle="butt",
        )
    )  # fmt: skip


def _circle(sheet: Sheet, page: Page) -> None:
    """Draw rings, rays, ticks and hours."""
    from matplotlib.patches import Circle

    for ring in page.rings:
        rim = ring is page.rings[-1]
        sheet.add_patch(
            Circle(
                page.centre, ring.radius, fill=False, gid=f"ring-{ring.amplitude:g}",
                linewidth=1.1 if rim else 0.65, linestyle="-" if rim else DOTS, zorder=1,
                edgecolor="black" if rim else "0.2",
            )
        )  # fmt: skip
        turned = _turn(page.centre, ring.radius, RING_AT_DEG)
        if not rim:
            _text(
                sheet, f"{ring.amplitude:g}", turned, RING_PT, gid=f"amplitude-{ring.amplitude:g}",
                zorder=6,
                bbox={"boxstyle": "square,pad=0.12", "facecolor": "white", "linewidth": 0.0},
            )  # fmt: skip
    for ray in page.rays:
        stroke(sheet, ray.start, ray.end, f"ray-{ray.minutes}", 0.65, DOTS, "0.2", 1)
    for tick in page.ticks:
        stroke(sheet, tick.start, tick.end, f"tick-{tick.minutes}", 0.6, "-", "black", 1)
    x, y = page.centre
    for name, dx, dy in (("across", 1.6, 0.0), ("up", 0.0, 1.6)):
        stroke(sheet, (x - dx, y - dy), (x + dx, y + dy), f"middle-{name}", 0.9, "-", "black", 5)


def _line(sheet: Sheet, line: CorrectionLine) -> None:
    zero, heavy, light = WIDTHS
    width = zero if line.amount == 0 else heavy if line.heavy else light
    stroke(
        sheet, line.start, line.end, f"line-{line.axis + 1}-{_plain(line.amount)}", width,
        "-" if line.axis == 0 else DASHES, "black", 3,
    )  # fmt: skip


def _limit(sheet: Sheet, page: Page) -> None:
    """Draw the limit as a double ring: a broad black line with a white one in it."""
    from matplotlib.patches import Circle

    if page.limit is None or page.limit > page.full_scale:
        return
    radius = page.limit * page.mm_per_unit
    for gid, width, colour, order in (("limit", 3.4, "black", 4), ("limit-gap", 1.5, "white", 4.1)):
        sheet.add_patch(
            Circle(page.centre, radius, fill=False, gid=gid, linewidth=width, edgecolor=colour,
                   zorder=order)
        )  # fmt: skip


def _labels(sheet: Sheet, labels: tuple[Label, ...]) -> None:
    from matplotlib.patches import Rectangle

    seen: dict[tuple[int | None, float], int] = {}
    for label in labels:
        if label.axis is None:
            _text(sheet, label.text, label.at, HOUR_PT, bold=True, gid=f"hour-{label.text}")
            continue
        end = seen.get((label.axis, label.amount), 0)
        seen[label.axis, label.amount] = end + 1
        gid = f"label-{label.axis + 1}-{_plain(label.amount)}-{'ab'[end]}"
        if label.leader is not None:
            stroke(sheet, label.leader, label.at, f"{gid}-leader", 0.35, "-", "black", 5)
        left, bottom = label.at[0] - label.width / 2.0, label.at[1] - label.height / 2.0
        sheet.add_patch(
            Rectangle(
                (left, bottom), label.width, label.height, facecolor="white", edgecolor="black",
                linewidth=0.5, linestyle="-" if label.axis == 0 else (0.0, (2.4, 1.2)),
                gid=f"{gid}-frame", zorder=6,
            )
        )  # fmt: skip
        _text(sheet, label.text, label.at, LABEL_PT, gid=gid, zorder=7)


def _example(sheet: Sheet, page: Page) -> None:
    """Draw the example: its reading, and what each correction does to it, one after the other."""
    from matplotlib.patches import Circle

    start = page.example.reading
    at = page.at(start)
    sheet.add_patch(
        Circle(at, 1.5, facecolor="white", edgecolor="black", linewidth=0.9, gid="example-mark",
               zorder=8)
    )  # fmt: skip
    for name, dx, dy in (("across", 1.5, 0.0), ("up", 0.0, 1.5)):
        stroke(
            sheet, (at[0] - dx, at[1] - dy), (at[0] + dx, at[1] + dy), f"example-{name}", 0.6,
            "-", "black", 9,
        )  # fmt: skip
    for k, (effect, amount) in enumerate(
        zip(page.axes.effects, page.example.rounded, strict=True), start=1
    ):
        if amount == 0:
            continue
        end = start + complex(effect) * amount
        sheet.annotate(
            "", xy=page.at(end), xytext=page.at(start), gid=f"example-step-{k}", zorder=8,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-|>", "linewidth": 1.3, "color": "black",
                        "linestyle": (0.0, (6.0, 1.5, 1.0, 1.5)), "shrinkA": 4.5 if k == 1 else 0.0,
                        "shrinkB": 0.0, "mutation_scale": 7.0},
        )  # fmt: skip
        start = end


def _text(
    sheet: Sheet, text: str, at: Point, size: float, *, gid: str, bold: bool = False, **more: Any
) -> None:
    """Set one line of figures with its middle at a place."""
    sheet.text(
        at[0], at[1] - 0.364 * size * MM_PER_PT, text, fontproperties=properties(bold),
        fontsize=size, horizontalalignment="center", verticalalignment="baseline",
        parse_math=False, gid=gid, **more,
    )  # fmt: skip


def _turn(centre: Point, radius: float, degrees: float) -> Point:
    angle = math.radians(degrees)
    return centre[0] + radius * math.sin(angle), centre[1] + radius * math.cos(angle)


def _plain(amount: float) -> str:
    """Return an amount as it stands in an id."""
    return f"{amount + 0.0:.10g}"
