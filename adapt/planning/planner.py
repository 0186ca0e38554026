"""The planner's one verb: from where a job stands to a plan with proof, chance and trade-off."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from adapt.coefficients import Coefficients, require_design
from adapt.coefficients.reviewed import require_reviews
from adapt.log import History, Log, check
from adapt.planning.answer.by_hand import by_hand as hold_beside
from adapt.planning.answer.chances_of import WANTED, chances_of
from adapt.planning.answer.making import Made, as_plan, make
from adapt.planning.answer.relaxing import relaxations
from adapt.planning.answer.stages import next_stage
from adapt.planning.asked import AIMS, asked_for
from adapt.planning.case import case_of
from adapt.planning.job.hardware import fitted_now
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import Move, Plan
from adapt.planning.rules.reading import Rule
from adapt.planning.search.job_search import ready
from adapt.rotor import Rotor

__all__ = ["AIMS", "plan"]

SECONDS = 20.0
_BESIDE = 0.25  # of the time for the plan: what is said beside it may take as long again, at most


def plan(
    rotor: Rotor,
    coefficients: Coefficients,
    log: Log | History | str,
    job: str,
    aim: str = "fewest",
    chance: float = 0.9,
    most_moves: int | None = None,
    limits: str | None = None,
    hedge: bool = True,
    regimes: Collection[str] | None = None,
    locked_blades: Collection[str] = (),
    locked_adjusters: Collection[str] = (),
    seconds: float = SECONDS,
    *,
    locked: Collection[tuple[str, str]] = (),
    caps: Mapping[str, float] | None = None,
    largest_moves: Mapping[str, float] | None = None,
    most_minutes: float | None = None,
    run_minutes: float | None = None,
    weights: Mapping[str, float] | None = None,
    only_inside: Collection[str] = (),
    by_hand: Iterable[Move | Sequence[object]] = (),
    track_first: bool = False,
    prefer_teaching: bool = False,
    explain: bool = True,
    constraints: Rule | None = None,
) -> Plan:
    """Return the correction for a job that is best by the aim, with what it is expected to do.

    aim: "fewest" moves or "quickest" [min] that reach the target (a `chance` that the next run is
    inside every limit; with chance 0 a predicted worst ratio of at most 1), "smoothest" (lowest
    worst ratio) or "likeliest" (highest chance) with at most `most_moves` (6 when None; None is no
    cap for fewest and quickest) and `most_minutes` [min].
    run_minutes: what another run costs [min]; quickest then makes its own labour plus that of
    another run, where the chance does not do, small, instead of reaching the target.
    limits: a named set of limits. regimes: plan for these alone. weights: by regime, how often its
    ratios count in the worst ratio (smoothest). only_inside: sensors, or "track", that must be
    inside but do not count in the worst ratio. hedge: whether what is not known of the effects
    counts in the predicted ratio.
    locked_blades, locked_adjusters, locked (blade, adjuster): not to be touched. caps: by adjuster,
    the most that a blade may carry, in either sense; largest_moves: by adjuster [its unit].
    by_hand: moves to hold beside the plan, (blade, adjuster, amount) each; they may break bounds.
    track_first: reach the track limits alone, with what moves the track, and say what balancing is
    then expected to need. prefer_teaching: of plans that are nearly equal, the one that teaches
    most. explain: whether to say why a chance is poor, and what would open a way.
    constraints: rules of your own, a function of the amounts moved, adjuster -> blade -> cvxpy
    expression (and of those fitted then, where it takes two arguments), that gives cvxpy
    constraints, a convex penalty added to the worst ratio, or a pair of both.
    seconds: time after which the best plan so far is returned with `proven` false; what is said
    beside the plan may take a quarter as long again.

    The plan starts from the job's last run. When nothing reaches the target, `feasible` is false
    and the plan is the smoothest (likeliest where a chance was asked for and 1 in 100 is reached).

    Raises BadInput for a request or a log that cannot be used, for coefficients of another rotor
    design or taught by entries that a review has changed since, CannotBeMet when the job has
    moves or an event after its last run, or when nothing keeps your own constraints.
    """
    require_design(coefficients, rotor)
    history = log if isinstance(log, History) else check(rotor, log)
    require_reviews(coefficients, history)
    asked = asked_for(
        rotor,
        aim=aim,
        chance=chance,
        most_moves=most_moves,
        most_minutes=most_minutes,
        run_minutes=run_minutes,
        limits=limits,
        hedge=hedge,
        regimes=regimes,
        weights=weights,
        only_inside=only_inside,
        locked_blades=locked_blades,
        locked_adjusters=locked_adjusters,
        locked=locked,
        caps=caps,
        largest_moves=largest_moves,
        by_hand=by_hand,
        track_first=track_first,
        prefer_teaching=prefer_teaching,
    )
    ready()
    begun = time.monotonic()
    standing = standing_of(rotor, coefficients, history, job)
    fitted = fitted_now(rotor, history, job)
    case = case_of(rotor, coefficients, standing, fitted, asked, constraints)
    made = make(case, asked, begun, seconds)
    found = as_plan(made, history)
    until = time.monotonic() + _BESIDE * seconds
    if asked.by_hand:
        found = replace(found, by_hand=hold_beside(made.case, asked.by_hand))
    if explain and (case.rules is None or case.rules.are_bounds):
        found = _explained(found, made, until)
    if track_first:
        amounts = made.case.hardware.amounts(made.steps)
        found = replace(found, next_stage=next_stage(made.case, asked, amounts, until))
    return replace(found, seconds=time.monotonic() - begun)


def _explained(found: Plan, made: Made, until: float) -> Plan:
    """Return the plan with why its chance is poor, and what would open a way to the limits."""
    asked, case = made.asked, made.case
    wanted = asked.chance if found.chance_asked else WANTED
    now = time.monotonic()
    if not found.feasible:
        ladder = [answer.steps for answer in made.search.tradeoff()]
        plans = [made.steps, *(steps for steps in ladder if steps is not None)]
        found = replace(
            found,
            relaxations=tuple(relaxations(case, asked, plans, now + 0.5 * (until - now))),
        )
    if found.chance < wanted - 1e-9:
        known = found.proven if made.search.by_chance else None
        found = replace(found, chances=chances_of(case, asked, made.steps, known, until))
    return found
