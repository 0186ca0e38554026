"""Why a chance is poor: what it could be if one thing were otherwise.

Each time the likeliest plan is searched anew, for a plan would be another one then. What remains
when nothing is left to correct and every effect is known is the noise of one run.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.planning.aims import Answer, descend
from adapt.planning.asked import MOST_MOVES, Asked
from adapt.planning.case import Case
from adapt.planning.chance import amplitude_chance, spread_chance
from adapt.planning.next_run import after_next_run
from adapt.planning.objectives import ChancePenalty
from adapt.planning.plan import Chances
from adapt.planning.problem import Problem
from adapt.rotor import Adjuster, Rotor

__all__ = ["WANTED", "chances_of"]

Int = npt.NDArray[np.int64]

WANTED = 0.9  # where no chance was asked for
_FINER = 4
_WIDER = 3.0  # times the fitted range, to either side
_FELT = 0.02  # what a change must bring, at least


def chances_of(case: Case, asked: Asked, steps: Int, answer: Answer, deadline: float) -> Chances:
    """Return what the chance of the next run could be.

    steps: the plan. answer: of the likeliest search where that was made. deadline: by
    time.monotonic(), for all searches together.
    """
    cap = _cap(case, asked)
    wanted = asked.chance if asked.staged and asked.chance > 0.0 else WANTED
    problem = case.problem
    begun = time.monotonic()
    each = max(deadline - begun, 0.0) / 5.0
    proven = True
    now = float(problem.chances(steps))
    if asked.by_chance:
        proven = answer.proven
    else:
        now, proven = _likeliest(problem, cap, asked, begun + each, steps)
    perfect = _perfect(problem)
    rest = np.zeros_like(case.fitted.amounts)
    after = after_next_run(case.rotor, case.coefficients, case.standing, rest)
    others: dict[str, tuple[Problem, Int | None]] = {
        "known": (_all_known(problem), steps),
        "repeated": (case.standing_at(after, case.fitted, case.scope).problem, steps),
        "finer": (case.within(_finer(case.bounds)).problem, None),
        "wider": (case.within(_wider(case.bounds)).problem, None),
    }
    found = {}
    for number, (name, (other, start)) in enumerate(others.items(), start=2):
        chance, done = _likeliest(other, cap, asked, begun + number * each, start)
        found[name] = max(chance, now) if name != "repeated" else chance
        proven = proven and done
    return Chances(
        plan=now,
        perfect=perfect,
        known=found["known"],
        repeated=found["repeated"],
        finer=found["finer"],
        wider=found["wider"],
        main=_main(now, perfect, found, wanted),
        proven=proven,
    )


def _main(now: float, perfect: float, found: dict[str, float], wanted: float) -> str:
    """Return what would help most, or that it is noise."""
    if perfect < wanted:
        return "noise"
    name = max(found, key=lambda key: found[key])
    return name if found[name] >= now + max(_FELT, 0.1 * (wanted - now)) else ""


def _likeliest(
    problem: Problem, cap: int, asked: Asked, deadline: float, start: Int | None
) -> tuple[float, bool]:
    """Return the highest chance of any plan within the caps, and whether that is proven."""
    penalty = ChancePenalty(problem)
    known = None if start is None else start[None]
    answer = descend(
        penalty, cap, deadline, every=False, start=known, most_minutes=asked.most_minutes
    )[-1]
    value = answer.value
    if start is not None:
        value = min(value, float(penalty.value(known, np.inf)[0]))  # type: ignore[arg-type]
    return math.exp(-value), answer.proven


def _cap(case: Case, asked: Asked) -> int:
    most = MOST_MOVES if asked.most_moves is None else asked.most_moves
    return min(most, len(case.hardware.step))


def _perfect(problem: Problem) -> float:
    """Return the chance of a run with no mean left and nothing unknown but a run's own noise."""
    v, t = problem.vibration, problem.track
    chance = float(amplitude_chance(np.zeros(len(v.keys)), v.noise_var, 1.0).prod())
    if len(t.keys):
        blades = t.heights.shape[1]
        own = np.repeat(t.noise_var[:, None], blades, axis=1)
        none = np.zeros((len(t.keys), blades))
        chance *= float(spread_chance(none, own, np.ones(len(t.keys))).prod())
    return chance


def _all_known(problem: Problem) -> Problem:
    """Return the problem in which every effect is exactly what is expected of it."""
    v, t = problem.vibration, problem.track
    return replace(
        problem,
        vibration=replace(
            v, doubt=np.zeros_like(v.doubt), level_doubt=np.zeros_like(v.level_doubt)
        ),
        track=replace(t, doubt=np.zeros_like(t.doubt), level_doubt=np.zeros_like(t.level_doubt)),
    )


def _finer(bounds: Rotor) -> Rotor:
    adjusters = tuple(replace(a, step=a.step / _FINER) for a in bounds.adjusters)
    return replace(bounds, adjusters=adjusters)


def _wider(bounds: Rotor) -> Rotor:
    return replace(bounds, adjusters=tuple(_free(a) for a in bounds.adjusters), shared_ranges=())


def _free(adjuster: Adjuster) -> Adjuster:
    low, high = adjuster.fitted_range
    more = _WIDER * max(high - low, adjuster.step)
    return replace(
        adjuster,
        fitted_range=(low - more, high + more),
        largest_move=None,
        sum_range=None,
        blades=None,
    )
