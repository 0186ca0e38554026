"""The status of jobs: open, closed with a run and released by somebody, or stopped.

A status is a row like any other: what was said before it stays.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection, select

from adapt.database.opening import Logbook
from adapt.database.schema import job_states
from adapt.database.states import jobs_of_rotors, latest, names_of, numbers_of, rows_in_force
from adapt.database.writing import writing
from adapt.problems import BadInput, CannotBeMet, shown

__all__ = ["STATUSES", "Job", "JobState", "jobs_of", "set_status", "states_of"]

STATUSES = ("open", "closed", "stopped")
"""Open; closed: inside its limits and released; stopped: ended otherwise."""

_BATCH = 500


@dataclass(frozen=True)
class JobState:
    """What a logbook says of a job. closing_run: "" where there is none; change: that said it."""

    job: str
    status: str
    closing_run: str
    released_by: str
    note: str
    change: int


@dataclass(frozen=True)
class Job:
    """A job: its runs in their order; when the first and the last were started, as text."""

    job: str
    rotor: str
    design: str
    aircraft: str
    runs: tuple[str, ...]
    started: str
    ended: str
    state: JobState


def states_of(
    connection: Connection, change: int, jobs: Iterable[str] | None = None
) -> dict[str, JobState]:
    """Return the status of jobs after a change, by job.

    Jobs that nobody closed or stopped are open, and are not there. jobs: only these.
    """
    query = select(
        job_states.c.job, job_states.c.status, job_states.c.closing_run, job_states.c.released_by,
        job_states.c.note, job_states.c.change,
    ).where(job_states.c.change <= change).order_by(job_states.c.state)  # fmt: skip
    rows = []
    if jobs is None:
        rows = list(connection.execute(query))
    else:
        numbers = list(numbers_of(connection, jobs).values())
        for at in range(0, len(numbers), _BATCH):
            rows += connection.execute(query.where(job_states.c.job.in_(numbers[at : at + _BATCH])))
    numbered = {n for row in rows for n in (row[0], row[2]) if n is not None}
    names = names_of(connection, np.array(sorted(numbered), dtype=np.int64)) if numbered else {}
    return {
        names[job]: JobState(
            names[job], status, "" if run is None else names[run], released_by, note, number
        )
        for job, status, run, released_by, note, number in rows
    }


def set_status(
    book: Logbook,
    job: str,
    status: str,
    who: str,
    *,
    closing_run: str = "",
    released_by: str = "",
    note: str = "",
) -> JobState:
    """Say that a job is closed (with its closing run, and who released it), stopped, or open again.

    Raises BadInput for a job or run that the logbook does not have, or where something is missing;
    CannotBeMet when the job has that status already.
    """
    wrong = []
    if status not in STATUSES:
        wrong.append(f"status: found {shown(status)}; expected one of {', '.join(STATUSES)}")
    if status == "closed" and not released_by.strip():
        wrong.append("released by: found nothing; expected the name of who released it")
    with writing(
        book, who, {"closed": "close", "open": "reopen"}.get(status, "stop"), note
    ) as change:
        number = numbers_of(change.connection, [job]).get(job)
        runs = rows_in_force(book, change.connection, "runs", change.known, [number or 0])
        listed = [str(run) for run in runs.text("run")]
        if not listed:
            wrong.append(f"job: found {shown(job)}; expected a job of the logbook")
        elif status == "closed" and closing_run not in listed:
            wrong.append(
                f"closing run: found {shown(closing_run)}; expected a run of {shown(job)[1:-1]} "
                f"({', '.join(listed)})"
            )
        elif status == "closed" and closing_run != listed[-1]:
            wrong.append(
                f"closing run: found {shown(closing_run)}; expected {shown(listed[-1])}, the last "
                "run: what was flown after a job was closed belongs to another"
            )
        if wrong:
            raise BadInput("; ".join(wrong))
        now = states_of(change.connection, change.known, [job]).get(job)
        if (now.status if now else "open") == status:
            raise CannotBeMet(f"job {shown(job)[1:-1]} is {status} already: nothing was changed")
        change.add(
            "job_states",
            job=change.name(job),
            status=status,
            closing_run=change.name(closing_run) if closing_run else None,
            released_by=released_by,
            note=note,
        )
        return JobState(job, status, closing_run, released_by, note, change.number)


def jobs_of(book: Logbook, serial: str | None = None, change: int | None = None) -> list[Job]:
    """Return the jobs of a logbook, in the order of their first runs.

    serial: only those of this rotor. change: as they were after it; None: as they are.
    """
    with book.reading() as connection:
        change = latest(connection) if change is None else change
        numbers = None if serial is None else jobs_of_rotors(connection, [serial])
        runs = rows_in_force(book, connection, "runs", change, numbers)
        states = states_of(connection, change)
    cells = {c: runs.text(c) for c in ("rotor", "design", "aircraft", "job", "run", "started")}
    found: dict[str, Job] = {}
    for rotor, design, aircraft, job, run, started in zip(*cells.values(), strict=True):
        state = states.get(job, JobState(job, "open", "", "", "", 0))
        known = found.get(job, Job(job, rotor, design, aircraft, (), started, started, state))
        ended = max(known.ended, started)
        found[job] = replace(known, runs=(*known.runs, run), ended=ended)
    return list(found.values())
