"""The weights of a robust fit beside its coefficients, by job and run, and read back from there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.rows.runs import Runs
from adapt.learning.rows.weights import EVEN, Weight, Weights
from adapt.problems import BadInput

__all__ = ["WEIGHTS", "rows_of_weights", "weights_in"]

Real = npt.NDArray[np.float64]

WEIGHTS = "run_weights"  # their key in where coefficients came from


def rows_of_weights(runs: Runs, weights: Weights) -> list[list[Any]]:
    """Return JSON values: job, run, and its four weights.

    Of readings, of steps, of track readings, of track steps; None = all count alike.
    """
    four = _four(weights)
    if all(w is None for w in four):
        return []
    return [
        [runs.jobs[runs.job[k]], name, *(None if w is None else float(w[k]) for w in four)]
        for k, name in enumerate(runs.names)
    ]


def weights_in(origin: Mapping[str, Any], runs: Runs) -> Weights:
    """Return the weights that runs had when coefficients were learned; 1 for runs since.

    Raises BadInput when they are damaged.
    """
    rows = origin.get(WEIGHTS)
    if not rows:
        return EVEN
    found = np.ones((4, len(runs)))
    try:
        told = {
            (str(job), str(run)): [1.0 if w is None else float(w) for w in four]
            for job, run, *four in rows
        }
        for k, name in enumerate(runs.names):
            four = told.get((runs.jobs[runs.job[k]], name))
            if four is not None:
                found[:, k] = four
    except (TypeError, ValueError) as error:
        raise BadInput(f"damaged weights of runs in the coefficients ({error})") from error
    if not (np.isfinite(found) & (found > 0)).all():
        raise BadInput("damaged weights of runs in the coefficients: a weight is not positive")
    return Weights(Weight(found[0], found[1]), Weight(found[2], found[3]))


def _four(weights: Weights) -> tuple[Real | None, ...]:
    v, t = weights.vibration, weights.track
    return v.reading, v.step, t.reading, t.step
