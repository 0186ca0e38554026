"""The jobs that an import touches, checked as they will be before it is kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from adapt.database.opening import Logbook
from adapt.database.states import numbers_of, rows_in_force, tables_in_force
from adapt.database.writing import Change
from adapt.log import Log, check
from adapt.log_columns import folded
from adapt.logbook.jobs import states_of
from adapt.problems import BadInput, Problem, shown
from adapt.rotor import Rotor

__all__ = ["Checked", "check_jobs", "closed_jobs"]

MOST_RUNS = 5_000  # of the rotors that are checked together
MOST_JOBS = 2_000  # whose runs are looked at together


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
    runs = _runs_of(book, change, jobs)
    serials, designs = runs.serials, runs.designs
    file = f"{book.shown}, runs"
    for job in sorted(jobs - set(runs.rotors)):
        expected = "its runs, in this import or before"
        found = f"no run of job {shown(job)}"
        faults.append(Problem("fault", file, None, "job", found, expected, job))
    for job, rotors_of_job in runs.rotors.items():
        if len(rotors_of_job) > 1:
            found = " and ".join(shown(rotor) for rotor in rotors_of_job)
            expected = "one rotor in a job (where two hangars count alike, give jobs a prefix)"
            faults.append(Problem("fault", file, None, "rotor", found, expected, job))
    by_design = {folded(rotor.name): rotor for rotor in rotors}
    alone = len(rotors) == 1
    unchecked = sorted(d for d in designs if folded(d) not in by_design and not (alone and not d))
    at_hand = [
        r for r in rotors if any(folded(d) == folded(r.name) or (alone and not d) for d in designs)
    ]
    for rotor in at_hand:
        for group in _groups(serials):
            now = _findings(book, change, rotor, group, change.number)
            before = {_what(p) for p in _findings(book, change, rotor, group, change.known)}
            fresh = [p for p in now if _what(p) not in before and (p.job is None or p.job in jobs)]
            mixed = {job for job, of_job in runs.rotors.items() if len(of_job) > 1}
            fresh = [p for p in fresh if p.column != "rotor" or p.job not in mixed]
            faults += [p for p in fresh if p.severity == "fault"]
            doubts += [p for p in fresh if p.severity == "doubt"]
    return Checked(tuple(faults), tuple(doubts), tuple(d or "(no design given)" for d in unchecked))


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


@dataclass(frozen=True)
class _Runs:
    """What the runs of jobs say: serials with their numbers of runs, designs, rotors by job."""

    serials: dict[str, int]
    designs: set[str]
    rotors: dict[str, list[str]]


def _runs_of(book: Logbook, change: Change, jobs: set[str]) -> _Runs:
    found = _Runs({}, set(), {})
    numbers = sorted(numbers_of(change.connection, jobs).values())
    for at in range(0, len(numbers), MOST_JOBS):
        part = numbers[at : at + MOST_JOBS]
        runs = rows_in_force(book, change.connection, "runs", change.number, part)
        cells = zip(*(runs.text(c) for c in ("rotor", "design", "job")), strict=True)
        for rotor, design, job in cells:
            found.serials[rotor] = found.serials.get(rotor, 0) + 1
            found.designs.add(design)
            of_job = found.rotors.setdefault(job, [])
            if rotor not in of_job:
                of_job.append(rotor)
    return found


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
