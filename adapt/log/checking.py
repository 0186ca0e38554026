"""Reads a log's text with a rotor file in hand: numbers, names, order, hardware.

What single tables need stands in `scope`, `readings`, `track`, `changes` and `hardware`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from os import PathLike
from typing import Any

import numpy as np
import pandas as pd

from adapt.findings import Findings
from adapt.log.changes import events_of, fitted_of, moves_of
from adapt.log.corrections import corrections_of
from adapt.log.hardware import follow_hardware
from adapt.log.history import CORRECTION_COLUMNS, REVIEW_COLUMNS, History
from adapt.log.reading import Log, read_log
from adapt.log.readings import readings_of
from adapt.log.reviews import pairs_of, reviews_of
from adapt.log.scope import Scope, scope_of
from adapt.log.track import track_of
from adapt.log_columns import NEEDED_COLUMNS
from adapt.problems import BadInput
from adapt.rotor import Rotor
from adapt.tables import Table, table_of

__all__ = ["check"]


def check(rotor: Rotor, log: Log | str | PathLike[str]) -> History:
    """Read a log for one rotor design and return what can be used of it, with all findings.

    log: what `read_log` gives, or a path for it. A fault sets its job aside: the job's rows are in
    no table of the history. A doubt is noted and used.

    Raises BadInput when the log cannot be read, or names a unit that the rotor file does not
    expect.
    """
    if not isinstance(log, Log):
        log = read_log(log)
    findings = Findings()
    scope = scope_of(rotor, log.tables["runs"], findings)
    tables = {
        name: log.tables[name] if name in log.tables else _empty(name) for name in NEEDED_COLUMNS
    }
    reviews = reviews_of(tables["reviews"], scope, findings)
    corrections = corrections_of(rotor, tables["corrections"], reviews.every, scope, findings)
    readings, out_readings = readings_of(rotor, tables["readings"], scope, corrections, findings)
    track, out_track = track_of(rotor, tables["track"], scope, findings)
    moves = moves_of(rotor, tables["moves"], scope, corrections, findings)
    fitted = fitted_of(rotor, tables["fitted"], scope, findings)
    events = events_of(rotor, tables["events"], scope, findings)
    if findings.refused:
        raise BadInput(findings.refused)
    _add_file_problems(log, scope, findings)
    kept, left_out = pairs_of(reviews, corrections, scope, findings)
    follow_hardware(rotor, scope, tables, moves, fitted, events, findings)
    _note_empty_runs(scope, readings, track, findings)

    set_aside = findings.faulty_jobs()
    clean = ~scope.runs["job"].isin(list(set_aside)).to_numpy()
    excluded = pd.concat([out_readings, out_track], ignore_index=True)
    frames = {
        "readings": _labelled(readings, scope, clean, rotor, ["at", "sensor", "regime"]),
        "track": _labelled(track, scope, clean, rotor, ["at", "regime", "blade"]),
        "moves": _labelled(moves, scope, clean, rotor, ["at"], "after_run"),
        "events": _labelled(events, scope, clean, rotor, ["at"], "after_run"),
        "excluded": _labelled(excluded, scope, clean, rotor, []),
        "corrections": _labelled(corrections.rows(rotor), scope, clean, rotor, ["at", "row"]),
        "reviews": reviews.frame[~reviews.frame["job"].isin(list(set_aside))],
    }
    own = fitted[~fitted["job"].isin(list(set_aside))]
    order = own["job"].map({job: i for i, job in enumerate(scope.runs["job"].unique())})
    own = own.assign(at=order).sort_values(["at", "row"], kind="stable")
    frames["fitted"] = _names(own, rotor)
    return History(
        runs=scope.runs[clean].drop(columns="row").reset_index(drop=True),
        **{name: _in_shape(frame, _COLUMNS[name]) for name, frame in frames.items()},
        faults=tuple(findings.faults),
        doubts=tuple(findings.doubts),
        set_aside=set_aside,
        source=log.source,
        state=log.state,
        kept=frozenset(pair for pair in kept if pair[0] not in set_aside),
        left_out=frozenset(pair for pair in left_out if pair[0] not in set_aside),
    )


_COLUMNS: dict[str, tuple[str, ...]] = {
    "readings": ("job", "run", "regime", "sensor", "value", "spread", "repeats"),
    "track": ("job", "run", "regime", "blade", "height", "lag"),
    "moves": ("job", "after_run", "blade", "adjuster", "amount"),
    "fitted": ("job", "blade", "adjuster", "amount"),
    "events": ("job", "after_run", "kind", "sensor", "note"),
    "excluded": ("table", "row", "job", "run", "regime", "sensor", "blade", "reason"),
    "reviews": REVIEW_COLUMNS,
    "corrections": CORRECTION_COLUMNS,
}
_DTYPES: dict[str, Any] = {
    "value": np.complex128,
    "spread": np.float64,
    "repeats": np.int64,
    "height": np.float64,
    "lag": np.float64,
    "amount": np.float64,
    "row": np.int64,
    "entered": np.complex128,
    "corrected": np.complex128,
}


def _empty(name: str) -> Table:
    """Return a table without rows for one that the log does not have."""
    return table_of(name, [NEEDED_COLUMNS[name]])


def _add_file_problems(log: Log, scope: Scope, findings: Findings) -> None:
    """Add what `read_log` found, except in rows of other designs."""
    for problem in log.problems:
        if problem.job not in scope.skipped:
            known = problem.job if problem.job in scope.jobs else None
            findings.add([replace(problem, job=known)])


def _note_empty_runs(
    scope: Scope, readings: pd.DataFrame, track: pd.DataFrame, findings: Findings
) -> None:
    seen = np.zeros(len(scope.runs), dtype=bool)
    seen[readings["at"].to_numpy()] = True
    seen[track["at"].to_numpy()] = True
    faulty = scope.runs["job"].isin(list(findings.faulty_jobs())).to_numpy()
    rows = scope.runs["row"].to_numpy()[~seen & ~faulty]
    findings.doubt(scope.table, rows, "run", "readings of this run; there are none")


def _labelled(
    frame: pd.DataFrame,
    scope: Scope,
    clean: np.ndarray,
    rotor: Rotor,
    order: Sequence[str],
    run_column: str = "run",
) -> pd.DataFrame:
    """Return the rows of clean jobs with names in place of positions, in the order of the runs."""
    frame = frame[clean[frame["at"].to_numpy()]] if len(frame) else frame
    if order:
        frame = frame.sort_values(list(order), kind="stable")
    at = frame["at"].to_numpy(dtype=np.intp)
    frame = frame.assign(job=scope.runs["job"].to_numpy()[at])
    frame[run_column] = scope.runs["run"].to_numpy()[at]
    return _names(frame, rotor)


def _names(frame: pd.DataFrame, rotor: Rotor) -> pd.DataFrame:
    """Return a frame with names where it has positions in the rotor file."""
    for column, names in (
        ("sensor", [s.name for s in rotor.sensors]),
        ("regime", rotor.regime_names),
        ("blade", rotor.blades),
        ("adjuster", rotor.adjuster_names),
    ):
        if column in frame and pd.api.types.is_integer_dtype(frame[column]):
            frame[column] = np.array(names, dtype=object)[frame[column].to_numpy()]
    return frame


def _in_shape(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Return exactly these columns in this order, of the same types even without rows."""
    return pd.DataFrame(
        {
            c: pd.Series(
                frame[c].to_numpy().astype(_DTYPES.get(c, object)), dtype=_DTYPES.get(c, object)
            )
            for c in columns
        }
    )
