"""What all pictures share: sheets, inks and marks, and how a picture becomes SVG or PNG.

Readable in black and white: marks and dashes tell what colours tell too. Drawn on `Figure`s alone,
never through the library's state that all share, so that threads may draw side by side.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from dataclasses import replace
from io import BytesIO
from textwrap import wrap
from threading import Lock
from typing import TYPE_CHECKING, Any

from adapt.reports.layout import Picture
from adapt.reports.wording import how_written, printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BEFORE", "DASHES", "FAINT", "INK", "MARKS", "OVER", "WELL", "as_png", "as_svg", "empty_axes",
    "plain_name", "sheet", "with_title",
]  # fmt: skip

INK, FAINT = "#1d2733", "#9aa5b1"
WELL, OVER, BEFORE = "#00696b", "#b3470c", "#6b7683"
"""Inside or chosen; over a limit; as it was. Apart for every kind of colour sight, and in grey."""

MARKS = ("o", "s", "^", "D", "v", "P", "X", "*", "<", ">")
DASHES: tuple[Any, ...] = (
    "solid", (0, (5, 2)), (0, (1.2, 1.6)), (0, (6, 1.6, 1.2, 1.6)), (0, (9, 2)),
    (0, (3, 1, 1, 1, 1, 1)),
)  # fmt: skip

_TEXT_PT = 8.5
_LINE_INCH, _LETTERS_AN_INCH = 0.17, 13.0  # of a title
_FAMILY = "DejaVu Sans"  # comes with the drawing library: the same on every machine
_PNG_DPI = 160
_AT_A_TIME = Lock()  # the library's caches of fonts are not made for several threads


def sheet(width: float, height: float) -> Figure:
    """Return an empty figure; width, height [inch]."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height))


def empty_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Return axes without ticks or frame, at a place of the figure in inches, one unit an inch."""
    across, up = (float(x) for x in figure.get_size_inches())
    axes = figure.add_axes((left / across, bottom / up, width / across, height / up))
    axes.set_axis_off()
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, height)
    return axes


def as_svg(picture: Picture) -> bytes:
    """Return a picture as an SVG document, the same bytes for the same picture and reader."""
    return _drawn(picture, "svg", metadata={"Date": None, "Title": printable(picture.title)})


def as_png(picture: Picture) -> bytes:
    """Return a picture as a PNG file, fine enough for print."""
    return _drawn(picture, "png", dpi=_PNG_DPI)


def with_title(picture: Picture) -> Picture:
    """Return a picture that bears its title, for where nothing stands over it."""

    def draw() -> Figure:
        figure = picture.draw()
        across, up = (float(x) for x in figure.get_size_inches())
        lines = wrap(picture.title, max(int(across * _LETTERS_AN_INCH), 20))
        more = _LINE_INCH * (len(lines) + 0.8)
        for axes in figure.axes:
            box = axes.get_position()
            axes.set_position(
                (box.x0, box.y0 * up / (up + more), box.width, box.height * up / (up + more))
            )
        figure.set_size_inches(across, up + more)
        for row, line in enumerate(lines):
            down = (row + 0.4) * _LINE_INCH / (up + more)
            figure.text(0.5, 1.0 - down, line, ha="center", va="top", fontsize=_TEXT_PT + 1)
        return figure

    return replace(picture, draw=draw)


def plain_name(name: str) -> str:
    """Return a name as a part of a file's name.

    >>> plain_name("Cabin lateral [ips]"), plain_name("左")
    ('cabin-lateral-ips', 'x-e2e0c4')
    """
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
    return plain or f"x-{hashlib.sha256(name.encode()).hexdigest()[:6]}"


def _drawn(picture: Picture, kind: str, **settings: Any) -> bytes:
    import matplotlib as mpl
    from matplotlib.text import Text

    inks = {
        "text.color": INK, "axes.edgecolor": INK, "axes.labelcolor": INK, "xtick.color": INK,
        "ytick.color": INK,
    }  # fmt: skip
    look = {
        "font.family": _FAMILY, "font.size": _TEXT_PT, "axes.titlesize": _TEXT_PT + 1,
        "svg.hashsalt": picture.name, "svg.fonttype": "path", "axes.unicode_minus": False,
        "text.parse_math": False, "axes.linewidth": 0.7, "legend.frameon": False,
    }  # fmt: skip
    content = BytesIO()
    settled: Any = {**inks, **look}
    with _AT_A_TIME, warnings.catch_warnings(), mpl.rc_context(settled):
        figure = picture.draw()
        for text in figure.findobj(Text):
            text.set_text(printable(text.get_text()))
        if how_written().decimal == ",":
            from adapt.reports.pictures.commas import with_commas

            with_commas(figure)
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # it shows as a box
        figure.savefig(content, format=kind, facecolor="white", **settings)
    return content.getvalue()
