"""The planner's one verb: from where a job stands to a plan with proof, chance and trade-off."""

from __future__ import annotations

import math
import time
from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, require_design
from adapt.coefficients.reviewed import require_reviews
from adapt.log import History, Log, check
from adapt.planning.aims import Answer, climb, descend, ladder_of_minutes, ladder_of_moves
from adapt.planning.alternatives import alternatives
from adapt.planning.forecast import forecast_readings, forecast_track
from adapt.planning.hardware import Hardware, hardware_of
from adapt.planning.job_search import ready
from adapt.planning.known import leave_out_unknown
from adapt.planning.objectives import ChancePenalty, WorstRatio
from adapt.planning.plan import Alternative, ChannelKey, Move, Plan, Tradeoff
from adapt.planning.problem import Problem, build_problem
from adapt.planning.standing import Standing, standing_of
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["AIMS", "plan"]

Int = npt.NDArray[np.int64]

AIMS = ("fewest", "smoothest", "quickest", "likeliest")
MOST_MOVES = 6
INSIDE = 1.0 + 1e-9
SECONDS = 20.0


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
) -> Plan:
    """Return the correction for a job that is best by the aim, with what it is expected to do.

    aim: "fewest" moves or "quickest" [min] that reach the target (a `chance` that the next run is
    inside every limit; with chance 0 a predicted worst ratio of at most 1), "smoothest" (lowest
    worst ratio) or "likeliest" (highest chance) with at most `most_moves` (6 when None; None is no
    cap for fewest and quickest). limits: a named set of limits. hedge: whether what is not known
    of the effects counts in the predicted ratio. regimes: plan for these alone. locked_blades,
    locked_adjusters: not to be touched. seconds: time after which the best plan so far is returned
    with `proven` false.

    The plan starts from the job's last run. When nothing reaches the target, `feasible` is false
    and the plan is the smoothest (likeliest where a chance was asked for).

    Raises BadInput for a request or a log that cannot be used, for coefficients of another rotor
    design or taught by entries that a review has changed since, CannotBeMet when the job has
    moves or an event after its last run.
    """
    require_design(coefficients, rotor)
    history = log if isinstance(log, History) else check(rotor, log)
    require_reviews(coefficients, history)
    asked = _asked(rotor, aim, chance, most_moves, limits, regimes, locked_blades, locked_adjusters)
    ready()
    begun = time.monotonic()
    standing = standing_of(rotor, coefficients, history, job)
    hardware = hardware_of(rotor, history, job, locked_blades, locked_adjusters)
    hardware, left_out = leave_out_unknown(rotor, coefficients, standing, hardware, limits, regimes)
    problem, never_read = build_problem(
        rotor, coefficients, standing, hardware, limits, regimes, hedge
    )
    if aim == "quickest" and np.isnan(hardware.minutes).any():
        lacking = {rotor.adjusters[a].name for a in hardware.adjuster[np.isnan(hardware.minutes)]}
        raise BadInput(
            f"quickest needs minutes for every adjuster that can move: give them in the rotor file "
            f"for {', '.join(sorted(lacking))}, or lock it"
        )
    search = _Search(problem, asked, begun, seconds)
    answer, feasible = search.answer()
    if answer.steps is None:
        # What only must be inside cannot be: the nearest plan counts it like everything else.
        problem = problem.counting_all()
        search = _Search(problem, replace(asked, aim="smoothest"), begun, seconds)
        answer, feasible = search.answer()[0], False
    steps = answer.steps if answer.steps is not None else np.zeros(len(hardware.step), np.int64)
    ladder = search.tradeoff()
    return Plan(
        rotor=standing.rotor,
        design=rotor.name,
        job=job,
        after_run=standing.after_run,
        aim=aim,
        limit_set=limits,
        chance_asked=asked.chance if aim in ("fewest", "quickest") else None,
        most_moves=most_moves,
        hedged=hedge,
        feasible=feasible,
        stopped_by=() if feasible else _stopping(problem, steps, asked),
        not_constrained=never_read,
        worst_ratio=float(problem.worst_ratio(steps)),
        lower_bound=search.lower_bound(answer, feasible),
        second_bound=search.second_bound(answer, feasible),
        proven=answer.proven,
        chance=float(problem.chances(steps)),
        joint_chance=problem.joint_chance(steps),
        minutes=_minutes(hardware, steps),
        moves=_moves(rotor, hardware, steps),
        readings=forecast_readings(rotor, coefficients, standing, problem, steps, limits),
        track=forecast_track(rotor, coefficients, standing, problem, steps, limits),
        tradeoff=tuple(_tradeoff(rotor, problem, k, a) for k, a in enumerate(ladder)),
        alternatives=tuple(
            Alternative(
                moves=_moves(rotor, hardware, other),
                worst_ratio=float(problem.worst_ratio(other)),
                chance=float(problem.chances(other)),
                minutes=_minutes(hardware, other),
            )
            for other in search.alternatives(answer, feasible)
        ),
        conditions=standing.conditions,
        notes=(
            *_later_runs(history, standing),
            *_reviewed(history, job),
            *hardware.notes,
            *left_out,
            *_assumptions(rotor, hardware, standing, steps),
        ),
        seconds=time.monotonic() - begun,
    )


