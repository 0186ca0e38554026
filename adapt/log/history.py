"""A log as understood for one rotor design: the values that `check` gives. Nothing here reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from adapt.problems import Problem

__all__ = ["CORRECTION_COLUMNS", "REVIEW_COLUMNS", "BookState", "History", "nothing_logged"]

REVIEW_COLUMNS = (
    "review", "job", "table", "after_run", "run", "decision", "kind", "explanation", "by",
    "decided", "note",
)  # fmt: skip
CORRECTION_COLUMNS = (
    "review", "table", "job", "run", "blade", "adjuster", "sensor", "regime", "entered",
    "corrected",
)  # fmt: skip


@dataclass(frozen=True)
class BookState:
    """The state of a logbook that a log is: its last change, and the seal of that."""

    change: int
    seal: str


@dataclass(frozen=True, eq=False)
class History:
    """A log as understood for one rotor design: clean jobs only, numbers parsed, phases as lag.

    runs: rotor, job, run, started (Timestamp with NaT), aircraft, note, gross_weight, wind_kt,
        oat_c, rpm, order (the run's place in its job, from 0); jobs of a rotor in time order, runs
        of a job in order.
    readings: job, run, regime, sensor, value (complex128, lag, in the sensor's unit), spread (per
        component or NaN), repeats (1 when not given); excluded rows are not here.
    track: job, run, regime, blade, height (re-centred; only regimes with every blade), lag.
    moves: job, after_run, blade, adjuster, amount. fitted: job, blade, adjuster, amount.
    events: job, after_run, kind, sensor ("" = not of one sensor), note.
    excluded: table, row, job, run, regime, sensor, blade, reason: rows of readings and track that
        somebody excluded ("" where a column is not of that table).
    faults, doubts: every finding; set_aside: job -> number of faults, jobs that are not in the
        tables because of them.
    reviews: review, job, table, after_run, run, decision, kind, explanation, by, decided, note:
        what specialists decided about suspect entries of the jobs above.
    corrections: review, table, job, run (for moves the run before them), blade, adjuster, sensor,
        regime, entered, corrected: the entries that are not in the tables above as they stand in
        the log; complex (lag; an amount is real), NaN = not there, of `corrected` = not to be used.
    kept: the pairs (job, after_run) that were looked at and found right: they are not suspect.
    left_out: the pairs that were excluded: they teach nothing.
    state: of the logbook; None where the log is none.
    """

    runs: pd.DataFrame
    readings: pd.DataFrame
    track: pd.DataFrame
    moves: pd.DataFrame
    fitted: pd.DataFrame
    events: pd.DataFrame
    excluded: pd.DataFrame
    faults: tuple[Problem, ...]
    doubts: tuple[Problem, ...]
    set_aside: Mapping[str, int]
    source: str
    reviews: pd.DataFrame = field(default_factory=lambda: _without_rows(REVIEW_COLUMNS))
    corrections: pd.DataFrame = field(default_factory=lambda: _without_rows(CORRECTION_COLUMNS))
    kept: frozenset[tuple[str, str]] = frozenset()
    left_out: frozenset[tuple[str, str]] = frozenset()
    state: BookState | None = None

    def state_in(self, name: str) -> dict[str, int | str]:
        """Return the logbook's state for a JSON document, by keys that begin with this name."""
        if self.state is None:
            return {}
        return {f"{name}_change": self.state.change, f"{name}_seal": self.state.seal}


def _without_rows(columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame({c: pd.Series(dtype=object) for c in columns})


# Columns that are not names, and what they hold.
_TYPES = {
    "started": "datetime64[ns]", "order": "int64", "repeats": "int64", "row": "int64",
    "value": "complex128", "gross_weight": "float64", "wind_kt": "float64", "oat_c": "float64",
    "rpm": "float64", "spread": "float64", "height": "float64", "lag": "float64",
    "amount": "float64",
}  # fmt: skip


def nothing_logged() -> History:
    """Return the history of whoever has no log: no run, no move, nothing to teach.

    >>> len(nothing_logged().runs), nothing_logged().readings["value"].dtype
    (0, dtype('complex128'))
    """
    return History(
        runs=_empty("rotor job run started aircraft note gross_weight wind_kt oat_c rpm order"),
        readings=_empty("job run regime sensor value spread repeats"),
        track=_empty("job run regime blade height lag"),
        moves=_empty("job after_run blade adjuster amount"),
        fitted=_empty("job blade adjuster amount"),
        events=_empty("job after_run kind sensor note"),
        excluded=_empty("table row job run regime sensor blade reason"),
        faults=(),
        doubts=(),
        set_aside={},
        source="",
    )


def _empty(columns: str) -> pd.DataFrame:
    names = columns.split()
    return pd.DataFrame(columns=names).astype({c: _TYPES.get(c, "object") for c in names})
