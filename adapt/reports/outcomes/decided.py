"""Decisions replayed: what was done, and what the planner would have asked for."""

from __future__ import annotations

import math

from adapt.outcomes.decisions import Decisions
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.records import Record, records
from adapt.reports.wording import NOTHING, count, number, share, share_between

__all__ = ["decisions_document", "decisions_report"]

_BY = {
    "made": "What was done",
    "chart": "Plan by the chart",
    "learned": "Plan by what was known",
}


def decisions_report(decisions: Decisions) -> list[Block]:
    """Return how jobs went, what each way of deciding was expected to give, and the cautions."""
    report: list[Block] = [Heading("Decisions replayed", level=1), *_jobs(decisions)]
    summary = records(decisions.summary)
    for first, title in ((True, "First corrections"), (False, "All corrections")):
        rows = [r for r in summary if r["first"] is first]
        if rows:
            report += [Heading(title), _table(rows)]
    if summary:
        report.append(
            Line(
                "Stated: the chance that the next run is inside every limit, by the coefficients "
                "that the plan was made with. Known then: by what had been learned by then; known "
                "now: by what the whole log taught."
            )
        )
    report += [
        Heading("What a replay can and cannot show"),
        Bullets(
            (
                "It shows how the choices differ, what each was expected to give, and whether what "
                "was stated of the moves that were made came true (see 'Do stated chances hold?').",
                "It cannot show what moves that nobody made would have done: for those there is "
                "only what is known now, and the learned coefficients are judged by "
                "coefficients learned in the same way.",
                "A job whose first correction is another goes another way: the number of runs that "
                "the plans would have taken is not told here.",
            )
        ),
    ]
    if decisions.notes:
        report += [Heading("Notes"), Bullets(decisions.notes)]
    return report


def decisions_document(decisions: Decisions) -> dict[str, object]:
    """Return the document for scripts."""
    rows = records(decisions.table.astype({"started": str}))
    for row in rows:
        row["plan"] = [
            {"blade": m.blade, "adjuster": m.adjuster, "amount": m.amount} for m in row["plan"]
        ]
    return {
        "table": rows,
        "jobs": records(decisions.jobs.astype({"started": str})),
        "summary": records(decisions.summary),
        "notes": list(decisions.notes),
    }


def _jobs(decisions: Decisions) -> list[Block]:
    jobs = records(decisions.jobs)
    if not jobs:
        return [Line("The log has no jobs.")]
    runs = [j["runs"] for j in jobs]
    corrected = [j for j in jobs if j["inside_after_first"] is not None]
    inside = sum(j["inside_after_first"] == 1.0 for j in corrected)
    told = [j for j in jobs if j["told"]]
    came = sum(j["runs_to_inside"] is not None for j in told)
    first = f"{count(len(jobs), 'job')}, {number(sum(runs) / len(jobs), 1)} runs each on average"
    if not told:
        return [Line(f"{first}; nothing that was read has a limit.")]
    of = "" if len(told) == len(jobs) else f" of the {len(told)} that read something with a limit"
    lines = [f"{first}; {came}{of} came inside every limit in some run that is logged."]
    if corrected:
        lines.append(
            f"In the run after the first correction {inside} of {len(corrected)} were "
            f"({share(inside / len(corrected))})."
        )
    return [Line(" ".join(lines))]


def _table(rows: list[dict[str, object]]) -> Table:
    cells = []
    for row in rows:
        as_made = row["as_made"]
        cells.append(
            (
                _BY[str(row["by"])],
                f"{row['decisions']}",
                _number(row, "moves", 1),
                _number(row, "minutes", 0),
                _between(row, "stated"),
                _between(row, "known_then"),
                _between(row, "known_now"),
                NOTHING if row["by"] == "made" else share(as_made),  # type: ignore[arg-type]
            )
        )
    titles = ["", ">Runs", ">Moves", ">Minutes", ">Stated", ">Known then", ">Known now"]
    return table([*titles, ">As done"], cells)


def _number(row: Record, name: str, decimals: int) -> str:
    value = row[name]
    return NOTHING if value is None or math.isnan(value) else number(value, decimals)


def _between(row: Record, name: str) -> str:
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    if low is not None and high is not None:
        low, high = max(low, 0.0), min(high, 1.0)
    return share_between(row[name], low, high)
