"""Reports on paper: blocks to a PDF that any printer and any reader of screens takes.

The only module that knows the typesetter. What a report says is decided elsewhere.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

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

__all__ = ["as_pdf"]

_MM_PER_PT = 25.4 / 72.0
_PICTURES_AS_DRAWN = 0.92  # of their size: most fit beside others on a page then


def as_pdf(report: Sequence[Block], title: str, foot: str) -> bytes:
    """Return a report as a tagged PDF on A4, the same bytes for the same report and fonts.

    foot: stands at the bottom of every page, beside its number.
    """
    import matplotlib as mpl
    import typst

    document = {
        "title": printable(title), "foot": printable(foot),
        "blocks": [_block(block) for block in report],
    }  # fmt: skip
    fonts: list[Path] = [Path(mpl.get_data_path()) / "fonts" / "ttf"]
    template: Any = files("adapt.reports").joinpath("report.typ").read_bytes()
    made = typst.compile(
        template,
        font_paths=fonts,
        sys_inputs={"report": json.dumps(document)},
        timestamp=0,
    )
    assert isinstance(made, bytes)
    return made


def _block(block: Block) -> dict[str, Any]:
    match block:
        case Heading(text, level):
            return {"kind": "heading", "level": level, "text": printable(text)}
        case Line(text, tone):
            return {"kind": "line", "tone": tone, "text": printable(text)}
        case Bullets(items, tone):
            return {"kind": "bullets", "tone": tone, "items": [printable(i) for i in items]}
        case Commands(lines):
            return {"kind": "commands", "lines": [printable(line) for line in lines]}
        case ToSign(lines):
            return {"kind": "to-sign", "lines": [printable(line) for line in lines]}
        case Row(pictures):
            return {"kind": "row", "pictures": [_block(picture) for picture in pictures]}
        case Picture():
            svg = as_svg(block).decode("utf-8")
            return {
                "kind": "picture", "svg": svg, "width": _width_mm(svg),
                "title": printable(block.title), "says": printable(block.says),
            }  # fmt: skip
        case Table():
            return _table(block)


def _table(block: Table) -> dict[str, Any]:
    tones = block.tones or ("plain",) * len(block.rows)
    return {
        "kind": "table",
        "columns": [
            {"title": printable(c.title), "numeric": c.numeric, "bar": c.bar} for c in block.columns
        ],
        "rows": [
            {
                "cells": [printable(cell.strip()) for cell in row],
                "tone": tone,
                "group": len(row) > 1 and not any(row[1:]),
            }
            for row, tone in zip(block.rows, tones, strict=True)
        ],
    }


def _width_mm(svg: str) -> float:
    """Return how wide a picture is to stand on paper."""
    found = re.search(r'<svg[^>]* width="([0-9.]+)pt"', svg)
    assert found is not None
    return float(found[1]) * _MM_PER_PT * _PICTURES_AS_DRAWN
