"""The moves, fitted amounts and events of a log, row by row.

Whether they make sense together, job after job, is followed in `hardware`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from adapt.columns import check_units, known_positions, without_duplicates
from adapt.findings import Findings
from adapt.log.reading import EVENT_KINDS
from adapt.log.scope import Scope
from adapt.problems import one_of
from adapt.rotor import Rotor
from adapt.rotor.values import STEP_TOLERANCE
from adapt.tables import Table

__all__ = ["events_of", "fitted_of", "moves_of"]


def moves_of(rotor: Rotor, table: Table, scope: Scope, findings: Findings) -> pd.DataFrame:
    """Return the moves: at (position in the runs), blade, adjuster, amount, index (in the table).

    Moves off their step, larger than the largest, on blades that cannot take them, or of nothing
    are doubts.
    """
    table = scope.rows_of(table, findings)
    run = scope.run_positions(table, "after_run", findings)
    frame, clean, adjuster, amount = _amounts(rotor, table, findings)
    clean &= run >= 0
    key = (run * len(rotor.blades) + frame["blade"].to_numpy()) * max(
        len(rotor.adjusters), 1
    ) + adjuster
    clean = without_duplicates(
        table, key, clean, "amount", "one row for a blade and adjuster between two runs", findings
    )
    findings.doubt(table, clean & (amount == 0), "amount", "a move that is not 0")
    step = np.array([*(a.step for a in rotor.adjusters), 1.0])[adjuster]
    steps = amount / step
    off = clean & (np.abs(steps - np.round(steps)) > STEP_TOLERANCE)
    findings.doubt(table, off, "amount", lambda i: f"a whole number of steps of {step[i]:g}")
    largest = np.array([*(a.largest_move or np.inf for a in rotor.adjusters), np.inf])[adjuster]
    over = clean & (np.abs(amount) > largest + STEP_TOLERANCE * step)
    findings.doubt(table, over, "amount", lambda i: f"at most the largest move, {largest[i]:g}")
    return frame.assign(at=run)[clean]


def fitted_of(rotor: Rotor, table: Table, scope: Scope, findings: Findings) -> pd.DataFrame:
    """Return the amounts fitted at the start of a job: job, blade, adjuster, amount, index."""
    table = scope.rows_of(table, findings)
    frame, clean, adjuster, _ = _amounts(rotor, table, findings)
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
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray, np.ndarray]:
    """Return blade, adjuster, amount and index of every row, and which rows are without fault."""
    blade = known_positions(table, "blade", rotor.blades, "a blade of the rotor file", findings)
    what = "an adjuster of the rotor file"
    adjuster = known_positions(table, "adjuster", rotor.adjuster_names, what, findings)
    units = np.array([*(a.unit for a in rotor.adjusters), ""], dtype=object)[adjuster]
    check_units(table, ("amount",), units, "adjuster", findings)
    amount, bad = table.numbers("amount")
    bad |= np.isnan(amount)
    findings.fault(table, bad, "amount", "a number")
    takes = np.ones((len(rotor.blades) + 1, len(rotor.adjusters) + 1), dtype=bool)
    for j, a in enumerate(rotor.adjusters):
        takes[:-1, j] = [a.blades is None or name in a.blades for name in rotor.blades]
    clean = ~bad & (blade >= 0) & (adjuster >= 0)
    cannot = clean & ~takes[blade, adjuster] & (amount != 0)
    findings.doubt(
        table,
        cannot,
        "blade",
        lambda i: (
            f"one that takes the adjuster: {', '.join(rotor.adjusters[adjuster[i]].blades or ())}"
        ),
    )
    frame = pd.DataFrame(
        {"blade": blade, "adjuster": adjuster, "amount": amount, "index": np.arange(len(table))}
    )
    frame["row"] = table.rows
    return frame, clean, adjuster, amount


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
