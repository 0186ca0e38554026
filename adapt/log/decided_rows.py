"""A decision as rows of the tables `reviews` and `corrections`, wherever they are kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from adapt.log.deciding import Decision
from adapt.log.history import History
from adapt.problems import CannotBeMet, shown

__all__ = [
    "CORRECTIONS", "REVIEWS", "Row", "correction_rows", "next_number", "refuse_overtaken",
    "review_row",
]  # fmt: skip

REVIEWS = (
    "review", "job", "table", "after_run", "run", "decision", "kind", "explanation", "by",
    "decided", "note",
)  # fmt: skip
CORRECTIONS = (
    "review", "table", "job", "after_run", "run", "blade", "adjuster", "sensor", "regime",
    "entered", "entered_clock", "entered_phase_deg", "corrected", "corrected_clock",
    "corrected_phase_deg",
)  # fmt: skip

Row = Mapping[str, str]


def next_number(names: Iterable[str]) -> str:
    """Return the number of a new review: one more than the highest of those given.

    >>> next_number(["2", "10", "by hand"]), next_number([])
    ('11', '1')
    """
    return str(1 + max((int(name) for name in names if name.isdecimal()), default=0))


def review_row(number: str, decision: Decision, decided: datetime, by: str, note: str) -> Row:
    """Return a decision as a row of the reviews."""
    return {
        "review": number,
        "job": decision.job,
        "table": decision.table,
        "after_run": decision.after_run,
        "run": decision.run,
        "decision": decision.decision,
        "kind": decision.kind,
        "explanation": decision.explanation,
        "by": by,
        "decided": decided.isoformat(timespec="seconds"),
        "note": note,
    }


def correction_rows(number: str, decision: Decision) -> list[Row]:
    """Return what a decision changes as rows of the corrections."""
    rows: list[Row] = []
    for change in decision.changes:
        cells = {name: str(cell) for name, cell in vars(change).items()}
        if change.table == "moves":
            # The run of a move is called `after_run`.
            cells["after_run"] = cells.pop("run")
        rows.append({"review": number, **cells})
    return rows


def refuse_overtaken(made: Sequence[Row], history: History, job: str) -> None:
    """Raise CannotBeMet when there are other decisions on a job than were read.

    made: the reviews as they are now.
    """
    then = set(history.reviews.loc[history.reviews["job"] == job, "review"])
    new = [r for r in made if r["job"] == job and r["review"] not in then]
    now = {r["review"] for r in made if r["job"] == job}
    if new:
        other = new[-1]
        who = f" by {shown(other['by'])[1:-1]}" if other.get("by") else ""
        raise CannotBeMet(
            f"review {shown(other['review'])[1:-1]} on {job} was made meanwhile{who}: look again"
        )
    if then - now:
        raise CannotBeMet(f"a review on {job} was taken back meanwhile: look again")
