"""How jobs went: runs, corrections, and when everything was inside its limit for the first time."""

from __future__ import annotations

import numpy as np
import pandas as pd

from adapt.learning.rows.runs import Runs
from adapt.outcomes.stated import Limits

__all__ = ["jobs_table"]

_COLUMNS = [
    "rotor", "job", "started", "runs", "corrections", "told", "inside_at_first",
    "inside_after_first", "runs_to_inside",
]  # fmt: skip


def jobs_table(runs: Runs, limits: Limits) -> pd.DataFrame:
    """Return one row for each job, in the order of the runs; see `Decisions`.

    A run is inside when everything that it read and that has a limit is. told: of how many runs
    that can be told, for they read something that has one. inside_after_first: of the
    run after the first correction, NaN where there was none.
    """
    rows = []
    for job in dict.fromkeys(runs.job.tolist()):
        members = np.flatnonzero(runs.job == job)
        inside = [limits.all_inside(runs, int(m)) for m in members]
        moved = runs.amounts[members].any(axis=(1, 2))
        good = [k for k, ok in enumerate(inside) if ok == 1.0]
        corrected = np.flatnonzero(moved)
        rows.append(
            {
                "rotor": runs.serials[runs.rotor[members[0]]],
                "job": runs.jobs[job],
                "started": runs.started[members[0]],
                "runs": len(members),
                "corrections": int(moved.sum()),
                "told": int((~np.isnan(inside)).sum()),
                "inside_at_first": inside[0],
                "inside_after_first": inside[corrected[0]] if len(corrected) else np.nan,
                "runs_to_inside": good[0] + 1 if good else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=_COLUMNS)
