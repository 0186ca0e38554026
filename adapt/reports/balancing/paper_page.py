"""A paper chart drawn on one sheet, as vector PDF or SVG; readable in black and white.

Solid and dashed lines are the two corrections, dotted ones rings and clock angles, the double ring
is the limit. Every line, ring, ray and mark of the SVG has an id, so that a script can read it
back: "line-1-40", "line-2--40" (axis, amount), "ring-0.2", "ray-60" (minutes of clock), "limit",
"label-1-40-a", "example-mark". What stands where is decided in `balancing.paper.page`, the words
in `paper_words`.
"""

from __future__ import annotations

from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapt.balancing.paper.labels import HOUR_PT, LABEL_PT, MM_PER_PT, Label
from adapt.balancing.paper.lines import CorrectionLine, Point
from adapt.balancing.paper.page import Box, Page
from adapt.files import write_whole
from adapt.problems import BadInput, shown
from adapt.reports.balancing.paper_type import (
    FACE,
    SetLine,
    properties,
    set_columns,
    set_lines,
    width_mm,
    without_strange,
)
from adapt.reports.balancing.paper_words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Sheet
    from matplotlib.figure import Figure

__all__ = ["drawn", "require_kind", "write_page"]

KINDS = (".pdf", ".svg")
TITLE_PT, UNDER_PT, KEY_PT, FOOT_PT, RING_PT = 13.0, 8.6, 7.2, 6.8, 5.6
DASHES = (0.0, (4.0, 2.0))
DOTS = (0.0, (1.0, 2.2))
# Width [pt] of lines of an axis: zero, heavy, light.
WIDTHS = (1.5, 0.95, 0.45)
SAMPLE = 14.0  # [mm] long, of a line beside the words of its key
TITLE = 7.0  # [mm] high: the title in the head
SIGN = 9.0  # [mm] high: the row to be filled in
RING_AT_DEG = 15.0  # where the amplitudes of rings stand: half an hour past 12


def write_page(page: Page, words: Words, path: str | PathLike[str]) -> None:
    """Write a page as PDF or SVG, by the suffix of its name, whole or not at all.

    Raises BadInput for another suffix, AdaptError when the file cannot be written.
    """
    kind = require_kind(path)
    write_whole(path, drawn(page, words, kind))


def require_kind(path: str | PathLike[str]) -> str:
    """Return "pdf" or "svg", by the suffix of a file's name; raises BadInput for another."""
    kind = Path(path).suffix.lower()
    if kind not in KINDS:
        raise BadInput(f"output: found {shown(str(path))}, expected a name ending in .pdf or .svg")
    return kind.removeprefix(".")


def drawn(page: Page, words: Words, kind: str = "svg") -> bytes:
    """Return a page drawn: "svg", "pdf" or "png" (150 dots an inch, to look at).

    The same values give the same bytes. Raises CannotBeMet when the words do not fit.
    """
    import matplotlib as mpl

    out = BytesIO()
    with mpl.rc_context():
        # A user's own settings of the library must not change a chart.
        mpl.rcdefaults()
        mpl.rcParams.update(
            {"svg.hashsalt": "adapt", "svg.fonttype": "path", "pdf.fonttype": 42,
             "font.family": FACE, "path.simplify": False, "text.hinting": "no_hinting"}
        )  # fmt: skip
        figure = _figure(page, words)
        metadata: dict[str, Any] = {
            "pdf": {"CreationDate": None, "Title": words.title, "Creator": "adapt"},
            "svg": {"Date": None, "Title": words.title, "Creator": "adapt"},
        }.get(kind, {})
        figure.savefig(out, format=kind, dpi=150, metadata=metadata)
    return out.getvalue()


def _figure(page: Page, words: Words) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(page.width / 25.4, page.height / 25.4), facecolor="white")
    sheet = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    sheet.set_xlim(0.0, page.width)
    sheet.set_ylim(0.0, page.height)
    sheet.set_axis_off()
    _circle(sheet, page)
    for line in page.lines:
        _line(sheet, line)
    _limit(sheet, page)
    _labels(sheet, page.labels)
    _example(sheet, page)
    _words(sheet, page, words)
    return figure


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
        _stroke(sheet, ray.start, ray.end, f"ray-{ray.minutes}", 0.65, DOTS, "0.2", 1)
    for tick in page.ticks:
        _stroke(sheet, tick.start, tick.end, f"tick-{tick.minutes}", 0.6, "-", "black", 1)
    x, y = page.centre
    for name, dx, dy in (("across", 1.6, 0.0), ("up", 0.0, 1.6)):
        _stroke(sheet, (x - dx, y - dy), (x + dx, y + dy), f"middle-{name}", 0.9, "-", "black", 5)


