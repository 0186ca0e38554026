"""The runs of a log: which jobs and runs there are for one rotor design, and in which order."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.columns import first_of
from adapt.findings import Findings, Mask
from adapt.log_columns import folded
from adapt.problems import one_of, shown
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = ["Scope", "scope_of"]

EARLIEST, LATEST = 1950, 2100  # years: outside them a date is a slip
MOST_SUGGESTIONS = 50
MOST_WEIGHT_CHANGE, MOST_RPM_CHANGE, MOST_WIND_CHANGE_KT = 0.15, 0.02, 20.0
_CONDITIONS = ("gross_weight", "wind_kt", "oat_c", "rpm")
_CLOSE_DESIGN = 0.9


@dataclass(frozen=True, eq=False)
class Scope:
    """The jobs and runs of one rotor design.

    runs: the frame of `History.runs` in its order, faulty jobs included, with the position in
    `table` as `row`. jobs: every job of the design. skipped: jobs of other designs only.
    lost: (job, run) of rows of the runs that could not be read, which are faults already.
    """

    table: Table
    runs: pd.DataFrame
    jobs: frozenset[str]
    skipped: frozenset[str]
    position: Mapping[tuple[str, str], int]
    lost: frozenset[tuple[str, str]]

    def rows_of(self, table: Table, findings: Findings) -> Table:
        """Return the rows of a table that concern this design; other designs' are dropped.

        Notes rows of no job, or of a job that the log does not have: those are dropped too, and
        without a note those of a job all of whose runs could not be read.
        """
        column = table.column("job")
        passed_over = self.skipped | {job for job, _ in self.lost}
        skipped = column.each(lambda job: job in passed_over and job not in self.jobs, bool)
        known = column.each(lambda job: job in self.jobs, bool)
        unknown = ~skipped & ~known
        jobs = sorted(self.jobs)

        @cache
        def words(job: str) -> str:
            # The nearest of thousands of names takes long to find for thousands of unknown ones.
            few = words.cache_info().misses <= MOST_SUGGESTIONS
            return one_of("a job of the runs", job if few else "", jobs)

        findings.fault(
            table, unknown, "job", lambda i: words(column.texts[column.codes[i]]), jobs=False
        )
        return table.select(known)

    def run_positions(self, table: Table, column: str, findings: Findings) -> npt.NDArray[np.intp]:
        """Return the position in `runs` of each row's run, -1 (and a fault) where there is none."""
        jobs, names = table.column("job"), table.column(column)
        pairs = jobs.codes * len(names.texts) + names.codes
        different, back = np.unique(pairs, return_inverse=True)
        found = np.array(
            [
                self.position.get(
                    (jobs.texts[p // len(names.texts)], names.texts[p % len(names.texts)]), -1
                )
                for p in different
            ],
            dtype=np.intp,
        )
        positions: npt.NDArray[np.intp] = found[back] if len(back) else np.zeros(0, np.intp)

        runs_of: dict[str, list[str]] = {}
        for job, run in self.position:
            runs_of.setdefault(job, []).append(run)

        @cache
        def words(job: str, run: str) -> str:
            return one_of(f"a run of job {shown(job)}", run, runs_of.get(job, []))

        lost = np.array(
            [
                (jobs.texts[p // len(names.texts)], names.texts[p % len(names.texts)]) in self.lost
                for p in different
            ],
            dtype=bool,
        )
        unknown = (positions < 0) & ~(lost[back] if len(back) else np.zeros(0, dtype=bool))
        findings.fault(
            table,
            unknown,
            column,
            lambda i: words(jobs.texts[jobs.codes[i]], names.texts[names.codes[i]]),
        )
        return positions


def scope_of(rotor: Rotor, table: Table, findings: Findings) -> Scope:
    """Read the runs of a log for one rotor design, with everything wrong in them noted."""
    of_design = _of_design(rotor, table, findings)
    jobs = table.text("job")
    skipped = frozenset(jobs[~of_design]) - frozenset(jobs[of_design])
    mixed = of_design & np.isin(jobs, list(frozenset(jobs[~of_design]) - skipped))
    findings.fault(
        table, mixed, "design", "runs of one design in one job", found="two designs in one job"
    )
    in_mixed = table.select(~of_design & np.isin(jobs, list(frozenset(jobs[mixed]))))
    table = table.select(of_design)

    named = np.ones(len(table), dtype=bool)
    for column in ("rotor", "job", "run"):
        filled = table.column(column).each(bool, bool)
        findings.fault(table, ~filled, column, "a name")
        named &= filled
    started, aware = _started(table, findings)
    conditions = _conditions(table, findings)
    lost: set[tuple[str, str]] = set()
    for part in (in_mixed, table.select(~named)):
        lost |= set(zip(part.text("job"), part.text("run"), strict=True))
    lost |= {(cells.get("job", ""), cells.get("run", "")) for _, cells in table.broken}
    table, started, aware = table.select(named), started[named], aware[named]
    frame = pd.DataFrame(
        {
            "rotor": table.text("rotor"),
            "job": table.text("job"),
            "run": table.text("run"),
            "started": started,
            "aircraft": table.text("aircraft"),
            "note": table.text("note"),
            **{c: values[named] for c, values in conditions.items()},
        }
    )
    for column in ("rotor", "job", "run", "aircraft", "note"):
        frame[column] = frame[column].astype(object)
    _check_jobs(table, frame, aware, findings)
    order = _order(frame)
    _check_overlap(table, frame, order, findings)
    _check_conditions(table, frame, order, findings)
    frame = frame.iloc[order].reset_index(drop=True)
    twice = frame.duplicated(["job", "run"]).to_numpy()
    frame["order"] = frame.groupby("job", sort=False).cumcount().to_numpy(dtype=np.int64)
    frame["row"] = order
    keys = list(zip(frame["job"], frame["run"], strict=True))
    position = (
        {key: i for i, key in reversed(list(enumerate(keys)))}
        if twice.any()
        else dict(zip(keys, range(len(keys)), strict=True))
    )
    jobs_here = frozenset(frame["job"])
    return Scope(table, frame, jobs_here, skipped, position, frozenset(lost) - {("", "")})


def _of_design(rotor: Rotor, table: Table, findings: Findings) -> Mask:
    """Return which runs are of this design: those that say so, and those that say nothing."""
    column = table.column("design")
    this = folded(rotor.name)
    mine: Mask = column.each(lambda name: folded(name) in ("", this), bool)
    if not mine.any() and len(table):
        expected = f"runs of the design {shown(rotor.name)}; none is"
        findings.doubt(table, [0], "design", expected, jobs=False)
    # A slip in the design would silently leave runs out.
    close = column.each(
        lambda name: (
            difflib.SequenceMatcher(None, folded(name)[:100], this).ratio() >= _CLOSE_DESIGN
        ),
        bool,
    )
    expected = f"{shown(rotor.name)} if it is this design; the run was left out"
    findings.doubt(table, close & ~mine, "design", expected)
    return mine


def _started(table: Table, findings: Findings) -> tuple[npt.NDArray[np.datetime64], Mask]:
    """Return the starts (NaT without one, UTC where an offset is given), and which had one."""
    column = table.column("started")
    times = np.full(len(column.texts), np.datetime64("NaT", "ns"))
    aware, wrong = np.zeros(len(times), dtype=bool), np.zeros(len(times), dtype=bool)
    for i, text in enumerate(column.texts):
        if not text:
            continue
        try:
            moment = dt.datetime.fromisoformat(text)
            wrong[i] = not EARLIEST <= moment.year <= LATEST
        except ValueError:
            wrong[i] = True
        if not wrong[i]:
            aware[i] = moment.tzinfo is not None
            if aware[i]:
                moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
            times[i] = np.datetime64(moment, "ns")
    expected = f"a date and time as in 2024-05-31T14:20 (ISO 8601), {EARLIEST} to {LATEST}"
    findings.fault(table, wrong[column.codes], "started", expected)
    return times[column.codes], aware[column.codes]


def _conditions(table: Table, findings: Findings) -> dict[str, npt.NDArray[np.float64]]:
    found = {}
    for column in _CONDITIONS:
        values, wrong = table.numbers(column)
        if column in ("gross_weight", "rpm"):
            wrong |= values <= 0
            expected = "a number above 0, or nothing"
        elif column == "wind_kt":
            wrong |= values < 0
            expected = "a number of at least 0, or nothing"
        else:
            wrong |= values < -273.15
            expected = "a number, or nothing"
        findings.fault(table, wrong, column, expected)
        found[column] = np.where(wrong, np.nan, values)
    return found


def _check_jobs(table: Table, frame: pd.DataFrame, aware: Mask, findings: Findings) -> None:
    """Note doubled runs, jobs with two rotors, and runs out of time order."""
    row = table.rows
    first_of_run = first_of(
        frame.groupby(["job", "run"], sort=False).ngroup().to_numpy(dtype=np.intp)
    )
    twice = frame.duplicated(["job", "run"]).to_numpy()
    findings.fault(
        table, twice, "run", lambda i: f"each run of a job once (row {row[first_of_run[i]]} has it)"
    )
    first = first_of(pd.factorize(frame["job"])[0])
    rotors = frame["rotor"].to_numpy()
    other = rotors != rotors[first] if len(frame) else np.zeros(0, dtype=bool)
    findings.fault(
        table, other, "rotor", lambda i: f"the rotor of its job, {shown(rotors[first[i]])}"
    )
    started = frame["started"].astype("int64").where(frame["started"].notna())
    latest = started.groupby(frame["job"], sort=False).cummax().to_numpy()
    early = (started.to_numpy() < latest) & ~np.isnan(latest)
    findings.fault(table, early, "started", "a start not before the runs above it in the same job")
    mixed = (aware != aware[first]) & frame["started"].notna().to_numpy() if len(frame) else early
    findings.doubt(
        table, mixed, "started", "starts with a UTC offset in all runs of a job, or in none"
    )


def _order(frame: pd.DataFrame) -> npt.NDArray[np.intp]:
    """Return the order: rotors as in the file, their jobs in time, runs as in the file."""
    if frame.empty:
        return np.zeros(0, dtype=np.intp)
    rotor_of_job = frame.groupby("job", sort=False)["rotor"].first()
    start_of_job = frame.groupby("job", sort=False)["started"].first()
    # A job without a start stays behind the job that stands before it in the file.
    start_of_job = start_of_job.groupby(rotor_of_job, sort=False).ffill()
    jobs = pd.DataFrame({"rotor": pd.factorize(rotor_of_job)[0], "start": start_of_job})
    jobs = jobs.sort_values(["rotor", "start"], kind="stable", na_position="first")
    rank = pd.Series(range(len(jobs)), index=jobs.index)
    return np.argsort(frame["job"].map(rank).to_numpy(), kind="stable")


def _check_overlap(
    table: Table, frame: pd.DataFrame, order: npt.NDArray[np.intp], findings: Findings
) -> None:
    """Note jobs that start before the job before them on the same rotor has ended."""
    jobs = frame.iloc[order].groupby("job", sort=False)
    ends = jobs["started"].max().groupby(jobs["rotor"].first(), sort=False).cummax()
    ends_before = ends.groupby(jobs["rotor"].first(), sort=False).shift()
    early = (jobs["started"].min() < ends_before).to_numpy()
    first_rows = order[~frame.iloc[order]["job"].duplicated().to_numpy()]
    expected = "a start after the runs of the job before on this rotor"
    findings.doubt(table, first_rows[early], "started", expected)


def _check_conditions(
    table: Table, frame: pd.DataFrame, order: npt.NDArray[np.intp], findings: Findings
) -> None:
    """Note neighbouring runs of a job made in very different conditions."""
    inside = frame.iloc[order]
    before = inside.groupby("job", sort=False)[list(_CONDITIONS)].shift()
    for column, most, relative, words in (
        ("gross_weight", MOST_WEIGHT_CHANGE, True, "within 15 % of the run before"),
        ("rpm", MOST_RPM_CHANGE, True, "within 2 % of the run before"),
        ("wind_kt", MOST_WIND_CHANGE_KT, False, "within 20 kt of the run before"),
    ):
        now, then = inside[column].to_numpy(), before[column].to_numpy()
        allowed = most * np.maximum(now, then) if relative else np.full(len(now), most)
        far = order[np.abs(now - then) > allowed * (1 + 1e-9)]
        findings.doubt(table, far, column, words)
