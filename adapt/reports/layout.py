"""What a report is made of: headings, lines, bullets, tables and pictures, as plain values.

Reports build these from results; `show` puts them on a screen or into text, `html` into a page,
`typeset` onto paper. Nothing here prints or draws.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "Block",
    "Bullets",
    "Column",
    "Commands",
    "Heading",
    "Line",
    "Picture",
    "Row",
    "Table",
    "ToSign",
    "Tone",
    "table",
    "without_blank_columns",
]

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
    """One column: its title with the unit; numbers stand right, words left and may wrap.

    bar: its cells are bars (`wording.bar`), which a page may draw.
    """

    title: str
    numeric: bool = False
    bar: bool = False


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


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture: drawn only where pictures are shown.

    name: as a part of a file's name. title: what stands over it. says: what it shows, in words, for
    who cannot see it. draw: makes it anew.
    """

    name: str
    title: str
    says: str
    draw: Callable[[], Figure]


@dataclass(frozen=True, eq=False)
class Row:
    """Pictures that stand side by side where there is room."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class ToSign:
    """Lines to fill in by hand on paper, each with what belongs on it."""

    lines: tuple[str, ...]


Block = Heading | Line | Bullets | Table | Commands | Picture | Row | ToSign


def table(
    titles: Sequence[str], rows: Iterable[Sequence[str]], tones: Iterable[Tone] = ()
) -> Table:
    """Return a table; a title that starts with ">" marks a column of numbers, "|" one of bars.

    >>> table(["Blade", ">Amount [g]"], [["A", "+40"]]).columns[1]
    Column(title='Amount [g]', numeric=True, bar=False)
    """
    columns = tuple(Column(t.lstrip(">|"), t.startswith(">"), t.startswith("|")) for t in titles)
    return Table(columns, tuple(tuple(row) for row in rows), tuple(tones))


def without_blank_columns(block: Table, titles: Collection[str]) -> Table:
    """Return a table without those of the columns of these titles in which no row says anything.

    >>> blank = table(["Blade", ">Now", ">Limit"], [["A", "-", "-"]])
    >>> without_blank_columns(blank, ["Limit"]).rows
    (('A', '-'),)
    """
    keep = [
        i
        for i, column in enumerate(block.columns)
        if column.title not in titles or any(row[i] not in ("", "-") for row in block.rows)
    ]
    return Table(
        tuple(block.columns[i] for i in keep),
        tuple(tuple(row[i] for i in keep) for row in block.rows),
        block.tones,
    )
