"""The outcome of comparing predictions with what the aircraft did. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

__all__ = ["Outcome", "outcome_document"]


@dataclass(frozen=True, eq=False)
class Outcome:
    """Walk-forward predictions against what was read.

    predictions: one row for each method and channel of each run that could be predicted: method
        ("no change", "chart", "learned"), rotor, job, run, sensor (None = track), regime, moved
        (whether a move was made since the channel was last read), predicted and read (complex,
        lag; None for track), error (of the difference as vectors, in the sensor's unit; for track
        the rms over the blades, in track_unit), inside_95 (learned only: whether the reading fell
        inside the region stated for it; else None).
    summary: method, sensor (None = track), regime (None = all), runs, rms_error, skill (against no
        change: 1 - (rms / rms of no change)^2), skill_against_chart, coverage (share inside_95).
    chart_fit: sensor (None = track), regime, adjuster (None = all together), pairs, jobs, gain,
        gain_low, gain_high, rotation_deg, rotation_low, rotation_high (NaN for track).
    jobs, runs: how many were predicted. jobs_left_out: set aside because of faults.
    """

    summary: pd.DataFrame
    chart_fit: pd.DataFrame
    predictions: pd.DataFrame
    jobs: int
    runs: int
    jobs_left_out: int
    notes: tuple[str, ...] = ()


def outcome_document(outcome: Outcome) -> dict[str, Any]:
    """Return the document of `compare` for scripts; null where nothing is known."""
    return {
        "summary": _rows(outcome.summary),
        "chart_fit": _rows(outcome.chart_fit),
        "jobs": outcome.jobs,
        "runs": outcome.runs,
        "jobs_left_out": outcome.jobs_left_out,
        "notes": list(outcome.notes),
    }


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(key): value for key, value in row.items()} for row in rows]