@dataclass(frozen=True)
class _Asked:
    aim: str
    chance: float
    most_moves: int | None

    @property
    def by_chance(self) -> bool:
        return self.aim == "likeliest" or (self.aim in ("fewest", "quickest") and self.chance > 0.0)

    @property
    def target(self) -> float:
        """Return the largest objective value that reaches the target of fewest and quickest."""
        return -math.log(self.chance) + 1e-12 if self.by_chance else INSIDE


def _asked(
    rotor: Rotor,
    aim: str,
    chance: float,
    most_moves: int | None,
    limits: str | None,
    regimes: Collection[str] | None,
    locked_blades: Collection[str],
    locked_adjusters: Collection[str],
) -> _Asked:
    """Return the request; raise one BadInput that names everything wrong with it."""
    wrong = []
    if aim not in AIMS:
        wrong.append(f"aim {aim!r}: expected one of {', '.join(AIMS)}")
    if not 0.0 <= chance < 1.0:
        wrong.append(f"chance {chance:g}: expected 0, or between 0 and 1 (0.9 = 9 in 10)")
    if most_moves is not None and most_moves < 0:
        wrong.append(f"most moves {most_moves}: expected 0 or more")
    if limits is not None and limits not in rotor.limit_sets():
        known = ", ".join(rotor.limit_sets()) or "none"
        wrong.append(f"limit set {limits!r}: the rotor file has {known}")
    for what, names, known_names in (
        ("regime", regimes or (), rotor.regime_names),
        ("blade", locked_blades, rotor.blades),
        ("adjuster", locked_adjusters, rotor.adjuster_names),
    ):
        wrong += [
            f"{what} {name!r}: the rotor file has {', '.join(known_names)}"
            for name in names
            if name not in known_names
        ]
    if wrong:
        raise BadInput("; ".join(wrong))
    return _Asked(aim, chance, most_moves)


