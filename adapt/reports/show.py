"""Reports on a screen, in a pipe or as text, and the progress of what takes time.

The only module that knows the terminal library. Colour and wrapping at the window's width are for
terminals; a pipe gets plain text without trailing blanks. What a report says is decided elsewhere.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from io import StringIO
from typing import TextIO

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from adapt.reports.layout import (
    Block,
    Bullets,
    Commands,
    Heading,
    Line,
    Picture,
    Row,
    Table,
    Tone,
    ToSign,
)
from adapt.reports.wording import printable

__all__ = ["as_text", "show", "step"]

NARROWEST = 80
_WIDEST_PIPE = 100
_WIDEST_TEXT = 90
_BETWEEN_S = 30.0
_PLAIN: Tone = "plain"
_STYLES: dict[Tone, str] = {"plain": "", "good": "green", "bad": "bold red", "faint": "dim"}
# Eight lines of four characters, as the terminal library wants them: a rule of hyphens under the
# header and nothing else, so that it survives every terminal, mail and printer.
_RULE_UNDER_HEADER = Box("    \n    \n -  \n    \n    \n    \n    \n    \n", ascii=True)


def show(report: Sequence[Block], stream: TextIO | None = None) -> None:
    """Print a report: for a person at a terminal with colour, for a pipe as plain text."""
    out = sys.stdout if stream is None else stream
    if out.isatty():
        width = max(NARROWEST, shutil.get_terminal_size().columns)
        _print(report, Console(file=out, width=width, highlight=False, emoji=False, markup=False))
    else:
        out.write(as_text(report))


def as_text(report: Sequence[Block], width: int | None = None) -> str:
    """Return a report as plain text.

    width: characters a line; without it 80, or as many as its widest table needs to keep every
    row on one line, at most 100.
    """
    if width is None:
        width = min(max([NARROWEST, *(_natural_width(b) for b in report)]), _WIDEST_PIPE)
    buffer = StringIO()
    console = Console(
        file=buffer,
        width=width,
        color_system=None,
        highlight=False,
        emoji=False,
        markup=False,
        force_terminal=False,
        no_color=True,
    )
    _print(report, console)
    return "".join(line.rstrip() + "\n" for line in buffer.getvalue().splitlines())


@contextmanager
def step(what: str, quiet: bool = False) -> Iterator[Callable[[str], None]]:
    """Say on standard error that something takes time, and how long it took.

    Gives what says how far it is, in a few words. At a terminal the line moves while it works; in a
    pipe one plain line stands when it is done, and one now and then while it takes long.
    """
    if quiet:
        yield lambda far: None
        return
    started = time.perf_counter()
    if sys.stderr.isatty():
        with Console(stderr=True, highlight=False, markup=False).status(f"{what} ...") as line:
            yield lambda far: line.update(f"{what} ... {far}")
    else:
        yield _now_and_then(what, started)
    print(f"{what}: {time.perf_counter() - started:.1f} s", file=sys.stderr, flush=True)


def _now_and_then(what: str, started: float) -> Callable[[str], None]:
    """Return what prints how far something is, at most every half minute."""
    last = started

    def tell(far: str) -> None:
        nonlocal last
        now = time.perf_counter()
        if now - last >= _BETWEEN_S:
            last = now
            print(f"{what}: {far}, {now - started:.0f} s", file=sys.stderr, flush=True)

    return tell


def _print(report: Sequence[Block], console: Console) -> None:
    before: Block | None = None
    for block in report:
        if isinstance(block, Picture | Row):
            continue
        if before is not None and not isinstance(before, Heading) and _stands_apart(block, before):
            console.print()
        _print_block(block, console)
        before = block


def _stands_apart(block: Block, before: Block) -> bool:
    return isinstance(block, Heading | Table) or isinstance(before, Table)


def _print_block(block: Block, console: Console) -> None:
    match block:
        case Heading(text, level):
            title = printable(text)
            console.print(Text(title, style="bold"))
            if level == 1:
                console.print(Text("=" * min(len(title), console.width), style="bold"))
        case Line(text, tone):
            console.print(Text(printable(text), style=_STYLES[tone]), width=_text_width(console))
        case Bullets(items, tone):
            console.print(_bullets(items, tone), width=_text_width(console))
        case Commands(lines):
            for line in lines:
                console.print(Text(f"  {printable(line)}"), soft_wrap=True)
        case Table():
            _print_table(block, console)
        case ToSign(lines):
            for line in lines:
                console.print(Text(f"{printable(line)}: {'_' * 30}"))


def _text_width(console: Console) -> int:
    return min(console.width, _WIDEST_TEXT)


def _bullets(items: Sequence[str], tone: Tone) -> Grid:
    grid = Grid.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for item in items:
        grid.add_row(Text("-"), Text(printable(item), style=_STYLES[tone]))
    return grid


def _print_table(block: Table, console: Console) -> None:
    """Print a table; titles of groups stand across it, whatever the width of its first column."""
    widths = _widths(block)
    rest = sum(widths[1:]) + 2 * (len(widths) - 1)
    grouped = any(_is_group(row) for row in block.rows)
    fixed = [max(8, min(widths[0], console.width - rest)), *widths[1:]] if grouped else None
    part = _grid(block, fixed, header=True)
    tones = block.tones or [_PLAIN] * len(block.rows)
    for row, tone in zip(block.rows, tones, strict=True):
        if _is_group(row):
            console.print(part)
            console.print(Text(printable(row[0]), style="bold"))
            part = _grid(block, fixed, header=False)
        else:
            part.add_row(*(Text(printable(cell), style=_STYLES[tone]) for cell in row))
    console.print(part)


def _grid(block: Table, widths: Sequence[int] | None, header: bool) -> Grid:
    grid = Grid(
        box=_RULE_UNDER_HEADER,
        pad_edge=False,
        show_edge=False,
        show_header=header,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )
    for i, column in enumerate(block.columns):
        grid.add_column(
            Text(printable(column.title)),
            justify="right" if column.numeric else "left",
            no_wrap=column.numeric,
            overflow="fold",
            vertical="top",
            width=None if widths is None else widths[i],
        )
    return grid


def _is_group(row: Sequence[str]) -> bool:
    return len(row) > 1 and not any(row[1:])


def _widths(block: Table) -> list[int]:
    cells = [
        tuple(column.title for column in block.columns),
        *(row for row in block.rows if not _is_group(row)),
    ]
    return [max(cell_len(row[i]) for row in cells) for i in range(len(block.columns))]


def _natural_width(block: Block) -> int:
    return sum(width + 2 for width in _widths(block)) - 2 if isinstance(block, Table) else 0
