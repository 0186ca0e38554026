"""Suspect entries as rows of the document."""

from __future__ import annotations

from typing import Any

from adapt.coefficients import Coefficients
from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.entries import entries_of
from adapt.learning.suspects.suspect import Suspect
from adapt.learning.suspects.would_change import would_change
from adapt.rotor import Rotor

__all__ = ["suspect_rows"]


def suspect_rows(
    rotor: Rotor, runs: Runs, coefficients: Coefficients, suspects: list[Suspect]
) -> list[dict[str, Any]]:
    """Return suspects as the document's rows: job, run, after_run, kind, probability, explanations.

    run: where the entry stands: the run of a wrong reading, or the run that wrong moves led to.
    entries: what would have been entered rightly (see `entries`). would_change: how far the rotor's
    own coefficients would move (see `would_change`). coefficients: learned without the pairs.
    """
    changes = would_change(rotor, runs, coefficients, suspects)
    return [
        {
            "job": runs.jobs[runs.job[suspect.row]],
            "run": runs.names[suspect.row],
            "after_run": runs.names[suspect.steps[0] - 1],
            "kind": suspect.kind,
            "probability": suspect.probability,
            "explanations": [
                {
                    "kind": mistake.kind,
                    "text": mistake.text,
                    "probability": p,
                    "entries": entries_of(rotor, runs, suspect.first, mistake),
                }
                for mistake, p in suspect.explanations
            ],
            "would_change": change,
        }
        for suspect, change in zip(suspects, changes, strict=True)
    ]