class _Search:
    """One request's searches, within one time budget: half for the aim, the rest beside it."""

    def __init__(self, problem: Problem, asked: _Asked, begun: float, seconds: float) -> None:
        self._problem, self._asked = problem, asked
        self._begun, self._seconds = begun, seconds
        self._ratio, self._chance = WorstRatio(problem), ChancePenalty(problem)
        self._ladder: list[Answer] | None = None

    def _until(self, share: float) -> float:
        return self._begun + share * self._seconds

    @property
    def _cap(self) -> int:
        most = self._asked.most_moves
        return min(MOST_MOVES if most is None else most, len(self._problem.hardware.step))

    def answer(self) -> tuple[Answer, bool]:
        """Return the aim's answer (or its fallback), and whether it reaches the limits."""
        asked = self._asked
        self.tradeoff()
        if asked.aim in ("fewest", "quickest"):
            ladder = ladder_of_moves if asked.aim == "fewest" else ladder_of_minutes
            objective = self._chance if asked.by_chance else self._ratio
            rungs = ladder(self._problem.hardware, asked.most_moves)
            answer = climb(objective, rungs, asked.target, self._until(0.6))
            if answer.steps is not None:
                return answer, True
            fallback = self._likeliest() if asked.by_chance else self._smoothest()
            return _with_proof(fallback, answer.proven and fallback.proven), False
        answer = self._likeliest() if asked.aim == "likeliest" else self._smoothest()
        if answer.steps is None:
            return answer, False
        inside = float(self._problem.worst_ratio(answer.steps)) <= INSIDE
        return answer, inside and float(self._problem.outside(answer.steps)) <= INSIDE

    def _smoothest(self) -> Answer:
        return self.tradeoff()[-1]

    def _likeliest(self) -> Answer:
        smooth = [other.steps for other in self.tradeoff() if other.steps is not None]
        start = np.array(smooth) if smooth else None
        until = self._until(0.9)
        answer = descend(self._chance, self._cap, until, every=False, start=start)[-1]
        if answer.proven or start is None:
            return answer
        # Time ended first: a smooth plan may be likelier than what the search came to.
        values = self._chance.value(start, np.inf)
        best = int(values.argmin())
        if answer.steps is None or values[best] < answer.value:
            value, steps = float(values[best]), start[best]
            moves = float((steps != 0).sum())
            answer = Answer(steps, moves, 0.0, value, min(answer.value_bound, value), False)
        return answer

    def tradeoff(self) -> list[Answer]:
        """Return the smoothest plans with at most 0, 1, ... moves.

        Quick where a chance is searched for, which needs most of the time and starts from them.
        """
        if self._ladder is None:
            until = self._until(0.3 if self._asked.by_chance else 0.9)
            self._ladder = descend(self._ratio, self._cap, until)
        return self._ladder

    def lower_bound(self, answer: Answer, feasible: bool) -> float:
        """Return what is proven of the aim's first stage."""
        if self._asked.aim in ("fewest", "quickest") and feasible:
            return answer.cost_bound
        return self._bound_of(answer, by_chance=self._asked.by_chance)

    def second_bound(self, answer: Answer, feasible: bool) -> float | None:
        """Return what is proven of the second stage of fewest and quickest."""
        if self._asked.aim in ("fewest", "quickest") and feasible:
            return self._bound_of(answer, by_chance=self._asked.by_chance)
        return None

    def _bound_of(self, answer: Answer, by_chance: bool) -> float:
        return math.exp(-answer.value_bound) if by_chance else answer.value_bound

    def alternatives(self, answer: Answer, feasible: bool) -> list[Int]:
        """Return plans of nearly the same worth that move other hardware."""
        if answer.steps is None or not answer.steps.any():
            return []
        objective = self._chance if self._asked.by_chance else self._ratio
        margin = 0.05 if self._asked.by_chance else 0.1 * answer.value
        ceiling = answer.value + margin
        if self._asked.aim in ("fewest", "quickest") and feasible:
            ceiling = min(ceiling, self._asked.target)
        return alternatives(objective, answer.steps, ceiling, self._until(1.0))


def _with_proof(answer: Answer, proven: bool) -> Answer:
    return Answer(
        answer.steps, answer.cost, answer.cost_bound, answer.value, answer.value_bound, proven
    )


def _stopping(problem: Problem, steps: Int, asked: _Asked) -> tuple[ChannelKey, ...]:
    """Name the limits that stand in the way: over their limit, else those with the least chance."""
    keys = (*problem.vibration.keys, *problem.track.keys)
    ratios = np.concatenate(problem.ratios(steps))
    over = ratios > INSIDE
    if not over.any():
        chances = np.concatenate([problem.amplitude_chances(steps), problem.spread_chances(steps)])
        over = chances < max(asked.chance, float(chances.min()) + 1e-12)
    return tuple(key for key, out in zip(keys, over, strict=True) if out)


