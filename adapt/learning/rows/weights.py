"""How much single runs count in a fit: less where readings were rough, or a gust came between.

The values only; `robust` finds them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["EVEN", "Weight", "Weights", "steps_with"]

Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Weight:
    """Run k has reading scatter r / reading_k, and its step from the run before q / step_k.

    reading, step: (run,), common to all channels; None = 1 everywhere. They are scaled so that the
    mean of a run's variance over all runs is r, or q (single runs counted up to 64 times it).
    """

    reading: Real | None = None
    step: Real | None = None


@dataclass(frozen=True)
class Weights:
    """The weights of vibration and of track, which has its own instrument."""

    vibration: Weight
    track: Weight


EVEN = Weights(Weight(), Weight())


def steps_with(extra: Real | None, step: Real | None, channels: int) -> Real | None:
    """Return what steps add to the run-to-run change in units of q, (run, channel); None = nothing.

    extra: the same of moves that are not made exactly; step: (run,), weights of the steps.
    """
    if step is None:
        return extra
    more = np.repeat((1.0 / step - 1.0)[:, None], channels, axis=1)
    return more if extra is None else np.asarray(more + extra)
