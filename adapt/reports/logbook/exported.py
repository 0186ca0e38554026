"""A logbook's state that was written as a folder."""

from __future__ import annotations

from typing import Any

from adapt.logbook.exporting import Exported
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.wording import count

__all__ = ["exported_document", "exported_report"]


def exported_document(made: Exported) -> dict[str, Any]:
    """Return the document of an export."""
    return {
        "folder": str(made.folder),
        "change": made.change,
        "rows": dict(made.rows),
        "cells_like_formulas": made.like_formulas,
    }


def exported_report(made: Exported) -> list[Block]:
    """Return what was written, and what to beware of."""
    report: list[Block] = [
        Heading(f"Written to {made.folder}", level=1),
        Line(f"The logbook as it was after change {made.change}."),
        table(["Table", ">Rows"], [(name, str(n)) for name, n in made.rows.items()]),
    ]
    if made.like_formulas:
        report.append(
            Line(
                f"{count(made.like_formulas, 'cell')} begin like a formula. They are text; a "
                "spreadsheet that opens the file might work them out: import its columns as text.",
                "bad",
            )
        )
    return report
