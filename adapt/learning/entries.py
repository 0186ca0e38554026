"""What an explanation of a suspect entry says should stand in the log, row by row.

The rows are what a correction of the log would be made of; nothing here changes a log, and which
explanation is likely is no business of this module.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from adapt.learning.mistakes import Mistake
from adapt.learning.runs import Runs
from adapt.rotor import Rotor

__all__ = ["entries_of"]


def entries_of(rotor: Rotor, runs: Runs, first: int, mistake: Mistake) -> list[dict[str, Any]]:
    """Return what would have been entered rightly, as JSON values; empty when nobody can say.

    first: row of the first run of the segment that the mistake was looked for in.
    Moves: {"table": "moves", "job", "after_run", "blade", "adjuster", "amount"}: the sum really
    made, in the adjuster's unit, for each blade and adjuster where it differs from what is entered;
    amount None where it is not known. Readings: {"table": "readings", "job", "run", "sensor",
    "regime", "real", "imag"}, lag, in the sensor's unit, where they differ.
    """
    row = first + mistake.run
    job = runs.jobs[runs.job[row]]
    entries: list[dict[str, Any]] = []
    for b, a, amount in _moves(runs, row, mistake):
        place = {"blade": rotor.blades[b], "adjuster": rotor.adjuster_names[a]}
        at = {"table": "moves", "job": job, "after_run": runs.names[row - 1]}
        entries.append({**at, **place, "amount": amount})
    if mistake.readings is not None:
        changed = np.asarray(mistake.read_otherwise) & (mistake.readings != runs.readings[row])
        for j in np.flatnonzero(changed):
            sensor, regime = rotor.channels[j]
            value = complex(mistake.readings[j])
            at = {"table": "readings", "job": job, "run": runs.names[row]}
            place = {"sensor": sensor, "regime": regime}
            entries.append({**at, **place, "real": value.real, "imag": value.imag})
    return entries


def _moves(runs: Runs, row: int, mistake: Mistake) -> list[tuple[int, int, float | None]]:
    """Return (blade, adjuster, amount really made) where it is not what is entered."""
    if mistake.spread is not None:
        return [(int(b), int(a), None) for b, a in np.argwhere(mistake.spread > 0)]
    if mistake.amounts is None:
        return []
    changed = np.argwhere(mistake.amounts != runs.amounts[row])
    return [(int(b), int(a), float(mistake.amounts[b, a])) for b, a in changed]
