"""Suspect entries and the decisions about them as documents for scripts; the text is `reviewed`'s.

Built from the suspects that `learn` found and from a `History`.
"""

from __future__ import annotations

import cmath
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from adapt.log import History
from adapt.log.deciding import why_not
from adapt.problems import Problem
from adapt.reports.records import reading_record
from adapt.rotor import Rotor

__all__ = [
    "asked_for", "new_problems", "recorded_document", "review_document", "reviews_on",
    "taken_back_document",
]  # fmt: skip

Suspect = Mapping[str, Any]


def review_document(
    suspects: Sequence[Suspect],
    rotor: Rotor,
    history: History,
    job: str | None = None,
    run: str | None = None,
) -> dict[str, Any]:
    """Return suspects with numbered explanations, and the decisions; job, run: only those."""
    suspects, reviews = asked_for(suspects, history, job, run)
    return {
        "log": history.source,
        "suspects": [
            {
                **suspect,
                "explanations": [
                    {"number": n, **told, "acceptable": why_not(told) is None}
                    for n, told in enumerate(suspect["explanations"], start=1)
                ],
                "reviews": list(reviews_on(reviews, suspect)["review"]),
            }
            for suspect in suspects
        ],
        "reviews": [_review_row(row, rotor, history) for _, row in reviews.iterrows()],
    }


def recorded_document(
    number: str, rotor: Rotor, before: History, history: History
) -> dict[str, Any]:
    """Return the decision that was written down, and the doubts that the log has since."""
    rows = history.reviews[history.reviews["review"] == number]
    return {
        "recorded": _review_row(rows.iloc[0], rotor, history),
        "new_doubts": [asdict(problem) for problem in new_problems(before, history)],
    }


def taken_back_document(row: Mapping[str, str]) -> dict[str, Any]:
    """Return the decision that was taken back, as it stood."""
    return {"taken_back": dict(row)}


def asked_for(
    suspects: Sequence[Suspect], history: History, job: str | None, run: str | None
) -> tuple[list[Suspect], pd.DataFrame]:
    """Return the suspects and the decisions of a job and run; None = of all."""
    reviews = history.reviews
    if job is not None:
        reviews = reviews[reviews["job"] == job]
    if run is not None:
        reviews = reviews[reviews["run"] == run]
    asked = [s for s in suspects if job in (None, s["job"]) and run in (None, s["run"])]
    return asked, reviews


def new_problems(before: History, after: History) -> list[Problem]:
    known = {*before.faults, *before.doubts}
    return [p for p in (*after.faults, *after.doubts) if p not in known]


def reviews_on(reviews: pd.DataFrame, suspect: Suspect) -> pd.DataFrame:
    """Return the decisions on a suspect's job and run."""
    return reviews[(reviews["job"] == suspect["job"]) & (reviews["run"] == suspect["run"])]


def _review_row(row: pd.Series, rotor: Rotor, history: History) -> dict[str, Any]:
    rows = history.corrections[history.corrections["review"] == row["review"]]
    return {
        **{str(name): str(cell) for name, cell in row.items()},
        "changes": [_change_row(change, rotor) for _, change in rows.iterrows()],
    }


def _change_row(row: pd.Series, rotor: Rotor) -> dict[str, Any]:
    """Return a changed entry; readings as amplitude and phase in the sensor's own convention."""
    if row["table"] == "moves":
        amounts = {c: row[c].real if cmath.isfinite(row[c]) else None for c in _VALUES}
        names = {c: str(row[c]) for c in ("table", "job", "blade", "adjuster")}
        return {**names, "after_run": str(row["run"]), **amounts}
    phase = rotor.sensor(row["sensor"]).phase
    read = {c: reading_record(row[c], phase) if cmath.isfinite(row[c]) else None for c in _VALUES}
    return {**{c: str(row[c]) for c in ("table", "job", "run", "sensor", "regime")}, **read}


_VALUES = ("entered", "corrected")
