"""What the run after a plan would teach, and the plan that teaches more among nearly equal ones.

The covariance of coefficients after one more pair does not depend on what is read, so what a plan
teaches is known before the flight (as in `adapt.level`, whose update is used here).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from adapt.planning.case import Case
from adapt.planning.job.next_run import after_next_run
from adapt.planning.job.scope import limited
from adapt.planning.job.standing import Standing
from adapt.planning.plan import Lesson
from adapt.rotor.usual import usual_amounts

__all__ = ["lessons", "most_teaching"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]


def lessons(case: Case, amounts: Real) -> tuple[Lesson, ...]:
    """Return what moves (blade, adjuster) and the run after them would teach, by adjuster."""
    before = _doubts(case, case.standing)
    after = _doubts(case, after_next_run(case.rotor, case.coefficients, case.standing, amounts))
    return tuple(
        Lesson(name, math.sqrt(b), math.sqrt(a))
        for name, b, a in zip(case.rotor.adjuster_names, before, after, strict=True)
        if b > 0.0
    )


def most_teaching(case: Case, plans: list[Int]) -> Int:
    """Return which of some plans (variable,) leaves the least doubt of usual moves."""
    left = [_left(case, plan) for plan in plans]
    return plans[int(np.argmin(left))]


def _left(case: Case, plan: Int) -> float:
    after = after_next_run(
        case.rotor, case.coefficients, case.standing, case.hardware.amounts(plan)
    )
    return float(_doubts(case, after).sum())


def _doubts(case: Case, standing: Standing) -> Real:
    """Return the mean variance of a usual move's effect over all limits squared, (adjuster,)."""
    rotor = case.rotor
    usual = usual_amounts(rotor)
    held = limited(rotor, case.standing, case.scope)
    total = np.zeros(len(usual))
    vibration_var = np.einsum("jaa->ja", np.nan_to_num(standing.vibration.cov)).real / 2.0
    track = standing.track
    track_var = np.zeros((len(rotor.regimes), len(usual)))
    if track is not None:
        track_var = np.einsum("gaa->ga", np.nan_to_num(track.cov)).real
    for key, limit in zip(held.keys, held.limit, strict=True):
        if key.sensor is None:
            var = track_var[rotor.regime_names.index(key.regime)]
        else:
            var = vibration_var[rotor.channels.index((key.sensor, key.regime))]
        total += var * (usual / limit) ** 2
    return total / max(len(held.keys), 1)
