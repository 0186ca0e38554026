"""What a report is made of: headings, lines, bullets and tables, as plain values.

Reports build these from results; `show` puts them on a screen or into text. Nothing here prints.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["Block", "Bullets", "Column", "Commands", "Heading", "Line", "Table", "Tone", "table"]

Tone = Literal["plain", "good", "bad", "faint"]


@dataclass(frozen=True)
class Heading:
    """The title of a report (level 1) or of a part of it (level 2)."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Line:
    """A sentence or a paragraph; wrapped to the width it is shown in."""

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]
    tone: Tone = "plain"


@dataclass(frozen=True)
class Column:
    """One column: its title with the unit; numbers stand right, words left and may wrap."""

    title: str
    numeric: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of finished text. A row whose cells after the first are all empty titles a group.

    tones: one for each row, or empty when every row is plain.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    tones: tuple[Tone, ...] = ()


@dataclass(frozen=True)
class Commands:
    """Lines to copy and type; never wrapped."""

    lines: tuple[str, ...]


Block = Heading | Line | Bullets | Table | Commands


def table(
    titles: Sequence[str], rows: Iterable[Sequence[str]], tones: Iterable[Tone] = ()
) -> Table:
    """Return a table; a title that starts with ">" marks a column of numbers.

    >>> table(["Blade", ">Amount [g]"], [["A", "+40"]]).columns[1]
    Column(title='Amount [g]', numeric=True)
    """
    columns = tuple(Column(t.removeprefix(">"), t.startswith(">")) for t in titles)
    return Table(columns, tuple(tuple(row) for row in rows), tuple(tones))
