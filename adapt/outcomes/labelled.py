"""Predictions under the names that people use: rotor, job, run, sensor, regime, method."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from adapt.learning.rows.runs import Runs
from adapt.outcomes.predicting import Predicted
from adapt.rotor import Rotor

__all__ = ["predictions_table", "runs_table"]

COVERAGE = 0.95

_ROWS = [
    "method", "rotor", "job", "run", "started", "sensor", "regime", "moved", "adjusters", "pairs",
    "size", "before", "predicted", "read", "error", "amplitude_error", "phase_error_deg", "limit",
    "inside_limit", "tail", "inside_95", "chance", "suspect",
]  # fmt: skip
_RUNS = [
    "rotor", "job", "run", "started", "pairs", "chance", "chance_early", "came_inside",
]  # fmt: skip


def predictions_table(
    rotor: Rotor,
    runs: Runs,
    methods: Sequence[str],
    predicted: Sequence[Predicted],
    withheld: frozenset[tuple[str, str]],
) -> pd.DataFrame:
    """Return the predictions of jobs as they are told, see `Outcome`."""
    parts = [p for p in predicted if p.rows]
    if not parts:
        return pd.DataFrame(columns=_ROWS)
    rows = {name: np.concatenate([p.rows[name] for p in parts]) for name in parts[0].rows}
    at = _places(runs, parts, "rows")
    channel = rows.pop("channel")
    place = np.where(channel < 0, len(rotor.channels) - 1 - channel, channel)
    sensors = _objects([*(s for s, _ in rotor.channels), *(None for _ in rotor.regimes)])
    regimes = _objects([*(r for _, r in rotor.channels), *rotor.regime_names])
    table = pd.DataFrame(
        {
            **_labels(runs, at),
            "method": _objects(methods)[rows.pop("method")],
            "sensor": sensors[place],
            "regime": regimes[place],
            "adjusters": _moved(rotor, runs)[at],
            "suspect": np.array([pair in withheld for pair in runs.pair], dtype=bool)[at],
            **rows,
        }
    )
    tail = table["tail"]
    table["inside_95"] = np.where(tail.isna(), np.nan, tail >= 1.0 - COVERAGE)
    return table[_ROWS]


def runs_table(runs: Runs, predicted: Sequence[Predicted]) -> pd.DataFrame:
    """Return one row for each run that was predicted: what was stated of it as a whole."""
    parts = [p for p in predicted if p.runs]
    if not parts:
        return pd.DataFrame(columns=_RUNS)
    rows = {name: np.concatenate([p.runs[name] for p in parts]) for name in parts[0].runs}
    return pd.DataFrame({**_labels(runs, _places(runs, parts, "runs")), **rows})[_RUNS]


def _labels(runs: Runs, at: Any) -> dict[str, Any]:
    serials, jobs, names = (_objects(x) for x in (runs.serials, runs.jobs, runs.names))
    return {
        "rotor": serials[runs.rotor[at]],
        "job": jobs[runs.job[at]],
        "run": names[at],
        "started": runs.started[at],
    }


def _objects(values: Sequence[Any]) -> Any:
    return np.array(values, dtype=object)


def _places(runs: Runs, parts: Sequence[Predicted], what: str) -> Any:
    """Return the row in `runs` of each prediction; take "at", the run's place in its rotor's."""
    first = np.searchsorted(runs.rotor, np.arange(len(runs.serials)))
    rotor_of = {runs.jobs[j]: int(r) for j, r in zip(runs.job, runs.rotor, strict=True)}
    return np.concatenate([getattr(p, what)["at"] + first[rotor_of[p.job]] for p in parts])


def _moved(rotor: Rotor, runs: Runs) -> Any:
    """Return the adjusters moved before each run, by name, (run,)."""
    kinds, of = np.unique(runs.moved > 0, axis=0, return_inverse=True)
    words = [
        " + ".join(n for n, m in zip(rotor.adjuster_names, kind, strict=True) if m)
        for kind in kinds
    ]
    return _objects(words)[of.ravel()]
