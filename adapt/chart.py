"""The paper chart of a rotor design as a table of numbers, with its reader and writer.

A chart is the prior of the learner; what it is worth against outcomes lives in `outcomes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Chart"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chart:
    """The paper chart of a rotor design. Axes follow the rotor file.

    mean: complex (lag), shape (channel, adjuster), per unit on the first blade; NaN = no row.
    sd: per component, shape (channel, adjuster); NaN = no row.
    track_mean, track_sd: shape (regime, adjuster); a missing track row is 0 with sd 0 (no effect).
    """

    mean: Complex
    sd: Real
    track_mean: Real
    track_sd: Real
    source: str = ""
