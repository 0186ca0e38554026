"""Setting the words of a paper chart: wrapped by the type face's own widths, as large as fits.

Knows no chart: lines of words, their places in millimetres and their sizes in points.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from adapt.balancing.paper.labels import MM_PER_PT
from adapt.balancing.paper.sheet import Box
from adapt.problems import CannotBeMet
from adapt.reports.balancing.paper_parts import Part

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

__all__ = [
    "FACE",
    "SetLine",
    "properties",
    "set_columns",
    "set_lines",
    "width_mm",
    "without_strange",
]

FACE = "DejaVu Sans"  # the one type face that comes with the drawing library
LEADING = 1.22
LARGEST_PT, SMALLEST_PT, STEP_PT = 7.6, 5.4, 0.1
BETWEEN_PARTS = 0.75  # of a line
BETWEEN_CELLS = 2.0  # [mm]
TOO_LONG = "the words of this chart do not fit on one page; shorten the names"


@dataclass(frozen=True)
class SetLine:
    """One line of words: its left end and baseline [mm], size [pt], and whether it is bold."""

    text: str
    x: float
    y: float
    size: float
    bold: bool = False


def width_mm(text: str, size: float, bold: bool = False) -> float:
    """Return how long words are [mm] at a size [pt]."""
    return sum(_word_mm(word, bold) for word in text) * size


def set_columns(left: Box, right: Box, parts: Sequence[Part]) -> tuple[SetLine, ...]:
    """Return the lines of parts in two boxes, in order, at the largest size at which all fit.

    Raises CannotBeMet when they do not fit at the smallest that can be read.
    """
    size = LARGEST_PT
    while size > SMALLEST_PT - 1e-9:
        for first in range(len(parts), -1, -1):
            one, other = _column(left, parts[:first], size), _column(right, parts[first:], size)
            if one is not None and other is not None:
                return (*one, *other)
        size -= STEP_PT
    raise CannotBeMet(TOO_LONG)


def set_lines(
    texts: Sequence[str],
    box: Box,
    size: float,
    first_bold: bool = False,
    right: bool = False,
    bottom: bool = False,
    smallest: float = SMALLEST_PT,
) -> tuple[SetLine, ...]:
    """Return texts, each wrapped, in a box from its top (or up from its bottom).

    size [pt]: made smaller until all fits. right: set to the right edge. Raises CannotBeMet when
    it does not fit at the smallest size.
    """
    while size > smallest - 1e-9:
        leading = size * MM_PER_PT * LEADING
        lines = [
            (line, first_bold and k == 0)
            for k, text in enumerate(texts)
            for line in _wrapped(text, size, box.width, first_bold and k == 0)
        ]
        high = len(lines) * leading
        fits = all(width_mm(text, size, bold) <= box.width + 1e-6 for text, bold in lines)
        if high <= box.height + 1e-6 and fits:
            top = box.bottom + high if bottom else box.top
            return tuple(
                SetLine(
                    text,
                    box.left + box.width - width_mm(text, size, bold) if right else box.left,
                    top - (k + 0.8) * leading,
                    size,
                    bold,
                )
                for k, (text, bold) in enumerate(lines)
            )
        size -= STEP_PT
    raise CannotBeMet(TOO_LONG)


def without_strange(text: str) -> str:
    """Return words with a question mark in place of what the type face has no figure for."""
    known = _figures()
    return "".join(c if ord(c) in known else "?" for c in text)


def _column(box: Box, parts: Sequence[Part], size: float) -> list[SetLine] | None:
    """Return the lines of one column, or None when they do not fit."""
    leading = size * MM_PER_PT * LEADING
    y = box.top
    lines: list[SetLine] = []
    for part in parts:
        for text in _wrapped(part.heading, size + 0.6, box.width, True):
            y -= leading * 1.08
            lines.append(SetLine(text, box.left, y + 0.2 * leading, size + 0.6, True))
        indent = width_mm("0. ", size) if part.numbered else 0.0
        for row in _table(part.rows, box, size):
            y -= leading * row.high
            lines += [
                SetLine(c.text, c.x, y + 0.2 * leading + c.y * leading, size, c.bold)
                for c in row.cells
            ]
        for number, sentence in enumerate(part.sentences, start=1):
            texts = list(_wrapped(sentence, size, box.width - indent, part.urgent))
            for k, text in enumerate(texts):
                y -= leading
                if part.numbered and k == 0:
                    lines.append(SetLine(f"{number}.", box.left, y + 0.2 * leading, size))
                lines.append(SetLine(text, box.left + indent, y + 0.2 * leading, size, part.urgent))
        y -= BETWEEN_PARTS * leading
    fits = all(x.x + width_mm(x.text, x.size, x.bold) <= box.left + box.width + 1e-6 for x in lines)
    return lines if fits and y + BETWEEN_PARTS * leading >= box.bottom - 1e-6 else None


@dataclass(frozen=True)
class _Cell:
    text: str
    x: float
    y: float  # lines above the row's last
    bold: bool


@dataclass(frozen=True)
class _Row:
    cells: tuple[_Cell, ...]
    high: int  # lines


def _table(rows: Sequence[Sequence[str]], box: Box, size: float) -> Iterable[_Row]:
    """Yield rows with the first column wrapped and the others as wide as they must be."""
    if not rows:
        return
    bold = [[k == 0] * len(row) for k, row in enumerate(rows)]
    others = [
        max(width_mm(row[c], size, bold[k][c]) for k, row in enumerate(rows))
        for c in range(1, len(rows[0]))
    ]
    first = box.width - sum(others) - BETWEEN_CELLS * len(others)
    for k, row in enumerate(rows):
        texts = list(_wrapped(row[0], size, first, bold[k][0]))
        cells = [
            _Cell(text, box.left, len(texts) - 1 - n, bold[k][0]) for n, text in enumerate(texts)
        ]
        x = box.left + first
        for c, width in enumerate(others, start=1):
            cells.append(_Cell(row[c], x + BETWEEN_CELLS, len(texts) - 1, bold[k][c]))
            x += BETWEEN_CELLS + width
        yield _Row(tuple(cells), len(texts))


def _wrapped(text: str, size: float, width: float, bold: bool = False) -> Iterable[str]:
    """Yield lines of words no longer than a width [mm]; a word longer than that is broken."""
    line = ""
    for word in text.split(" "):
        tried = f"{line} {word}" if line else word
        if width_mm(tried, size, bold) <= width:
            line = tried
            continue
        if line:
            yield line
        while width_mm(word, size, bold) > width and len(word) > 1:
            cut = next(
                (n for n in range(len(word) - 1, 1, -1) if width_mm(word[:n], size, bold) <= width),
                1,
            )
            yield word[:cut]
            word = word[cut:]
        line = word
    yield line


@lru_cache(maxsize=4096)
def _word_mm(character: str, bold: bool) -> float:
    """Return the advance width of one character [mm] at a size of 1 pt."""
    from matplotlib.ft2font import LoadFlags

    font = _font(bold)
    font.set_size(1000.0, 72.0)
    glyph = font.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / 1000.0 * MM_PER_PT


@lru_cache(maxsize=2)
def _font(bold: bool):  # type: ignore[no-untyped-def]
    from matplotlib.font_manager import findfont, get_font

    return get_font(findfont(properties(bold)))


@lru_cache(maxsize=1)
def _figures() -> frozenset[int]:
    return frozenset(_font(False).get_charmap()) & frozenset(_font(True).get_charmap())


def properties(bold: bool) -> FontProperties:
    """Return the type face, plain or bold."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FACE, weight="bold" if bold else "normal")
