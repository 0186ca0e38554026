"""What people get wrong in a log: the kinds, their prior odds, and one mistake as a value.

Prior shares are common practice (no source): what a mistake is assumed to be when it is one. How
each kind changes moves or readings lives in `wrong_moves` and `wrong_readings`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "KINDS_OF_MOVES",
    "KINDS_OF_READINGS",
    "SHARES",
    "UNEXPLAINED",
    "UNEXPLAINED_PRIOR",
    "WRONG_PAIR",
    "WRONG_RUN",
    "Mistake",
]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

WRONG_PAIR = 0.03  # of the pairs have something wrong with their moves
WRONG_RUN = 0.015  # of the runs have something wrong with their readings
SHARES = {  # of a wrong pair, of a wrong run
    "neighbouring blade": 0.34, "other blade": 0.10, "sign": 0.20, "not made": 0.10,
    "not recorded": 0.08, "other adjuster": 0.08, "amount": 0.06, "blade order": 0.04,
    "clock one hour": 0.40, "clock six hours": 0.20, "lead for lag": 0.15,
    "sensors swapped": 0.15, "regimes swapped": 0.10,
}  # fmt: skip
KINDS_OF_MOVES = tuple(SHARES)[:8]
KINDS_OF_READINGS = tuple(SHARES)[8:]
UNEXPLAINED = "unexplained"
UNEXPLAINED_PRIOR = 0.004  # of the pairs change by what nothing here explains


@dataclass(frozen=True, eq=False)
class Mistake:
    """What would have been entered rightly.

    run: position in the segment of the run concerned (for moves: the run that they led to).
    steps: first and last position of the runs whose pairs it bears on. change: (blade, adjuster),
    moves really made less those entered; guessed: their size is an estimate. readings: (channel,),
    what was really read, where `otherwise`; follows: (channel,), made of other sensors' readings.
    Neither: nobody can say what was meant.
    """

    kind: str
    text: str
    run: int
    steps: tuple[int, int]
    change: Real | None = None
    guessed: bool = False
    readings: Array | None = None
    otherwise: npt.NDArray[np.bool_] | None = None
    follows: npt.NDArray[np.bool_] | None = None
