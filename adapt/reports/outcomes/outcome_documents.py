"""The outcome of comparing as a document for scripts: null where nothing is known."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from adapt.outcomes.outcome import Outcome
from adapt.reports.records import records

__all__ = ["outcome_document"]


def outcome_document(outcome: Outcome) -> dict[str, Any]:
    """Return the document of `compare`."""
    return {
        "summary": records(outcome.summary),
        "chart_fit": records(outcome.chart_fit),
        "breakdown": records(outcome.breakdown),
        "coverage": records(outcome.coverage),
        "reliability": records(outcome.reliability),
        "chances_by_experience": records(outcome.by_experience),
        "brier": [
            {"of": of, **{k: _known(v) for k, v in asdict(score).items()}}
            for of, score in outcome.brier.items()
        ],
        "jobs": outcome.jobs,
        "runs": outcome.runs,
        "jobs_left_out": outcome.jobs_left_out,
        "early_jobs": outcome.early_jobs,
        "notes": list(outcome.notes),
    }


def _known(value: float) -> float | None:
    return None if value != value else value
