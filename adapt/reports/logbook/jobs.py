"""The jobs of a logbook, and a change of a job's status."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapt.logbook.jobs import Job, JobState
from adapt.problems import shown
from adapt.reports.layout import Block, Heading, Line, table

__all__ = ["jobs_document", "jobs_report", "status_document", "status_report"]


def jobs_document(jobs: Sequence[Job]) -> dict[str, Any]:
    """Return the document of jobs."""
    return {
        "jobs": [
            {
                "job": j.job,
                "rotor": j.rotor,
                "design": j.design,
                "aircraft": j.aircraft,
                "runs": list(j.runs),
                "started": j.started,
                "ended": j.ended,
                **_state(j.state),
            }
            for j in jobs
        ]
    }


def jobs_report(jobs: Sequence[Job], book: str, only_open: bool) -> list[Block]:
    """Return one line for each job."""
    report: list[Block] = [Heading(f"{'Open jobs' if only_open else 'Jobs'} of {book}", level=1)]
    if not jobs:
        return [*report, Line("None.")]
    rows = [
        (
            _cell(j.job),
            _cell(j.rotor),
            _cell(j.design),
            _cell(j.aircraft),
            str(len(j.runs)),
            _cell(j.started[:10]),
            _cell(j.ended[:10]),
            j.state.status,
            _cell(j.state.closing_run),
            _cell(j.state.released_by),
        )
        for j in jobs
    ]
    titles = ["Job", "Rotor", "Design", "Aircraft", ">Runs", "First run", "Last run", "Status",
              "Closing run", "Released by"]  # fmt: skip
    return [*report, table(titles, rows)]


def status_document(state: JobState) -> dict[str, Any]:
    """Return the document of a job's new status."""
    return {"job": state.job, **_state(state)}


def status_report(state: JobState) -> list[Block]:
    """Return what was recorded."""
    job = shown(state.job)[1:-1]
    if state.status == "closed":
        words = (
            f"Job {job} is closed with run {shown(state.closing_run)[1:-1]}; released by "
            f"{shown(state.released_by)[1:-1]}. The record says what was told to it: releasing is "
            "for licensed people under the rules of their authority."
        )
    elif state.status == "stopped":
        words = f"Job {job} is stopped: it ended without coming inside its limits."
    else:
        words = f"Job {job} is open again."
    return [Line(words)]


def _state(state: JobState) -> dict[str, Any]:
    return {
        "status": state.status,
        "closing_run": state.closing_run or None,
        "released_by": state.released_by or None,
        "note": state.note or None,
        "status_change": state.change or None,
    }


def _cell(text: str) -> str:
    return shown(text)[1:-1] if text else "-"
