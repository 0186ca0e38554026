"""The record of a logbook: its changes, and what was entered of one fact."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapt.logbook.correcting import Corrected
from adapt.logbook.record import ChangeLine, Entry
from adapt.problems import shown
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.log.checked import problem_blocks
from adapt.reports.wording import count, joined

__all__ = [
    "changes_document", "changes_report", "corrected_report", "entry_document", "entry_report",
    "taken_out_report",
]  # fmt: skip

_UNSEEN = ("names", "headers")  # rows that nobody entered
_CALLED = {
    "job_states": "status of a job",
    "sets": "coefficient set",
    "documents": "document",
    "withdrawals": "withdrawal of a set",
    "orders": "order",
}


def changes_document(lines: Sequence[ChangeLine]) -> dict[str, Any]:
    """Return the document of a logbook's changes."""
    return {
        "changes": [
            {
                "change": c.change,
                "recorded": c.recorded,
                "clock": c.clock,
                "who": c.who,
                "what": c.what,
                "note": c.note,
                "source": c.source,
                "program": c.program,
                "rows": {t: n for t, n in c.rows.items() if t not in _UNSEEN},
            }
            for c in lines
        ]
    }


def changes_report(lines: Sequence[ChangeLine], book: str, job: str | None) -> list[Block]:
    """Return one line for each change."""
    of_job = "" if job is None else f", job {shown(job)[1:-1]}"
    report: list[Block] = [Heading(f"Changes of {book}{of_job}", level=1)]
    if not lines:
        return [*report, Line("None.")]
    report.append(
        table(
            [">Change", "Recorded (UTC)", "Who", "What", "Rows", "Source", "Note"],
            [
                (
                    str(c.change),
                    c.recorded[:16].replace("T", " "),
                    shown(c.who)[1:-1],
                    c.what,
                    joined([_rows(n, t) for t, n in c.rows.items() if t not in _UNSEEN]) or "-",
                    shown(c.source)[1:-1] if c.source else "-",
                    shown(c.note)[1:-1] if c.note else "-",
                )
                for c in lines
            ],
        )
    )
    behind = [c for c in lines if c.clock is not None]
    if behind:
        listed = joined([str(c.change) for c in behind[:8]])
        report.append(
            Line(
                f"The clock ran behind the change above at {listed}: they are recorded with the "
                "time of that change, so that the order of states holds."
            )
        )
    return report


def entry_document(entries: Sequence[Entry]) -> dict[str, Any]:
    """Return the document of what was entered of a fact, oldest first."""
    return {
        "entries": [
            {
                "table": e.table,
                "entry": e.entry,
                "change": e.change,
                "recorded": e.recorded,
                "who": e.who,
                "replaces": e.replaces,
                "taken_out": e.void,
                "cells": dict(e.cells),
            }
            for e in entries
        ]
    }


def entry_report(entries: Sequence[Entry], book: str) -> list[Block]:
    """Return what was entered of a fact, oldest first; the last line is in force."""
    last = entries[-1]
    state = "It was taken out." if last.void else f"Entry {last.entry} is in force."
    return [
        Heading(f"{book}, {last.table}: entry {last.entry} and what it goes back to", level=1),
        _table(entries),
        Line(state),
    ]


def corrected_report(entries: Sequence[Entry], made: Corrected, book: str) -> list[Block]:
    """Return what was entered of a fact, with the correction as the last, and what is doubtful."""
    report: list[Block] = [
        Heading(f"{book}, {entries[-1].table}: entry {made.entry}", level=1),
        _table(entries),
        Line(f"Corrected, as change {made.change}; what it said before is kept."),
    ]
    if made.doubts:
        report.append(Line("Doubts: unlikely or against the hardware; shown, and used."))
        report += problem_blocks(made.doubts)
    if made.unchecked:
        designs = joined([shown(design)[1:-1] for design in made.unchecked])
        report.append(Line(f"Not checked by a rotor file: {designs}. --rotor F names one."))
    return report


def taken_out_report(entries: Sequence[Entry], change: int, book: str) -> list[Block]:
    """Return what was taken out."""
    taken = [e for e in entries if not e.void]
    return [
        Heading(f"Taken out of {book}", level=1),
        _table(taken),
        Line(
            f"{count(sum(e.void for e in entries), 'row')} taken out, as change {change}. What it "
            "said is kept in the record, and in every earlier state."
        ),
    ]


def _table(entries: Sequence[Entry]) -> Block:
    columns = list(dict.fromkeys(c for e in entries for c in e.cells if e.cells[c]))
    return table(
        [">Entry", "Entered (UTC)", "By", *columns],
        [
            (
                str(e.entry),
                e.recorded[:16].replace("T", " "),
                shown(e.who)[1:-1],
                *(
                    ("(taken out)" if e.void and c == columns[-1] else _cell(e.cells.get(c, "")))
                    for c in columns
                ),
            )
            for e in entries
        ],
    )


def _rows(number: int, name: str) -> str:
    """Return how many rows of a table a change added, in words."""
    if name in _CALLED:
        return _CALLED[name]
    return f"{number} of {name}"


def _cell(text: str) -> str:
    return shown(text)[1:-1] if text else "-"
