"""The jobs that an import touches, checked as they will be before it is kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import select

from adapt.database.opening import Logbook
from adapt.database.schema import LOG_TABLES
from adapt.database.states import names_of, numbers_of, rows_in_force, tables_in_force
from adapt.database.writing import Change
from adapt.log import Log, check
from adapt.logbook.jobs import states_of
from adapt.problems import BadInput, Problem, shown
from adapt.rotor import Rotor

__all__ = ["Checked", "check_jobs", "closed_jobs"]

MOST_RUNS = 5_000  # of the rotors that are checked together
_BATCH = 500


@dataclass(frozen=True)
class Checked:
    """What checking found: new faults and doubts, and designs without a rotor file."""

    faults: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()
    unchecked: tuple[str, ...] = ()


def closed_jobs(change: Change, jobs: set[str]) -> list[Problem]:
    """Return a fault for each job that is not open and would get rows."""
    expected = "an open job: reopen it first ('adapt logbook reopen')"
    found = sorted(states_of(change.connection, change.number, jobs).items())
    return [
        Problem(
            "fault", "the logbook", None, None, f"job {shown(job)[1:-1]}, {s.status}", expected, job
        )
        for job, s in found
        if s.status != "open"
    ]


def check_jobs(book: Logbook, change: Change, rotors: Sequence[Rotor], jobs: set[str]) -> Checked:
    """Check jobs as they are within a change; findings that were there before it are left out.

    rotors: the rotor files at hand. Problem.row is the number of an entry of the logbook.
    """
    faults: list[Problem] = []
    doubts: list[Problem] = []
    serials, designs, with_runs = _of_jobs(change, jobs)
    faults += [
        Problem("fault", f"{book.shown}, runs", None, "job", f"no run of job {shown(job)}",
                "its runs, in this import or before", job)
        for job in sorted(jobs - with_runs)
    ]  # fmt: skip
    by_design = {_plain(rotor.name): rotor for rotor in rotors}
    alone = len(rotors) == 1
    unchecked = sorted(d for d in designs if _plain(d) not in by_design and not (alone and not d))
    at_hand = [
        r for r in rotors if any(_plain(d) == _plain(r.name) or (alone and not d) for d in designs)
    ]
    for rotor in at_hand:
        for group in _groups(serials):
            now = _findings(book, change, rotor, group, change.number)
            before = {_what(p) for p in _findings(book, change, rotor, group, change.known)}
            fresh = [p for p in now if _what(p) not in before and (p.job is None or p.job in jobs)]
            faults += [p for p in fresh if p.severity == "fault"]
            doubts += [p for p in fresh if p.severity == "doubt"]
    return Checked(tuple(faults), tuple(doubts), tuple(d or "(no design given)" for d in unchecked))


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _what(problem: Problem) -> tuple[object, ...]:
    return problem.file, problem.row, problem.column, problem.found, problem.job


def _findings(
    book: Logbook, change: Change, rotor: Rotor, serials: Sequence[str], number: int
) -> list[Problem]:
    """Return what `check` finds in all jobs of some rotors as they were after a change."""
    tables = tables_in_force(book, change.connection, number, serials)
    if "runs" not in tables:
        return []
    if "readings" not in tables:
        tables["readings"] = rows_in_force(book, change.connection, "readings", number, [])
    try:
        history = check(rotor, Log(tables, (), book.shown))
    except BadInput as error:
        return list(error.problems)
    return [*history.faults, *history.doubts]


def _of_jobs(change: Change, jobs: set[str]) -> tuple[dict[str, int], set[str], set[str]]:
    """Return the serials of jobs with their numbers of runs, their designs, and jobs with runs."""
    runs = LOG_TABLES["runs"]
    numbers = list(numbers_of(change.connection, jobs).values())
    rotors: dict[int, int] = {}
    designs: set[int] = set()
    found: set[int] = set()
    for at in range(0, len(numbers), _BATCH):
        query = select(runs.c.rotor, runs.c.design, runs.c.job).where(
            runs.c.job.in_(numbers[at : at + _BATCH]), runs.c.void == 0
        )
        for rotor, design, job in change.connection.execute(query):
            rotors[rotor] = rotors.get(rotor, 0) + 1
            designs.add(design)
            found.add(job)
    every = np.array([*rotors, *designs, *found], dtype=np.int64)
    names = names_of(change.connection, every) if len(every) else {}
    return (
        {names[n]: count for n, count in rotors.items()},
        {names[n] for n in designs},
        {names[n] for n in found},
    )


def _groups(serials: dict[str, int]) -> Iterator[list[str]]:
    """Give serials in groups of not many more than `MOST_RUNS` runs."""
    group: list[str] = []
    size = 0
    for serial, runs in serials.items():
        group.append(serial)
        size += runs
        if size >= MOST_RUNS:
            yield group
            group, size = [], 0
    if group:
        yield group
