"""Plans that do the same to everything with a limit, by moving opposite blades instead."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice, product

import numpy as np
import numpy.typing as npt

from adapt.planning.problem.forms import Forms
from adapt.planning.problem.values import Problem
from adapt.planning.search.merged import Merged

__all__ = ["alike"]

Int = npt.NDArray[np.int64]

_MOST = 256


def alike(problem: Problem, forms: Forms, plan: Int) -> list[Int]:
    """Return plans (variable,) that do what a plan does, itself among them; 256 at most.

    They may break bounds: sums over blades and ranges are not asked here. forms: of the ratios.
    """
    hardware = problem.hardware
    # Without sums, because `Merged` leaves alone what they bind.
    merged = Merged.of(replace(hardware, rows=hardware.rows[:0]), forms)
    ends = zip(merged.first, merged.second, strict=True)
    ways = []
    for v, z in sorted({(int(v), int(z)) for v, z in ends if z >= 0}):
        if (plan[v] != 0) != (plan[z] != 0):
            x = plan[v] - plan[z]
            ways.append([(v, x, z, 0), (v, 0, z, -x)])
    found = []
    for way in islice(product(*ways), _MOST):
        other = plan.copy()
        for v, x, z, y in way:
            other[v], other[z] = x, y
        found.append(other)
    return found
