"""What a search hands back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Found"]

Int = npt.NDArray[np.int64]


@dataclass(eq=False)
class Found:
    """What a search found. value: inf when no plan is at or under the cutoff.

    plans: (plan, variable) all that tie with the best. bound: no plan of the supports is below it
    (the cutoff itself when none was found and the search is complete). complete: whether the bound
    meets the value.
    """

    value: float
    plans: Int
    bound: float
    complete: bool
