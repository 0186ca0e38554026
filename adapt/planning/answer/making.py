"""From a case and its searches to the plan as people get it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.log import History
from adapt.planning.answer.forecast import forecast_readings, forecast_track
from adapt.planning.answer.lessons import lessons, most_teaching
from adapt.planning.answer.moves import labour, moves_of_steps
from adapt.planning.answer.notes import assumptions, later_runs, reviewed
from adapt.planning.answer.savings import savings
from adapt.planning.asked import INSIDE, Asked
from adapt.planning.case import Case
from adapt.planning.plan import Alternative, ChannelKey, Plan, Tradeoff
from adapt.planning.search.aims import Answer
from adapt.planning.searching import Search
from adapt.problems import CannotBeMet

__all__ = ["Made", "as_plan", "make"]

Int = npt.NDArray[np.int64]

_NOTHING_MOVES = (
    "nothing can be moved: every adjuster is locked, at the ends of its range, or of an effect "
    "that is not known on what is planned for"
)


@dataclass(frozen=True, eq=False)
class Made:
    """A case with what was found for it. steps: (variable,) of the plan; notes: on how."""

    case: Case
    asked: Asked
    search: Search
    answer: Answer
    feasible: bool
    steps: Int
    others: tuple[Int, ...]
    notes: tuple[str, ...] = ()


def make(case: Case, asked: Asked, begun: float, seconds: float) -> Made:
    """Return the best plan of a case within the time."""
    search = Search(case.problem, asked, begun, seconds, case.rules)
    answer, feasible = search.answer()
    if answer.steps is None:
        # What only must be inside cannot be: the nearest plan counts it like everything else.
        case = replace(case, problem=case.problem.counting_all())
        asked = asked.smoothest()
        search = Search(case.problem, asked, begun, seconds, case.rules)
        answer, feasible = search.answer()[0], False
    steps = answer.steps
    if steps is None and case.rules is not None:
        raise CannotBeMet(
            "no plan within what the hardware and the caps allow keeps your own constraints"
            + ("" if answer.proven else ", as far as the time given goes")
        )
    if steps is None:
        steps = np.zeros(len(case.hardware.step), np.int64)
    others = search.alternatives(answer, feasible)
    made = Made(case, asked, search, answer, feasible, steps, tuple(others))
    return _teaching_more(made) if asked.teaching and others else made


def _teaching_more(made: Made) -> Made:
    """Return the plan that teaches most among the best and those of nearly the same worth."""
    best, search = made.steps, made.search
    moves = int((best != 0).sum())
    same = [plan for plan in made.others if int((plan != 0).sum()) <= moves]
    chosen = most_teaching(made.case, [best, *same])
    if chosen is best:
        return made
    value = float(search.objective.value(chosen[None], np.inf)[0])
    gap = search.objective.gap(value)
    answer = replace(
        made.answer,
        steps=chosen,
        value=value,
        proven=made.answer.proven and value - made.answer.value_bound <= gap,
    )
    others = (best, *(plan for plan in made.others if plan is not chosen))
    note = (
        "chosen among plans of nearly the same worth because its next run teaches most; the best "
        "by the aim alone stands first among the other plans"
    )
    return replace(made, answer=answer, steps=chosen, others=others, notes=(note,))


def as_plan(made: Made, history: History) -> Plan:
    """Return what was found as the plan that people and scripts get."""
    case, asked, answer, steps = made.case, made.asked, made.answer, made.steps
    problem, hardware, standing = case.problem, case.hardware, case.standing
    rotor, limits = case.rotor, case.scope.limit_set
    amounts = hardware.amounts(steps)
    targeted = asked.staged and asked.run_minutes is None
    return Plan(
        rotor=standing.rotor,
        design=rotor.name,
        job=standing.job,
        after_run=standing.after_run,
        aim=asked.aim,
        limit_set=limits,
        chance_asked=asked.chance if targeted else None,
        most_moves=asked.most_moves,
        most_minutes=asked.most_minutes,
        run_minutes=asked.run_minutes,
        expected_minutes=answer.cost if asked.run_minutes is not None else None,
        track_alone=asked.track_first,
        hedged=asked.hedge,
        feasible=made.feasible,
        stopped_by=() if made.feasible else _stopping(made),
        not_constrained=case.never_read,
        worst_ratio=float(problem.worst_ratio(steps)),
        weighted_ratio=float(problem.weighted_ratio(steps)) if asked.scope.weights else None,
        penalty=None if case.rules is None else case.rules.penalty_at(steps),
        lower_bound=made.search.lower_bound(answer, made.feasible),
        second_bound=made.search.second_bound(answer, made.feasible),
        proven=answer.proven,
        chance=float(problem.chances(steps)),
        joint_chance=problem.joint_chance(steps),
        minutes=labour(hardware, steps),
        moves=moves_of_steps(rotor, hardware, steps),
        readings=forecast_readings(rotor, case.coefficients, standing, problem, steps, limits),
        track=forecast_track(rotor, case.coefficients, standing, problem, steps, limits),
        tradeoff=tuple(_tradeoff(made, k, a) for k, a in enumerate(made.search.tradeoff())),
        alternatives=tuple(
            Alternative(
                moves=moves_of_steps(rotor, hardware, other),
                worst_ratio=float(problem.worst_ratio(other)),
                chance=float(problem.chances(other)),
                minutes=labour(hardware, other),
            )
            for other in made.others
        ),
        conditions=standing.conditions,
        notes=(
            *made.notes,
            *(() if len(hardware.step) else (_NOTHING_MOVES,)),
            *later_runs(history, standing),
            *reviewed(history, standing.job),
            *case.notes,
            *assumptions(rotor, hardware, standing, steps),
        ),
        lessons=lessons(case, amounts) if asked.teaching else (),
        savings=savings(case, amounts),
    )


def _stopping(made: Made) -> tuple[ChannelKey, ...]:
    """Name the limits that stand in the way: over their limit, else those with the least chance."""
    problem, steps = made.case.problem, made.steps
    keys = (*problem.vibration.keys, *problem.track.keys)
    ratios = np.concatenate(problem.ratios(steps))
    over = ratios > INSIDE
    if not over.any():
        chances = np.concatenate([problem.amplitude_chances(steps), problem.spread_chances(steps)])
        over = chances < max(made.asked.chance, float(chances.min()) + 1e-12)
    return tuple(key for key, out in zip(keys, over, strict=True) if out)


def _tradeoff(made: Made, moves: int, answer: Answer) -> Tradeoff:
    if answer.steps is None:
        return Tradeoff(moves, math.inf, 0.0, answer.proven, ())
    problem = made.case.problem
    return Tradeoff(
        moves=moves,
        worst_ratio=float(problem.worst_ratio(answer.steps)),
        chance=float(problem.chances(answer.steps)),
        proven=answer.proven,
        plan=moves_of_steps(made.case.rotor, made.case.hardware, answer.steps),
    )
