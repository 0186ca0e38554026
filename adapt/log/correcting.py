"""Puts what was really made and read in place of what was entered wrongly, in the log as read.

A correction whose log says something else by now is a fault: the files of the log are never
changed, and nothing is corrected on a guess. Reading the corrections is `corrections`' business.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.findings import Findings, Mask
from adapt.log.corrections import Corrections, keys_of
from adapt.log.scope import Scope
from adapt.phasor import clock_text, from_lag, phase_deg
from adapt.problems import shown
from adapt.rotor import Rotor

__all__ = ["correct_moves", "correct_readings"]

SAME = 1e-9  # relative: two amounts written in different ways
SAME_READING = 1e-6  # relative: amplitude and phase through different texts


def correct_moves(
    rotor: Rotor, moves: pd.DataFrame, corrections: Corrections, scope: Scope, findings: Findings
) -> pd.DataFrame:
    """Return moves as they were really made, with `corrected` where that is not what was entered.

    moves: at, blade, adjuster, amount, row, index, one row for each place.
    """
    moves = moves.assign(corrected=False)
    rows = corrections.moves
    if rows.empty:
        return moves
    found = _found(
        keys_of(rotor, moves["at"], moves["blade"], moves["adjuster"]),
        keys_of(rotor, rows["at"], rows["blade"], rows["adjuster"]),
    )
    now = (
        np.where(found >= 0, moves["amount"].to_numpy()[found], 0.0) if len(moves) else 0.0 * found
    )
    entered = np.nan_to_num(rows["entered"].to_numpy())
    same = np.abs(entered - now) <= SAME * np.abs(now)
    _note_edited(
        corrections, rows, ~same, scope, findings,
        lambda i: f"{now[i]:g} there now" if found[i] >= 0 and now[i] else "no such move now",
    )  # fmt: skip
    rest = moves.drop(index=moves.index[found[same & (found >= 0)]])
    made = rows[same & (rows["amount"].to_numpy() != 0)]
    added = made[[c for c in moves.columns if c in made]].assign(corrected=True)
    return pd.concat([rest, added], ignore_index=True)


def correct_readings(
    rotor: Rotor,
    readings: pd.DataFrame,
    corrections: Corrections,
    scope: Scope,
    findings: Findings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return readings as they were really taken, and the rows of readings that are not to be used.

    readings: at, sensor, regime, value, row and more, one row for each place. The excluded rows
    have the review beside them.
    """
    rows = corrections.readings
    if rows.empty:
        return readings, readings.iloc[:0].assign(review="")
    found = _found(
        keys_of(rotor, readings["at"], readings["sensor"], readings["regime"]),
        keys_of(rotor, rows["at"], rows["sensor"], rows["regime"]),
    )
    there = found >= 0
    now = np.full(len(rows), np.nan + 0j)
    now[there] = readings["value"].to_numpy()[found[there]]
    entered = rows["entered"].to_numpy()
    same = there & (np.abs(entered - now) <= SAME_READING * np.abs(now))

    def words(i: int) -> str:
        if not there[i]:
            return "no such reading in use now"
        own = from_lag(now[i], rotor.sensors[int(rows["sensor"].iloc[i])].phase)
        return f"{abs(now[i]):.4g} at {clock_text(float(phase_deg(own)))} there now"

    _note_edited(corrections, rows, ~same, scope, findings, words)
    value = readings["value"].to_numpy().copy()
    value[found[same]] = rows["value"].to_numpy()[same]
    review = np.full(len(readings), "", dtype=object)
    review[found[same]] = rows["review"].to_numpy()[same]
    out = np.isnan(value) & (review != "")
    return readings.assign(value=value)[~out], readings.assign(review=review)[out]


def _found(keys: npt.NDArray[np.int64], wanted: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Return the position of each wanted key, -1 where it is not there."""
    among = np.flatnonzero(np.isin(keys, wanted))
    place = dict(zip(keys[among].tolist(), among.tolist(), strict=True))
    return np.array([place.get(key, -1) for key in wanted.tolist()], dtype=np.intp)


def _note_edited(
    corrections: Corrections,
    rows: pd.DataFrame,
    edited: Mask,
    scope: Scope,
    findings: Findings,
    now: Callable[[int], str],
) -> None:
    """Note corrections whose entry is not what it was; not where the job has faults already."""
    faulty = findings.faulty_jobs()
    job = scope.runs["job"].to_numpy()[rows["at"].to_numpy(dtype=np.intp)]
    edited = edited & np.array([j not in faulty for j in job], dtype=bool)
    index = rows["index"].to_numpy()
    at = {int(index[i]): int(i) for i in np.flatnonzero(edited)}
    cells, reviews = corrections.table.text("entered"), corrections.table.text("review")
    findings.fault(
        corrections.table,
        index[edited],
        "entered",
        lambda i: (
            "the entry as it was when it was reviewed; if the log was put right itself, take "
            f"review {shown(reviews[i])} back (adapt review, --undo)"
        ),
        found=lambda i: f"{shown(cells[i])} as entered, but {now(at[i])}",
    )
