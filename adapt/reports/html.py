"""Reports as HTML: blocks to fragments that stand in a page, and a whole page that needs no other.

Every text is escaped here and nowhere else. What a report says is decided elsewhere.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Sequence
from importlib.resources import files

from markupsafe import Markup

from adapt.reports.layout import (
    Block,
    Bullets,
    Commands,
    Heading,
    Line,
    Picture,
    Row,
    Table,
    ToSign,
)
from adapt.reports.pictures.drawing import as_svg
from adapt.reports.wording import printable

__all__ = ["as_fragment", "as_page", "digest_of_styles", "sheet_of_styles"]

Shown = Callable[[Picture], str]


def as_fragment(report: Sequence[Block], source: Shown, top: int = 1) -> Markup:
    """Return blocks as HTML.

    source: the address under which a picture is found. top: the level of a report's own title (its
    level 1), so that a fragment fits into the headings of a page.
    """
    return Markup("\n").join(_block(block, source, top) for block in report)


def as_page(report: Sequence[Block], title: str) -> str:
    """Return a report as one HTML file that needs no other: styles and pictures stand in it."""
    body = as_fragment(report, _in_place)
    return str(
        Markup(
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            "<title>{}</title>\n<style>{}</style>\n</head>\n<body>\n"
            '<main class="report">\n{}\n</main>\n</body>\n</html>\n'
        ).format(printable(title), Markup(sheet_of_styles()), body)
    )


def sheet_of_styles() -> str:
    """Return the styles of reports, for screens and for paper."""
    return files("adapt.reports").joinpath("report.css").read_text(encoding="utf-8")


def digest_of_styles() -> str:
    """Return the digest of what stands in `as_page`'s style element, as browsers compare it."""
    digest = hashlib.sha256(sheet_of_styles().encode()).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


def _in_place(picture: Picture) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(as_svg(picture)).decode("ascii")


def _block(block: Block, source: Shown, top: int) -> Markup:
    match block:
        case Heading(text, level):
            at = min(level + top - 1, 6)
            return Markup("<h{0}>{1}</h{0}>").format(at, printable(text))
        case Line(text, tone):
            return Markup('<p class="{}">{}</p>').format(tone, printable(text))
        case Bullets(items, tone):
            rows = Markup("").join(Markup("<li>{}</li>").format(printable(i)) for i in items)
            return Markup('<ul class="{}">{}</ul>').format(tone, rows) if items else Markup("")
        case Commands(lines):
            return Markup("<pre>{}</pre>").format("\n".join(printable(x) for x in lines))
        case Picture():
            return Markup(
                '<figure><img src="{}" alt="{}" loading="lazy"><figcaption>{}</figcaption></figure>'
            ).format(source(block), printable(block.says), printable(block.title))
        case Row(pictures):
            shown = Markup("\n").join(_block(picture, source, top) for picture in pictures)
            return Markup('<div class="row">{}</div>').format(shown)
        case Table():
            return _table(block)
        case ToSign(lines):
            rows = Markup("").join(
                Markup("<div><dt>{}</dt><dd></dd></div>").format(printable(line)) for line in lines
            )
            return Markup('<dl class="to-sign">{}</dl>').format(rows)


def _table(block: Table) -> Markup:
    """Return a table; a row that titles a group starts a body of its own."""
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(
            Markup(' class="number"') if c.numeric else "", printable(c.title)
        )
        if c.title
        else Markup("<td></td>")
        for c in block.columns
    )
    bodies: list[list[Markup]] = [[]]
    tones = block.tones or ("plain",) * len(block.rows)
    for row, tone in zip(block.rows, tones, strict=True):
        if len(row) > 1 and not any(row[1:]):
            title = Markup('<tr class="group"><th scope="rowgroup" colspan="{}">{}</th></tr>')
            bodies.append([title.format(len(block.columns), printable(row[0].strip()))])
            continue
        cells = Markup("").join(_cell(block, k, cell) for k, cell in enumerate(row))
        bodies[-1].append(Markup('<tr class="{}">{}</tr>').format(tone, cells))
    rows = Markup("\n").join(
        Markup("<tbody>{}</tbody>").format(Markup("\n").join(body)) for body in bodies if body
    )
    return Markup(
        '<div class="wide" tabindex="0" role="group" aria-label="table">'
        "<table><thead><tr>{}</tr></thead>{}</table></div>"
    ).format(head, rows)


def _cell(block: Table, at: int, text: str) -> Markup:
    """Return a cell: the first of a row names it."""
    kind = Markup(' class="number"') if block.columns[at].numeric else Markup("")
    if block.columns[at].bar:
        full = "over" if text.endswith("!") else str(text.count("#"))
        return Markup('<td><span class="bar bar-{}" aria-hidden="true"></span></td>').format(full)
    if at == 0 and text.strip():
        return Markup('<th scope="row"{}>{}</th>').format(kind, printable(text.strip()))
    return Markup("<td{}>{}</td>").format(kind, printable(text.strip()))
