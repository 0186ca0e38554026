"""How an import went: what came in, what was there, what is in conflict, what is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from adapt.logbook.importing.values import Conflict, TakenIn
from adapt.problems import shown
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.log.checked import problem_blocks
from adapt.reports.wording import count, joined

__all__ = ["taken_in_document", "taken_in_report"]

MOST_SHOWN = 25


def taken_in_document(found: TakenIn) -> dict[str, Any]:
    """Return the document of an import; change null = nothing was kept."""
    return {
        "change": found.change,
        "dry_run": found.dry,
        "refused": found.refused or None,
        "jobs": found.jobs,
        "tables": {
            name: {
                "new": c.new,
                "there": c.there,
                "corrected": c.corrected,
                "twice": c.twice,
                "conflicts": c.conflicts,
            }
            for name, c in found.tables.items()
        },
        "conflicts": [
            {
                "table": c.table,
                "file": c.file,
                "row": c.row,
                "fact": dict(c.fact),
                "with_row": c.with_row,
                "taken_out": c.taken_out,
                "differs": [
                    {"column": column, "there": there, "here": here}
                    for column, there, here in c.differs
                ],
            }
            for c in found.conflicts
        ],
        "conflict_count": found.conflict_count,
        "wrong": [asdict(p) for p in found.wrong],
        "wrong_count": found.wrong_count,
        "faults": [asdict(p) for p in found.faults],
        "doubts": [asdict(p) for p in found.doubts],
        "unchecked_designs": list(found.unchecked),
        "renumbered_reviews": [asdict(r) for r in found.renumbered],
    }


def taken_in_report(found: TakenIn, book: str, source: str) -> list[Block]:
    """Return what happened in a sentence, then table by table, then what stands in the way."""
    report: list[Block] = [Heading(f"Import of {source} into {book}", level=1), _outcome(found)]
    if found.tables:
        report.append(_counts(found))
    if found.renumbered:
        report += _renumbered(found)
    if found.wrong:
        report.append(Line("Rows that cannot be kept:", "bad"))
        report += problem_blocks(found.wrong)
        report += _others(found.wrong_count - len(found.wrong))
    if found.conflicts:
        report += _conflicts(found)
    if found.faults:
        report.append(
            Line("Faults: not understood; the jobs they stand in could not be used.", "bad")
        )
        report += problem_blocks(found.faults)
    if found.doubts:
        report.append(Line("Doubts: unlikely or against the hardware; shown, and used."))
        report += problem_blocks(found.doubts)
    if found.unchecked:
        designs = joined([shown(design)[1:-1] for design in found.unchecked])
        report.append(Line(f"Not checked by a rotor file: {designs}. --rotor F names one."))
    return report


def _outcome(found: TakenIn) -> Line:
    rows, jobs = count(found.new, "row"), count(found.jobs, "job")
    if found.refused:
        ways = []
        if found.conflict_count:
            ways.append("--correct takes the rows in conflict as corrections")
        if found.faults:
            ways.append("--with-faults keeps such jobs, set aside until they are corrected")
        if found.wrong_count:
            ways.append("mend the rows below in the source")
        return Line(f"Nothing was kept: {found.refused}. {_sentence('; '.join(ways))}", "bad")
    if found.new == 0:
        return Line("Nothing new: every row is in the logbook already.")
    if found.dry:
        return Line(f"Nothing was kept (a dry run). {rows} of {jobs} would come in.")
    return Line(f"{rows} of {jobs} came in, as change {found.change}.", "good")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "." if text else ""


def _counts(found: TakenIn) -> Block:
    columns = {
        "New": [c.new for c in found.tables.values()],
        "Corrected": [c.corrected for c in found.tables.values()],
        "There already": [c.there for c in found.tables.values()],
        "Said twice": [c.twice for c in found.tables.values()],
        "In conflict": [c.conflicts for c in found.tables.values()],
    }
    shown_columns = [t for t in columns if any(columns[t]) or t in ("New", "There already")]
    return table(
        ["Table", *(f">{title}" for title in shown_columns)],
        [
            (name, *(str(columns[title][i]) for title in shown_columns))
            for i, name in enumerate(found.tables)
        ],
    )


def _conflicts(found: TakenIn) -> list[Block]:
    against_book = [c for c in found.conflicts if c.with_row is None and not c.taken_out]
    out = [c for c in found.conflicts if c.taken_out]
    within = [c for c in found.conflicts if c.with_row is not None]
    report: list[Block] = []
    for rows, title in (
        (out, "Taken out of the logbook, and in the source still (--correct brings them back):"),
        (against_book, "The logbook says something else of the same fact:"),
        (within, "Rows of the source say something else of the same fact:"),
    ):
        if rows:
            report += [Line(title, "bad"), _conflict_table(rows)]
    return [*report, *_others(found.conflict_count - min(len(found.conflicts), MOST_SHOWN))]


def _conflict_table(rows: Sequence[Conflict]) -> Block:
    there = "In the logbook" if rows[0].with_row is None else "In the other row"
    return table(
        ["File", ">Row", "Of", "Column", there, "In this row"],
        [
            (
                c.file,
                str(c.row) if c.with_row is None else f"{c.row}, {c.with_row}",
                ", ".join(shown(text)[1:-1] for _, text in c.fact),
                column,
                shown(before),
                shown(now),
            )
            for c in rows[:MOST_SHOWN]
            for column, before, now in c.differs or [("", "", "")]
        ],
    )


def _renumbered(found: TakenIn) -> list[Block]:
    rows = [(shown(r.job)[1:-1], shown(r.there)[1:-1], r.here) for r in found.renumbered]
    return [
        Line("Reviews whose numbers the logbook gave to others have numbers of their own here:"),
        table(["Job", ">In the source", ">Here"], rows[:MOST_SHOWN]),
        *_others(len(rows) - MOST_SHOWN),
    ]


def _others(more: int) -> list[Block]:
    return [Line(f"... and {more} more.")] if more > 0 else []
