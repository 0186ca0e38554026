"""What an explanation of a suspect entry says should stand in the log, row by row.

The rows are what a correction of the log would be made of; nothing here changes a log, and which
explanation is likely is no business of this module.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.mistakes import Mistake
from adapt.rotor import Rotor

__all__ = ["entries_of"]


def entries_of(rotor: Rotor, runs: Runs, first: int, mistake: Mistake) -> list[dict[str, Any]]:
    """Return what would have been entered rightly, as JSON values; empty when nobody can say.

    first: row of the first run of the segment that the mistake was looked for in.
    Moves: {"table": "moves", "job", "after_run", "blade", "adjuster", "amount"}: the sum really
    made, in the adjuster's unit, for each blade and adjuster where it differs from what is entered;
    amount None where it is a guess. Readings: {"table": "readings", "job", "run", "sensor",
    "regime", "real", "imag"}, lag, in the sensor's unit, where they differ; those of a combination
    sensor only where they do not follow from its parts.
    """
    row = first + mistake.run
    job = runs.jobs[runs.job[row]]
    entries: list[dict[str, Any]] = []
    if mistake.change is not None:
        at = {"table": "moves", "job": job, "after_run": runs.names[row - 1]}
        for b, a in np.argwhere(mistake.change):
            place = {"blade": rotor.blades[b], "adjuster": rotor.adjuster_names[a]}
            entered = float(runs.amounts[row, b, a])
            made = _whole(entered + float(mistake.change[b, a]), entered)
            entries.append({**at, **place, "amount": None if mistake.guessed else made})
    elif mistake.readings is not None:
        assert mistake.otherwise is not None
        assert mistake.follows is not None
        at = {"table": "readings", "job": job, "run": runs.names[row]}
        for j in np.flatnonzero(mistake.otherwise & ~mistake.follows):
            sensor, regime = rotor.channels[j]
            value = complex(mistake.readings[j])
            place = {"sensor": sensor, "regime": regime}
            entries.append({**at, **place, "real": value.real, "imag": value.imag})
    return entries


def _whole(amount: float, beside: float) -> float:
    """Return an amount without what rounding left of a sum."""
    return 0.0 if abs(amount) <= 1e-9 * abs(beside) else float(f"{amount:.12g}")
