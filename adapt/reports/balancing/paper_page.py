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

from adapt.balancing.paper.page import Page
from adapt.balancing.paper.sheet import Box
from adapt.files import write_whole
from adapt.problems import BadInput, shown
from adapt.reports.balancing.paper_circle import DASHES, WIDTHS, draw_circle, stroke
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
TITLE_PT, UNDER_PT, KEY_PT, FOOT_PT = 13.0, 8.6, 7.2, 6.8
SAMPLE = 14.0  # [mm] long, of a line beside the words of its key
TITLE = 7.0  # [mm] high: the title in the head
SIGN = 9.0  # [mm] high: the row to be filled in


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
    draw_circle(sheet, page)
    _words(sheet, page, words)
    return figure


def _words(sheet: Sheet, page: Page, words: Words) -> None:
    boxes = page.boxes
    clean = _cleaned(words)
    head = boxes["title"]
    title = Box(head.left, head.top - TITLE, head.width, TITLE)
    under = Box(head.left, head.bottom, head.width, head.height - TITLE)
    lines = [*set_lines((clean.title,), title, TITLE_PT, first_bold=True)]
    lines += set_lines(clean.under, under, UNDER_PT)
    lines += _keys(sheet, page, clean)
    lines += set_columns(boxes["left"], boxes["right"], clean.parts)
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
        stroke(sheet, (left, y), (left + SAMPLE, y), f"key-{name.replace(' ', '-')}", WIDTHS[1],
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
    stroke(
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
        stroke(
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