def _moves(rotor: Rotor, hardware: Hardware, steps: Int) -> tuple[Move, ...]:
    """Moves in the order of the work: adjusters in file order, blades in passing order."""
    return tuple(
        Move(
            rotor.blades[hardware.blade[v]],
            rotor.adjuster_names[hardware.adjuster[v]],
            _clean(steps[v] * hardware.step[v]),
        )
        for v in np.flatnonzero(steps)
    )


def _clean(amount: float) -> float:
    """Return an amount without the last digits that multiplying leaves (0.3, not 0.30...04)."""
    return float(f"{amount:.12g}")


def _minutes(hardware: Hardware, steps: Int) -> float | None:
    minutes = hardware.plan_minutes(steps)
    return None if math.isnan(minutes) else minutes


def _tradeoff(rotor: Rotor, problem: Problem, moves: int, answer: Answer) -> Tradeoff:
    if answer.steps is None:
        return Tradeoff(moves, math.inf, 0.0, answer.proven, ())
    return Tradeoff(
        moves=moves,
        worst_ratio=float(problem.worst_ratio(answer.steps)),
        chance=float(problem.chances(answer.steps)),
        proven=answer.proven,
        plan=_moves(rotor, problem.hardware, answer.steps),
    )


def _later_runs(history: History, standing: Standing) -> tuple[str, ...]:
    """Warn when the log holds later runs of the rotor than the one that the plan starts from."""
    own = history.runs[history.runs["rotor"] == standing.rotor]
    here = own.loc[(own["job"] == standing.job) & (own["run"] == standing.after_run), "started"]
    later = own[(own["job"] != standing.job) & (own["started"] > here.iloc[0])]
    if later.empty:
        return ()
    last = later.sort_values("started", kind="stable").iloc[-1]
    return (
        f"this is not the rotor's latest state: {standing.rotor} has later runs, the last in job "
        f"{last['job']} (run {last['run']}, {last['started']:%Y-%m-%d})",
    )


def _reviewed(history: History, job: str) -> tuple[str, ...]:
    """Say which entries of the job reviews have corrected, and which pairs they leave out."""
    notes = []
    rows = history.corrections[history.corrections["job"] == job]
    if len(rows):
        entries = "entry is" if len(rows) == 1 else "entries are"
        numbers = ", ".join(dict.fromkeys(str(number) for number in rows["review"]))
        reviews = "review" if rows["review"].nunique() == 1 else "reviews"
        notes.append(
            f"{len(rows)} {entries} not used as entered in this job, but as {reviews} {numbers} "
            "corrected the log"
        )
    runs = history.runs.loc[history.runs["job"] == job, "run"]
    out = [str(run) for run in runs if (job, str(run)) in history.left_out]
    if out:
        notes.append(
            f"a review left out what happened after run {' and '.join(out)} of this job: the plan "
            "starts from the readings since"
        )
    return tuple(notes)


def _assumptions(rotor: Rotor, hardware: Hardware, standing: Standing, steps: Int) -> list[str]:
    """Say what the plan's own moves and limits rest on."""
    notes = []
    for v in np.flatnonzero(steps):
        place = (int(hardware.blade[v]), int(hardware.adjuster[v]))
        if place in hardware.assumed:
            adjuster = rotor.adjusters[place[1]]
            notes.append(
                f"what is fitted of {adjuster.name} on blade {rotor.blades[place[0]]} is not "
                f"recorded: {hardware.fitted[place]:g} {adjuster.unit} is assumed; check before "
                "moving it"
            )
    carried = [
        f"{sensor} in {regime} (run {run})"
        for (sensor, regime), run in zip(rotor.channels, standing.read_in, strict=True)
        if run and run != standing.after_run
    ]
    carried += [
        f"track in {regime} (run {run})"
        for regime, run in zip(rotor.regime_names, standing.track_read_in, strict=True)
        if run and run != standing.after_run
    ]
    if carried:
        notes.append(
            "not read in the last run and carried forward from an earlier one: "
            + ", ".join(carried)
        )
    if standing.untaught:
        notes.append(
            f"{standing.untaught} of this job's run pairs were not in the coefficients and were "
            "taken in for this plan"
        )
    return notes
