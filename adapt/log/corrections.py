"""Corrections of moves and readings that were entered wrongly: the table `corrections`.

Each says what the log had and what is right, and belongs to a decision (see `reviews`). Putting
them in place of what was entered is `correcting`'s business.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.columns import check_units, known_positions, phases, without_duplicates
from adapt.findings import Findings, Mask
from adapt.log.scope import Scope
from adapt.phasor import to_complex, to_lag
from adapt.problems import one_of, shown
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = ["Corrections", "corrections_of", "keys_of"]

Every = Mapping[str, tuple[str, str]]


@dataclass(frozen=True, eq=False)
class Corrections:
    """The corrections in jobs of one rotor design, rows without fault only.

    moves: at (position in the runs of the run before), blade, adjuster, entered (NaN = not in the
        log), amount, review, row, index (in `table`).
    readings: at, sensor, regime, entered, value (complex, lag; NaN = not to be used), review, row,
        index.
    reviews: the decisions that have corrections, in force or faulty.
    """

    table: Table
    moves: pd.DataFrame
    readings: pd.DataFrame
    reviews: frozenset[str]

    def rows(self, rotor: Rotor) -> pd.DataFrame:
        """Return moves and readings in one frame, by name: see `History.corrections`."""
        moves, readings = self.moves, self.readings
        columns = ["at", "row", "review"]
        made = moves[columns].assign(
            table="moves",
            blade=[rotor.blades[b] for b in moves["blade"]],
            adjuster=[rotor.adjuster_names[a] for a in moves["adjuster"]],
            sensor="",
            regime="",
            entered=moves["entered"].astype(complex),
            corrected=moves["amount"].astype(complex),
        )
        read = readings[columns].assign(
            table="readings",
            blade="",
            adjuster="",
            sensor=[rotor.sensors[s].name for s in readings["sensor"]],
            regime=[rotor.regime_names[g] for g in readings["regime"]],
            entered=readings["entered"],
            corrected=readings["value"],
        )
        return pd.concat([made, read], ignore_index=True)


def corrections_of(
    rotor: Rotor, table: Table, every: Every, scope: Scope, findings: Findings
) -> Corrections:
    """Read the corrections of one rotor design.

    every: job and decision of each review. A correction of a review that is not there is a doubt
    and not used: a decision is in force from when it stands in the reviews.
    """
    table = scope.rows_of(table, findings)
    review = table.text("review")
    there = np.array([name in every for name in review], dtype=bool)
    findings.doubt(
        table, ~there, "review", "a review of the table reviews; the correction was not used"
    )
    table = table.select(there)
    review, job = table.text("review"), table.text("job")
    other = np.array([every[r][0] != j for r, j in zip(review, job, strict=True)], dtype=bool)
    findings.fault(table, other, "job", lambda i: f"the job of review {shown(review[i])}")
    kept = np.array([every[r][1] == "keep" for r in review], dtype=bool)
    findings.fault(
        table, kept, "review", "no correction of an entry that was kept", found="one of a kept one"
    )
    tables = ("moves", "readings")
    kind = table.column("table").each(lambda t: t.casefold(), object)
    unknown = ~np.isin(kind, tables)
    texts = table.text("table")
    findings.fault(
        table, unknown, "table", lambda i: one_of("one of these tables", str(texts[i]), tables)
    )
    sound = ~other & ~kept
    drop = np.array([every[r][1] == "exclude" for r in review], dtype=bool)
    position = np.arange(len(table))
    moves = _moves(
        rotor, table.select(kind == "moves"), drop[kind == "moves"], scope, sound[kind == "moves"],
        findings,
    )  # fmt: skip
    readings = _readings(
        rotor, table.select(kind == "readings"), drop[kind == "readings"], scope,
        sound[kind == "readings"], findings,
    )  # fmt: skip
    return Corrections(
        table,
        moves.assign(index=position[kind == "moves"][moves["index"].to_numpy(dtype=np.intp)]),
        readings.assign(
            index=position[kind == "readings"][readings["index"].to_numpy(dtype=np.intp)]
        ),
        frozenset(review.tolist()),
    )


def _moves(
    rotor: Rotor, table: Table, drop: Mask, scope: Scope, sound: Mask, findings: Findings
) -> pd.DataFrame:
    at = scope.run_positions(table, "after_run", findings)
    blade = known_positions(table, "blade", rotor.blades, "a blade of the rotor file", findings)
    what = "an adjuster of the rotor file"
    adjuster = known_positions(table, "adjuster", rotor.adjuster_names, what, findings)
    units = np.array([*(a.unit for a in rotor.adjusters), ""], dtype=object)[adjuster]
    check_units(table, ("entered", "corrected"), units, "adjuster", findings)
    entered, bad_entered = table.numbers("entered")
    findings.fault(table, bad_entered, "entered", "the amount in the log, or nothing")
    amount, bad = table.numbers("corrected")
    bad |= np.isnan(amount)
    findings.fault(table, bad & ~drop, "corrected", "the amount really made (0 = not made)")
    findings.fault(
        table, drop, "review", "readings only: an exclusion leaves the whole pair out where moves "
        "are in doubt", found="an exclusion of a move",
    )  # fmt: skip
    clean = sound & ~drop & ~bad & ~bad_entered & (at >= 0) & (blade >= 0) & (adjuster >= 0)
    clean = without_duplicates(
        table, keys_of(rotor, at, blade, adjuster), clean, "corrected", "one correction of a move",
        findings,
    )  # fmt: skip
    frame = pd.DataFrame(
        {
            "at": at, "blade": blade, "adjuster": adjuster, "entered": entered, "amount": amount,
            "review": table.text("review"), "row": table.rows, "index": np.arange(len(table)),
        }
    )  # fmt: skip
    return frame[clean]


def _readings(
    rotor: Rotor, table: Table, drop: Mask, scope: Scope, sound: Mask, findings: Findings
) -> pd.DataFrame:
    at = scope.run_positions(table, "run", findings)
    names = [s.name for s in rotor.sensors]
    sensor = known_positions(table, "sensor", names, "a sensor of the rotor file", findings)
    what = "a regime of the rotor file"
    regime = known_positions(table, "regime", rotor.regime_names, what, findings)
    units = np.array([*(s.unit for s in rotor.sensors), ""], dtype=object)[sensor]
    check_units(table, ("entered", "corrected"), units, "sensor", findings)
    everything = np.ones(len(table), dtype=bool)
    before, bad_before = _phasors(rotor, table, "entered", sensor, everything, findings)
    after, bad_after = _phasors(rotor, table, "corrected", sensor, ~drop, findings)
    given = drop & table.column("corrected").each(bool, bool)
    findings.fault(table, given, "corrected", "nothing: the review excludes the reading", jobs=True)
    clean = sound & ~bad_before & ~bad_after & ~given & (at >= 0) & (sensor >= 0) & (regime >= 0)
    clean = without_duplicates(
        table, keys_of(rotor, at, sensor, regime), clean, "corrected", "one correction of a "
        "reading", findings,
    )  # fmt: skip
    frame = pd.DataFrame(
        {
            "at": at, "sensor": sensor, "regime": regime, "entered": before,
            "value": np.where(drop, np.nan, after), "review": table.text("review"),
            "row": table.rows, "index": np.arange(len(table)),
        }
    )  # fmt: skip
    return frame[clean]


def _phasors(
    rotor: Rotor, table: Table, column: str, sensor: Any, among: Mask, findings: Findings
) -> tuple[npt.NDArray[np.complex128], Mask]:
    """Return amplitudes with their phases as lag, and which rows of `among` have a fault."""
    amplitude, bad = table.numbers(column)
    bad = among & (bad | np.isnan(amplitude) | (amplitude < 0))
    findings.fault(table, bad, column, "an amplitude: a number of at least 0 (the peak)")
    phase, bad_phase = phases(table, among, findings, f"{column}_")
    missing = among & ~bad & ~bad_phase & (amplitude > 0) & np.isnan(phase)
    findings.fault(
        table, missing, f"{column}_clock", "a clock angle or phase_deg beside this amplitude",
        found="no phase",
    )  # fmt: skip
    size = np.where(bad, np.nan, amplitude)
    value = to_complex(size, np.where(np.isnan(phase), 0.0, phase))
    lead = np.array([s.phase == "lead" for s in rotor.sensors] + [False])[sensor]
    return np.where(lead, to_lag(value, "lead"), value), bad | bad_phase | missing


def keys_of(rotor: Rotor, at: Any, first: Any, second: Any) -> npt.NDArray[np.int64]:
    """Return one number for each run and place: blade and adjuster, or sensor and regime."""
    most = max(
        len(rotor.blades), len(rotor.adjusters), len(rotor.sensors), len(rotor.regimes)
    )  # positions stay below it
    keys: npt.NDArray[np.int64] = (
        np.asarray(at, dtype=np.int64) * most + np.asarray(first)
    ) * most + np.asarray(second)
    return keys
