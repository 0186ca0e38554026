"""One job of a log: its runs, what is wrong with asking for it, whether a run must come first."""

from __future__ import annotations

from difflib import get_close_matches

import pandas as pd

from adapt.log.history import History
from adapt.problems import BadInput, CannotBeMet

__all__ = ["refuse_when_waiting", "runs_of_job"]

_ALL_NAMED = 8  # jobs of a short log, all named where one is not found


def runs_of_job(history: History, job: str) -> pd.DataFrame:
    """Return the rows of `History.runs` that are of one job, in order.

    Raises BadInput with the faults of a job that is set aside, and for one that is not in the log.
    """
    if job in history.set_aside:
        faults = [p for p in history.faults if p.job == job]
        raise BadInput(faults or f"job {job} is set aside because of faults in the log")
    runs = history.runs[history.runs["job"] == job]
    if runs.empty:
        raise BadInput(f"job {job} is not in the log; {_some_jobs(history, job)}")
    return runs


def refuse_when_waiting(history: History, job: str) -> None:
    """Raise CannotBeMet when moves or an event stand after a job's last run: a run comes first."""
    last = str(history.runs.loc[history.runs["job"] == job, "run"].iloc[-1])

    def after_it(table: pd.DataFrame) -> pd.DataFrame:
        return table[(table["job"] == job) & (table["after_run"] == last)]

    if not after_it(history.moves).empty:
        raise CannotBeMet(
            f"job {job} has moves logged after run {last}, its last: what they did is not known "
            "until the next run is read. Log that run, then ask again"
        )
    if not (waiting := after_it(history.events)).empty:
        kinds = " and ".join(dict.fromkeys(str(kind) for kind in waiting["kind"]))
        raise CannotBeMet(
            f"job {job} has an event after run {last}, its last ({kinds}): the next run must show "
            "how the rotor stands. Log that run, then ask again"
        )


def _some_jobs(history: History, wanted: str) -> str:
    """Name the jobs that look most like the one asked for, or all of a short log."""
    jobs = list(dict.fromkeys(str(j) for j in history.runs["job"]))
    if len(jobs) <= _ALL_NAMED:
        return f"its jobs are: {', '.join(jobs) or 'none'}"
    near = get_close_matches(wanted, jobs, n=3, cutoff=0.5)
    meant = f"did you mean {' or '.join(near)}? " if near else ""
    return f"{meant}it has {len(jobs)} jobs, the last {', '.join(jobs[-3:])}"
