"""What is fitted, followed through a job and from job to job: doubts about the hardware."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from adapt.findings import Findings
from adapt.log.scope import Scope
from adapt.problems import shown
from adapt.rotor import Rotor
from adapt.rotor.values import STEP_TOLERANCE
from adapt.tables import Table

__all__ = ["follow_hardware"]

Note = Callable[[int, int, str, str], None]


def follow_hardware(
    rotor: Rotor,
    scope: Scope,
    tables: Mapping[str, Table],
    moves: pd.DataFrame,
    fitted: pd.DataFrame,
    events: pd.DataFrame,
    findings: Findings,
) -> None:
    """Note amounts and sums out of range, and amounts that do not follow from the job before.

    Jobs with faults are not followed: their amounts are not known, nor are those at their end.
    """
    faulty = findings.faulty_jobs()
    jobs = scope.runs.groupby("job", sort=False)["rotor"].first()
    job_of_run = scope.runs["job"].to_numpy()
    moves_of = dict(list(moves.groupby(job_of_run[moves["at"].to_numpy()], sort=False)))
    fitted_of = dict(list(fitted.groupby("job", sort=False)))
    replaced = set(job_of_run[events.loc[events["kind"] == "hardware changed", "at"].to_numpy()])
    ends: dict[str, np.ndarray | None] = {}
    for job, serial in zip(map(str, jobs.index), jobs, strict=True):
        if job in faulty:
            ends[serial] = None
            continue
        job_moves = moves_of.get(job, moves.iloc[:0]).sort_values("at", kind="stable")
        job_fitted = fitted_of.get(job, fitted.iloc[:0])
        start = np.full((len(rotor.blades), len(rotor.adjusters)), np.nan)
        start[job_fitted["blade"], job_fitted["adjuster"]] = job_fitted["amount"]
        if len(job_fitted):
            _check_start(
                rotor, job, start, job_fitted, tables["fitted"], ends.get(serial), findings
            )
        end = start
        if len(job_moves):
            end = _check_moves(rotor, job, start, job_moves, tables, findings)
        ends[serial] = None if job in replaced else end


def _check_start(
    rotor: Rotor,
    job: str,
    start: np.ndarray,
    rows: pd.DataFrame,
    table: Table,
    before: np.ndarray | None,
    findings: Findings,
) -> None:
    """Note what a job starts with: ranges, shared ranges, and the end of the job before."""
    for blade, column, row in zip(rows["blade"], rows["adjuster"], rows["row"], strict=True):
        adjuster, amount = rotor.adjusters[column], start[blade, column]
        where = f"{shown(adjuster.name)} on blade {shown(rotor.blades[blade])}"
        if _outside(amount, adjuster.fitted_range, adjuster.step):
            low, high = adjuster.fitted_range
            findings.doubt_at(
                table, row, "amount", f"{amount:g}", f"{low:g} to {high:g} of {where}", job
            )
        if before is not None and not np.isnan(before[blade, column]):
            expected = before[blade, column]
            if abs(amount - expected) > STEP_TOLERANCE * adjuster.step:
                words = f"{expected:.6g} of {where}, as the job before left it"
                findings.doubt_at(table, row, "amount", f"{amount:g}", words, job)
    row = int(rows["row"].iloc[0])
    for found, words in _shared_problems(rotor, start):
        findings.doubt_at(table, row, "amount", found, words, job)


def _check_moves(
    rotor: Rotor,
    job: str,
    start: np.ndarray,
    moves: pd.DataFrame,
    tables: Mapping[str, Table],
    findings: Findings,
) -> np.ndarray:
    """Note ranges that the moves of a job leave, and return what is fitted after the last one.

    An amount that is not known at the start is followed as a change: only a path that is wider than
    the range is out of it for certain.
    """
    change = np.zeros_like(start)
    low, high = change.copy(), change.copy()
    shared_before = set(_shared_problems(rotor, start))
    sums_before: set[int] = set()
    for _, rows in moves.groupby("at", sort=True):
        files = [tables["corrections" if put_right else "moves"] for put_right in rows["corrected"]]
        for blade, column, amount, row, table in zip(
            rows["blade"], rows["adjuster"], rows["amount"], rows["row"], files, strict=True
        ):
            adjuster = rotor.adjusters[column]
            was = start[blade, column] + change[blade, column]
            change[blade, column] += amount
            now = start[blade, column] + change[blade, column]
            low[blade, column] = min(low[blade, column], change[blade, column])
            high[blade, column] = max(high[blade, column], change[blade, column])
            bounds, step = adjuster.fitted_range, adjuster.step
            where = f"{shown(adjuster.name)} on blade {shown(rotor.blades[blade])}"
            width = high[blade, column] - low[blade, column]
            allowed = bounds[1] - bounds[0]
            if np.isnan(now) and width > allowed + STEP_TOLERANCE * step:
                words = f"moves within a width of {allowed:g} of {where}"
                findings.doubt_at(table, row, "amount", f"a width of {width:g}", words, job)
            elif _outside(now, bounds, step) and not _towards(was, now, bounds):
                words = f"{bounds[0]:g} to {bounds[1]:g} of {where}"
                findings.doubt_at(
                    table, row, "amount", f"{now:g} fitted after this move", words, job
                )
        row, table = int(rows["row"].iloc[-1]), files[-1]
        shared = _shared_problems(rotor, start + change)
        for found, words in shared:
            if (found, words) not in shared_before:
                findings.doubt_at(table, row, "amount", found, words, job)
        shared_before = set(shared)
        for column, adjuster in enumerate(rotor.adjusters):
            total = change[:, column].sum()
            if adjuster.sum_range is None or not _outside(total, adjuster.sum_range, adjuster.step):
                sums_before.discard(column)
            elif column in set(rows["adjuster"]) or column not in sums_before:
                sums_before.add(column)
                words = "{:g} to {:g} in all, the sum_range of ".format(*adjuster.sum_range)
                found = f"moves that sum to {total:g}"
                findings.doubt_at(table, row, "amount", found, words + shown(adjuster.name), job)
    end: np.ndarray = start + change
    return end


def _shared_problems(rotor: Rotor, fitted: np.ndarray) -> list[tuple[str, str]]:
    """Return what is found and expected for every shared range that is left."""
    problems = []
    for shared in rotor.shared_ranges:
        columns = [rotor.adjuster_names.index(name) for name in shared.adjusters]
        step = min(rotor.adjusters[c].step for c in columns)
        for blade, total in zip(rotor.blades, fitted[:, columns].sum(axis=1), strict=True):
            if _outside(total, shared.fitted_range, step):
                found = f"{total:g} together on blade {shown(blade)}"
                words = "{:g} to {:g} of ".format(*shared.fitted_range)
                problems.append((found, words + " and ".join(shown(a) for a in shared.adjusters)))
    return problems


def _outside(amount: float, bounds: tuple[float, float], step: float) -> bool:
    slack = STEP_TOLERANCE * step
    return bool(amount < bounds[0] - slack or amount > bounds[1] + slack)


def _towards(was: float, now: float, bounds: tuple[float, float]) -> bool:
    """Return whether an amount that was outside already came nearer to its range."""
    return bool(bounds[1] < now < was or was < now < bounds[0])
