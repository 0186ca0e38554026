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

from adapt.planning.asked import Asked
from adapt.planning.case import Case
from adapt.planning.job.next_run import after_next_run
from adapt.planning.plan import Chances
from adapt.planning.problem.chance import amplitude_chance, spread_chance
from adapt.planning.problem.values import Problem
from adapt.planning.search.aims import descend
from adapt.planning.search.objectives import ChancePenalty
from adapt.planning.searching import LEAST_CHANCE
from adapt.rotor import Adjuster, Rotor

__all__ = ["WANTED", "chances_of"]

Int = npt.NDArray[np.int64]

WANTED = 0.9  # where no chance was asked for
_FINER = 4
_WIDER = 3.0  # times the fitted range, to either side
_FELT = 0.02  # what a change must bring, at least
_MORE = 1.005  # times the chance that is had anyhow: less is not sought


def chances_of(
    case: Case, asked: Asked, steps: Int, proven: bool | None, deadline: float
) -> Chances:
    """Return what the chance of the next run could be.

    steps: the plan. proven: whether it is known to be the likeliest, None when it was not made to
    be. deadline: by time.monotonic(), for all searches together. Chances below LEAST_CHANCE, and
    half a hundredth of a chance, are not told apart.
    """
    wanted = asked.chance if asked.staged and asked.chance > 0.0 else WANTED
    problem = case.problem
    begun = time.monotonic()
    each = max(deadline - begun, 0.0) / 5.0
    now = float(problem.chances(steps))
    if proven is None:
        now, proven = _likeliest(problem, asked, begun + each, now, steps)
    perfect = _perfect(problem)
    rest = np.zeros_like(case.fitted.amounts)
    after = after_next_run(case.rotor, case.coefficients, case.standing, rest)
    others: dict[str, tuple[Problem, Int | None]] = {
        "known": (_all_known(problem), steps),
        "repeated": (case.standing_at(after, case.fitted, case.scope).problem, steps),
        "finer": (case.within(_finer(case.bounds)).problem, None),
        "wider": (case.within(_wider(case)).problem, None),
    }
    found = {}
    for number, (name, (other, start)) in enumerate(others.items(), start=2):
        floor = 0.0 if name == "repeated" else now  # what helps cannot do worse
        until = begun + number * each
        found[name], done = _likeliest(other, asked, until, floor, start)
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
    problem: Problem, asked: Asked, deadline: float, floor: float, start: Int | None
) -> tuple[float, bool]:
    """Return the highest chance of any plan within the caps, and whether that is proven.

    floor: a chance that is had anyhow. start: a plan (variable,) known to be good.
    """
    penalty = ChancePenalty(problem)
    known = None
    if start is not None:
        known = start[None]
        floor = max(floor, math.exp(-float(penalty.value(known, np.inf)[0])))
    answer = descend(
        penalty,
        min(asked.cap, len(problem.hardware.step)),
        deadline,
        every=False,
        start=known,
        most_minutes=asked.most_minutes,
        ceiling=-math.log(min(max(_MORE * floor, LEAST_CHANCE), 1.0)),
    )[-1]
    return max(math.exp(-answer.value), floor), answer.proven


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


def _wider(case: Case) -> Rotor:
    """Return bounds that hold nothing back but what cannot be planned with at all."""
    usable = set(case.hardware.adjuster.tolist())
    adjusters = [_free(a) if k in usable else a for k, a in enumerate(case.bounds.adjusters)]
    return replace(case.bounds, adjusters=tuple(adjusters), shared_ranges=())


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
