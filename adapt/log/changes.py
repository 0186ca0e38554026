"""The moves, fitted amounts and events of a log, row by row.

Whether they make sense together, job after job, is followed in `hardware`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from adapt.columns import check_units, known_positions, without_duplicates
from adapt.findings import Findings
from adapt.log.correcting import correct_moves
from adapt.log.corrections import Corrections, keys_of
from adapt.log.scope import Scope
from adapt.log_columns import EVENT_KINDS
from adapt.problems import one_of
from adapt.rotor import Rotor
from adapt.rotor.values import STEP_TOLERANCE
from adapt.tables import Table

__all__ = ["events_of", "fitted_of", "moves_of"]


def moves_of(
    rotor: Rotor, table: Table, scope: Scope, corrections: Corrections, findings: Findings
) -> pd.DataFrame:
    """Return the moves as corrected: at (position in the runs), blade, adjuster, amount, index.

    `index` and `row` are those of the table, or of the corrections where `corrected` stands.
    Moves off their step, larger than the largest, on blades that cannot take them, or of nothing
    are doubts; of a corrected move only what it was corrected to is doubted.
    """
    table = scope.rows_of(table, findings)
    run = scope.run_positions(table, "after_run", findings)
    frame, clean, adjuster = _amounts(rotor, table, findings)
    clean &= run >= 0
    key = keys_of(rotor, run, frame["blade"], adjuster)
    clean = without_duplicates(
        table, key, clean, "amount", "one row for a blade and adjuster between two runs", findings
    )
    put_right = corrections.moves
    right = keys_of(rotor, put_right["at"], put_right["blade"], put_right["adjuster"])
    frame = frame.assign(at=run)
    as_entered = frame[clean & ~np.isin(key, right)]
    _doubt_blades(rotor, as_entered, table, findings)
    nothing = as_entered.loc[as_entered["amount"] == 0, "index"].to_numpy()
    findings.doubt(table, nothing, "amount", "a move that is not 0")
    _doubt_sizes(rotor, as_entered, table, "amount", findings)
    _doubt_blades(rotor, put_right, corrections.table, findings)
    _doubt_sizes(rotor, put_right, corrections.table, "corrected", findings)
    return correct_moves(rotor, frame[clean], corrections, scope, findings)


def fitted_of(rotor: Rotor, table: Table, scope: Scope, findings: Findings) -> pd.DataFrame:
    """Return the amounts fitted at the start of a job: job, blade, adjuster, amount, index."""
    table = scope.rows_of(table, findings)
    frame, clean, adjuster = _amounts(rotor, table, findings)
    _doubt_blades(rotor, frame[clean], table, findings)
    job = table.column("job").codes
    key = (job * len(rotor.blades) + frame["blade"].to_numpy()) * max(
        len(rotor.adjusters), 1
    ) + adjuster
    clean = without_duplicates(
        table, key, clean, "amount", "one row for a blade and adjuster of a job", findings
    )
    frame["job"] = table.text("job")
    return frame.loc[clean]


def _amounts(
    rotor: Rotor, table: Table, findings: Findings
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return blade, adjuster, amount and index of every row, which are sound, and adjusters."""
    blade = known_positions(table, "blade", rotor.blades, "a blade of the rotor file", findings)
    what = "an adjuster of the rotor file"
    adjuster = known_positions(table, "adjuster", rotor.adjuster_names, what, findings)
    units = np.array([*(a.unit for a in rotor.adjusters), ""], dtype=object)[adjuster]
    check_units(table, ("amount",), units, "adjuster", findings)
    amount, bad = table.numbers("amount")
    bad |= np.isnan(amount)
    findings.fault(table, bad, "amount", "a number")
    clean = ~bad & (blade >= 0) & (adjuster >= 0)
    frame = pd.DataFrame(
        {"blade": blade, "adjuster": adjuster, "amount": amount, "index": np.arange(len(table))}
    )
    frame["row"] = table.rows
    return frame, clean, adjuster


def _doubt_blades(rotor: Rotor, rows: pd.DataFrame, table: Table, findings: Findings) -> None:
    """Note amounts of an adjuster on blades that cannot take it; index: positions in the table."""
    takes = np.array(
        [[a.fits(b) for a in rotor.adjusters] for b in rotor.blades],
        dtype=bool,
    )
    cannot = rows[~takes[rows["blade"], rows["adjuster"]] & (rows["amount"] != 0).to_numpy()]
    told = dict(zip(cannot["index"].tolist(), cannot["adjuster"].tolist(), strict=True))
    findings.doubt(
        table,
        cannot["index"].to_numpy(),
        "blade",
        lambda i: (
            f"one that takes the adjuster: {', '.join(rotor.adjusters[told[i]].blades or ())}"
        ),
    )


def _doubt_sizes(
    rotor: Rotor, rows: pd.DataFrame, table: Table, column: str, findings: Findings
) -> None:
    """Note moves off their step or larger than the largest; index: positions in the table."""
    index, amount = rows["index"].to_numpy(), rows["amount"].to_numpy()
    adjuster = rows["adjuster"].to_numpy()
    step = np.array([a.step for a in rotor.adjusters])[adjuster]
    largest = np.array([a.largest_move or np.inf for a in rotor.adjusters])[adjuster]
    off = np.abs(amount / step - np.round(amount / step)) > STEP_TOLERANCE
    steps = dict(zip(index[off].tolist(), step[off].tolist(), strict=True))
    findings.doubt(table, index[off], column, lambda i: f"a whole number of steps of {steps[i]:g}")
    over = np.abs(amount) > largest + STEP_TOLERANCE * step
    most = dict(zip(index[over].tolist(), largest[over].tolist(), strict=True))
    findings.doubt(table, index[over], column, lambda i: f"at most the largest move, {most[i]:g}")


def events_of(rotor: Rotor, table: Table, scope: Scope, findings: Findings) -> pd.DataFrame:
    """Return the events: at (position in the runs), kind, sensor ("" = not of one sensor), note."""
    table = scope.rows_of(table, findings)
    run = scope.run_positions(table, "after_run", findings)
    cells = table.column("kind")

    def plain(text: str) -> str:
        return " ".join(text.casefold().replace("_", " ").split())

    kind: np.ndarray = cells.each(plain, object)
    known = cells.each(lambda text: plain(text) in EVENT_KINDS, bool)
    findings.fault(
        table, ~known, "kind", lambda i: one_of("one of these kinds", str(kind[i]), EVENT_KINDS)
    )
    named = table.column("sensor").each(bool, bool)
    names = [s.name for s in rotor.sensors]
    sensor = known_positions(table, "sensor", names, "a sensor of the rotor file", findings, named)
    lacking = (kind == "sensor moved") & ~named
    findings.fault(table, lacking, "sensor", "the sensor that was moved")
    of_all = (kind == "reference moved") & named
    findings.doubt(table, of_all, "sensor", "nothing: a moved reference turns every sensor")
    clean = known & (run >= 0) & (~named | (sensor >= 0)) & ~lacking
    moved = np.where(of_all, "", table.text("sensor"))
    frame = pd.DataFrame({"at": run, "kind": kind, "sensor": moved, "note": table.text("note")})
    return frame[np.asarray(clean)]
