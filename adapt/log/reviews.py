"""What specialists decided about suspect entries: the table `reviews`, row by row.

A decision accepts an explanation, excludes, or keeps an entry as it is. What an accepted
explanation changes stands in `corrections`; writing a decision down is `reviewing`'s business.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.columns import first_of
from adapt.findings import Findings
from adapt.log.corrections import Corrections
from adapt.log.scope import Scope
from adapt.problems import one_of
from adapt.tables import Table

__all__ = ["DECISIONS", "REVIEWED_TABLES", "Reviews", "pairs_of", "reviews_of"]

Positions = npt.NDArray[np.intp]
Pairs = frozenset[tuple[str, str]]

DECISIONS = ("accept", "exclude", "keep")
REVIEWED_TABLES = ("moves", "readings")


@dataclass(frozen=True, eq=False)
class Reviews:
    """The decisions on jobs of one rotor design.

    frame: review, job, table, after_run, run, decision, kind, explanation, by, decided, note, with
    `at` = position of `run` in the runs of the scope, `row` in the file and `index` in `table`;
    rows without fault only.
    every: all that the table says of each review, whatever its design: job and decision by name.
    """

    table: Table
    frame: pd.DataFrame
    every: dict[str, tuple[str, str]]


def reviews_of(table: Table, scope: Scope, findings: Findings) -> Reviews:
    """Read the decisions, with everything wrong in them noted."""
    names, jobs = table.text("review"), table.text("job")
    made = [_plain(text) for text in table.text("decision")]
    # Of a number that stands twice, the first row is the review: the later one is a fault.
    every = dict(reversed(list(zip(names, zip(jobs, made, strict=True), strict=True))))
    first = first_of(table.column("review").codes)
    above = dict(zip(table.rows.tolist(), table.rows[first].tolist(), strict=True))

    table = scope.rows_of(table, findings)
    named = table.column("review").each(bool, bool)
    findings.fault(table, ~named, "review", "a number (or a name) that no other review has")
    again = np.array([above[row] != row for row in table.rows.tolist()], dtype=bool) & named
    findings.fault(
        table,
        again,
        "review",
        lambda i: f"each review once (row {above[int(table.rows[i])]} has it)",
    )
    decision = _word(table, "decision", DECISIONS, findings)
    about = _word(table, "table", REVIEWED_TABLES, findings)
    after = scope.run_positions(table, "after_run", findings)
    run = scope.run_positions(table, "run", findings)
    follows = (run == after + 1) | ((run == after) & (about == "readings"))
    apart = (run >= 0) & (after >= 0) & (about != "") & ~follows
    findings.fault(table, apart, "after_run", "the run before the one in the column run")
    no_date = ~table.column("decided").each(_is_date, bool)
    findings.doubt(table, no_date, "decided", "a date and time as in 2026-05-31T14:20 (ISO 8601)")

    clean = named & ~again & (decision != "") & (about != "") & (run >= 0) & (after >= 0) & ~apart
    texts = ("review", "job", "after_run", "run", "kind", "explanation", "by", "decided", "note")
    frame = pd.DataFrame({name: table.text(name) for name in texts})
    frame = frame.assign(
        table=about, decision=decision, at=run, row=table.rows, index=np.arange(len(table))
    )
    return Reviews(table, frame[clean], every)


def pairs_of(
    reviews: Reviews, corrections: Corrections, scope: Scope, findings: Findings
) -> tuple[Pairs, Pairs]:
    """Return the pairs (job, after_run) that were found right, and those that are left out.

    A decision on moves concerns the pair that they stand in, one on readings both pairs that the
    run is part of. An exclusion that names readings leaves those out (see `corrections`) and no
    pair. Notes decisions that contradict each other, and that accept nothing.
    """
    frame = reviews.frame
    has_rows = frame["review"].isin(list(corrections.reviews)).to_numpy()
    decision = frame["decision"].to_numpy()
    index = frame["index"].to_numpy()
    findings.fault(
        reviews.table,
        index[(decision == "accept") & ~has_rows],
        "decision",
        "what an accepted explanation changes, in rows of the table corrections with the same "
        "review; there are none",
    )
    ends = frame[((decision == "keep") | (decision == "exclude")) & ~has_rows]
    key = ends.groupby(["job", "run", "table"], sort=False).ngroup().to_numpy(dtype=np.intp)
    first = first_of(key)
    other = ends["row"].to_numpy()[first]
    later = np.flatnonzero(first != np.arange(len(ends)))
    told = {int(ends["index"].iloc[i]): int(other[i]) for i in later}
    findings.fault(
        reviews.table,
        np.array(list(told), dtype=np.intp),
        "decision",
        lambda i: f"one decision to keep or to exclude (row {told[i]} has one on the same entry)",
    )
    job = scope.runs["job"].to_numpy()
    run = scope.runs["run"].to_numpy()

    def pairs(rows: pd.DataFrame) -> Pairs:
        found = set()
        for at, table in zip(rows["at"], rows["table"], strict=True):
            for before in (at - 1, at) if table == "readings" else (at - 1,):
                if 0 <= before < len(job) - 1 and job[before] == job[before + 1]:
                    found.add((str(job[before]), str(run[before])))
        return frozenset(found)

    left_out = pairs(ends[ends["decision"] == "exclude"])
    return pairs(ends[ends["decision"] == "keep"]) - left_out, left_out


def _word(
    table: Table, column: str, known: tuple[str, ...], findings: Findings
) -> npt.NDArray[np.object_]:
    """Return which of the known words each row has, "" (and a fault) where it has another."""
    words: npt.NDArray[np.object_] = table.column(column).each(
        lambda text: _plain(text) if _plain(text) in known else "", object
    )
    cells = table.text(column)
    findings.fault(
        table, words == "", column, lambda i: one_of("one of these words", str(cells[i]), known)
    )
    return words


def _plain(text: str) -> str:
    return text.casefold()


def _is_date(text: str) -> bool:
    try:
        return not text or bool(dt.datetime.fromisoformat(text))
    except ValueError:
        return False
