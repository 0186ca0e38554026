"""Which pairs of a log taught the effects of a chart, when, and the largest readings seen there.

Counts from the log at hand; how coefficients are learned from pairs lives in `learning`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from adapt.balancing.paper.axes import Axes
from adapt.coefficients import Coefficients
from adapt.effects import harmonic_sums, move_amounts
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["Taught", "largest_seen", "taught_by"]

MOVED = 1e-9  # adjuster units: less is rounding of moves that cancel
UNLIKELY = 10.0  # times the limit: a reading that the check of a log calls doubtful


@dataclass(frozen=True)
class Taught:
    """What taught two effects.

    pairs: (2,), how many pairs inform each axis's effect, as the coefficients count them; of the
    type's rotors all together where the chart is the type's. listed: the pairs (job, after_run) of
    this log among them in which either adjuster moved, in the log's order. jobs: theirs. first,
    last: when the earliest run of them was started and the latest, None where no date is known.
    """

    pairs: tuple[int, int]
    listed: tuple[tuple[str, str], ...]
    jobs: tuple[str, ...]
    first: Any
    last: Any


def taught_by(axes: Axes, rotor: Rotor, coefficients: Coefficients, history: History) -> Taught:
    """Return the pairs that taught the effects of two axes."""
    posterior = coefficients.type_ if axes.serial is None else coefficients.of(axes.serial)
    row = coefficients.channels.index((axes.sensor, axes.regime))
    columns = [rotor.adjuster_names.index(axis.adjuster) for axis in axes.pair]
    counts = [int(posterior.pairs[row, a]) for a in columns]
    read = _of_reading(history, axes)
    runs_read = set(zip(read["job"], read["run"], strict=True))
    moves = dict(iter(history.moves.groupby(["job", "after_run"], sort=False)))
    order = rotor.sensor(axes.sensor).order
    listed: list[tuple[str, str]] = []
    started: list[Any] = []
    for job, runs in _runs_of(history, axes.serial).groupby("job", sort=False):
        names, times = runs["run"].tolist(), runs["started"].tolist()
        there = [k for k, run in enumerate(names) if (job, run) in runs_read]
        # Runs between that were not read here make one longer pair of their neighbours.
        for first, last in pairwise(there):
            steps = [(str(job), str(names[k])) for k in range(first, last)]
            made = [moves[step] for step in steps if step in moves]
            taught = all(step in coefficients.taught for step in steps)
            if taught and made and _moved(rotor, pd.concat(made), order, columns):
                listed.append(steps[0])
                started += [times[first], times[last]]
    known = [t for t in started if pd.notna(t)]
    return Taught(
        (counts[0], counts[1]),
        tuple(listed),
        tuple(dict.fromkeys(job for job, _ in listed)),
        min(known, default=None),
        max(known, default=None),
    )


def largest_seen(axes: Axes, history: History, limit: float | None) -> float:
    """Return the largest amplitude read there [sensor unit]; 0 when none was.

    Of the chart's rotor, or of all rotors. Readings beyond 10 times the limit are left out.
    """
    sizes = np.abs(_of_reading(history, axes)["value"].to_numpy(dtype=complex))
    if limit is not None:
        sizes = sizes[sizes <= UNLIKELY * limit]
    return float(sizes.max(initial=0.0))


def _runs_of(history: History, serial: str | None) -> pd.DataFrame:
    runs = history.runs
    return runs if serial is None else runs[runs["rotor"] == serial]


def _of_reading(history: History, axes: Axes) -> pd.DataFrame:
    table = history.readings
    there = (table["sensor"] == axes.sensor) & (table["regime"] == axes.regime)
    if axes.serial is not None:
        there &= table["job"].isin(_runs_of(history, axes.serial)["job"])
    return table[there]


def _moved(rotor: Rotor, made: pd.DataFrame, order: int, columns: list[int]) -> bool:
    amounts = move_amounts(
        rotor, made["blade"].tolist(), made["adjuster"].tolist(), made["amount"].tolist()
    )
    return bool((np.abs(harmonic_sums(rotor, amounts, order)[columns]) > MOVED).any())