def _line(sheet: Sheet, line: CorrectionLine) -> None:
    zero, heavy, light = WIDTHS
    width = zero if line.amount == 0 else heavy if line.heavy else light
    _stroke(
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
            _stroke(sheet, label.leader, label.at, f"{gid}-leader", 0.35, "-", "black", 5)
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
        _stroke(
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


def _words(sheet: Sheet, page: Page, words: Words) -> None:
    boxes = page.boxes
    clean = _cleaned(words)
    head = boxes["title"]
    title = Box(head.left, head.top - TITLE, head.width, TITLE)
    under = Box(head.left, head.bottom, head.width, head.height - TITLE)
    lines = [*set_lines((clean.title,), title, TITLE_PT, first_bold=True)]
    lines += set_lines(clean.under, under, UNDER_PT)
    lines += _keys(sheet, page, clean)
    lines += set_columns([(boxes["left"], clean.left), (boxes["right"], clean.right)])
    lines += _foot(sheet, boxes["foot"], clean)
    for line in lines:
        sheet.text(
            line.x, line.y, line.text, fontproperties=properties(line.bold), fontsize=line.size,
            horizontalalignment="left", verticalalignment="baseline", parse_math=False, zorder=10,
        )  # fmt: skip


def _keys(sheet: Sheet, page: Page, words: Words) -> list[SetLine]:
    """Set the keys beside the circle, with a sample of each kind of line."""
    lines: list[SetLine] = []
    high = 3.0  # [mm] for the sample
    for name, texts, style in (
        ("upper left", words.solid, "-"), ("upper right", words.dashed, DASHES),
    ):  # fmt: skip
        box, right = page.boxes[name], name.endswith("right")
        left = box.left + box.width - SAMPLE if right else box.left
        y = box.top - 0.5 * high
        _stroke(sheet, (left, y), (left + SAMPLE, y), f"key-{name.replace(' ', '-')}", WIDTHS[1],
                style, "black", 5)  # fmt: skip
        under = Box(box.left, box.bottom, box.width, box.height - high)
        lines += set_lines(texts, under, KEY_PT, first_bold=True, right=right)
    for name, texts in (("lower left", words.ring), ("lower right", words.clock)):
        lines += set_lines(
            texts, page.boxes[name], KEY_PT, first_bold=True, right=name.endswith("right"),
            bottom=True,
        )  # fmt: skip
    return lines


def _foot(sheet: Sheet, box: Box, words: Words) -> list[SetLine]:
    """Set the cautions, and the row to sign."""
    _stroke(
        sheet, (box.left, box.top - 0.6), (box.left + box.width, box.top - 0.6), "foot-rule", 0.6,
        "-", "black", 5,
    )  # fmt: skip
    above = Box(box.left, box.bottom + SIGN, box.width, box.height - SIGN - 1.4)
    lines = list(set_lines(words.cautions, above, FOOT_PT))
    part = box.width / len(words.sign)
    for k, text in enumerate(words.sign):
        left = box.left + k * part
        long = width_mm(text, UNDER_PT) + 1.5
        lines.append(SetLine(text, left, box.bottom + 1.2, UNDER_PT))
        _stroke(
            sheet, (left + long, box.bottom + 0.8), (left + part - 4.0, box.bottom + 0.8),
            f"sign-{text.lower()}", 0.6, "-", "black", 5,
        )  # fmt: skip
    return lines


def _cleaned(words: Words) -> Words:
    """Return the words with nothing that the type face cannot set."""
    from dataclasses import fields, replace

    def clean(value: Any) -> Any:
        if isinstance(value, str):
            return without_strange(value)
        if isinstance(value, tuple):
            return tuple(clean(item) for item in value)
        if hasattr(value, "heading"):
            return replace(
                value, heading=clean(value.heading), sentences=clean(value.sentences),
                rows=clean(value.rows),
            )  # fmt: skip
        return value

    return replace(words, **{f.name: clean(getattr(words, f.name)) for f in fields(words)})


def _stroke(
    sheet: Sheet,
    start: Point,
    end: Point,
    gid: str,
    width: float,
    style: Any,
    colour: str,
    order: float,
) -> None:
    from matplotlib.lines import Line2D

    sheet.add_line(
        Line2D(
            (start[0], end[0]), (start[1], end[1]), linewidth=width, linestyle=style, color=colour,
            gid=gid, zorder=order, dash_capstyle="butt", solid_capstyle="butt",
        )
    )  # fmt: skip


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
    import math

    angle = math.radians(degrees)
    return centre[0] + radius * math.sin(angle), centre[1] + radius * math.cos(angle)


def _plain(amount: float) -> str:
    """Return an amount as it stands in an id."""
    return f"{amount + 0.0:.10g}"
