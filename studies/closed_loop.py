"""One job flown to its limits: read, plan, move, fly again, by whoever decides.

Deciders are the planner with some coefficients, and the technician of the demo. Which rotors there
are lives in `loop_worlds`, tables of many jobs in `loop_tables`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from loop_history import history_of_jobs
from loop_worlds import JOB, SERIAL, Night, inside

import adapt
from adapt.coefficients import Coefficients, Posterior
from adapt.planning.plan import Plan
from adapt.rotor import Rotor
from adapt.scenario import technician
from adapt.simulate import Flown

__all__ = [
    "MOST",
    "Decided",
    "Outcome",
    "as_decided",
    "as_printed",
    "by_technician",
    "error_of",
    "from_chart",
    "in_doubt",
    "learned_from_fleet",
    "learned_from_own",
    "oracle",
    "planner",
    "to_limits",
    "with_own",
]

MOST = 6  # corrections
# Of one correction. Without a cap some searches for a chance that no plan reaches take minutes, and
# what is planned then rests on how fast a computer is.
MOST_MOVES = 4
CHANCE = 0.9  # that the next run is inside: the program's default
SECONDS = 120.0  # searches end long before


@dataclass(frozen=True, eq=False)
class Decided:
    """One correction. moves: (blade, adjuster).

    stated: joint chance, product: of the single chances, both NaN where nobody states any.
    """

    moves: np.ndarray
    stated: float = np.nan
    product: float = np.nan
    feasible: bool = True
    proven: bool = True


Decider = Callable[[Night, list[Flown], list[np.ndarray]], Decided]
"""From a job, the runs flown and the moves made (one fewer) to the next correction."""


@dataclass(frozen=True)
class Outcome:
    """One job by one decider.

    corrections: flown until every reading was inside; MOST + 1 where MOST were not enough. moves,
    minutes: in all; first_moves: of the first correction; first_inside: whether it did;
    calm_inside: whether it would have without any noise of the next run. stated, product: its
    chances; feasible: whether its plan reached the target. unproven: plans. error: of the
    coefficients that the first plan rests on (`error_of`); suspects: whether the program suspected
    an entry of tonight; turn: whether it says that such entries agree on a turn of the reference;
    health: whether it says that this rotor has changed.
    """

    seed: int
    cell: tuple[str, ...]
    corrections: int
    first_inside: bool
    moves: int
    first_moves: int
    minutes: float
    stated: float
    product: float
    feasible: bool
    unproven: int
    calm_inside: bool = False
    error: float = np.nan
    suspects: float = np.nan
    turn: float = np.nan
    health: float = np.nan

    @property
    def done(self) -> bool:
        """Whether the job ended inside limits."""
        return self.corrections <= MOST

    @property
    def not_done(self) -> bool:
        """Whether it did not."""
        return not self.done


def to_limits(
    night: Night, decide: Decider, cell: tuple[str, ...]
) -> tuple[Outcome, list[Flown], list[np.ndarray]]:
    """Return how a job went, with its runs and the moves between them."""
    runs, moves, decided = [night.first], list[np.ndarray](), list[Decided]()
    calm: list[bool] = []
    while len(moves) < MOST and not inside(night.rotor, runs[-1]):
        decided.append(decide(night, runs, moves))
        moves.append(decided[-1].moves)
        state = night.move(runs[-1].state, moves[-1], len(moves))
        calm.append(night.worst_in_calm(state) <= 1.0)
        runs.append(night.fly(state, len(moves)))
    done = inside(night.rotor, runs[-1])
    first = decided[0]
    outcome = Outcome(
        seed=night.seed,
        cell=cell,
        corrections=len(moves) if done else MOST + 1,
        first_inside=inside(night.rotor, runs[1]),
        moves=sum(int((m != 0.0).sum()) for m in moves),
        first_moves=int((moves[0] != 0.0).sum()),
        minutes=sum(labour(night.rotor, m) for m in moves),
        stated=first.stated,
        product=first.product,
        feasible=first.feasible,
        calm_inside=calm[0],
        unproven=sum(not d.proven for d in decided),
    )
    return outcome, runs, moves


def labour(rotor: Rotor, moves: np.ndarray) -> float:
    """Return the labour of moves (blade, adjuster) [min], access once for each adjuster."""
    counts = (moves != 0.0).sum(axis=0)
    minutes = np.array([a.minutes or 0.0 for a in rotor.adjusters])
    access = np.array([a.access_minutes for a in rotor.adjusters])
    return float(counts @ minutes + access[counts > 0].sum())


def planner(
    coefficients: Coefficients,
    aim: str = "fewest",
    chance: float = CHANCE,
    most_moves: int = MOST_MOVES,
) -> Decider:
    """Return the planner with these coefficients, which learns from the job's own pairs."""

    def decide(night: Night, runs: list[Flown], moves: list[np.ndarray]) -> Decided:
        log = history_of_jobs(night.rotor, [night.logged(runs, moves)])
        plan = adapt.plan(
            night.rotor, coefficients, log, JOB, aim, chance=chance, most_moves=most_moves,
            seconds=SECONDS, explain=False,
        )  # fmt: skip
        return as_decided(night.rotor, plan)

    return decide


def as_decided(rotor: Rotor, plan: Plan) -> Decided:
    """Return a plan as a correction."""
    moves = np.zeros((len(rotor.blades), len(rotor.adjusters)))
    for m in plan.moves:
        moves[rotor.blades.index(m.blade), rotor.adjuster_names.index(m.adjuster)] += m.amount
    return Decided(moves, plan.joint_chance, plan.chance, plan.feasible, plan.proven)


def by_technician(night: Night, runs: list[Flown], moves: list[np.ndarray]) -> Decided:
    """Return what a person does who cures the worst reading by the paper chart."""
    rng = np.random.default_rng([night.seed, 5, len(moves)])
    fitted = night.fitted + sum(moves, np.zeros_like(night.fitted))
    seen = runs[-1]
    second_look = len(moves) > 1
    made = technician(
        night.rotor, night.chart, seen.readings, seen.track, fitted, rng, second_look=second_look
    )
    return Decided(made)


def from_chart(night: Night) -> Coefficients:
    """Return what the program knows from the chart alone: it doubts it, and learns in the job."""
    log = history_of_jobs(night.rotor, [night.logged([night.first], [])])
    return adapt.learn(night.rotor, log, chart=night.chart, health=False)


def as_printed(night: Night, start: Coefficients) -> Coefficients:
    """Return the chart's coefficients taken as exact: nothing can teach them."""
    return _known(night, start, night.chart.mean, night.chart.track_mean)


def in_doubt(start: Coefficients) -> Coefficients:
    """Return coefficients with their doubt that learn nothing in the job."""
    return replace(start, taught=frozenset((JOB, str(k + 1)) for k in range(MOST)))


def oracle(night: Night, start: Coefficients) -> Coefficients:
    """Return the machine's true coefficients of small moves, known exactly; noise as learned."""
    true = night.machine.coefficients(night.setting.slipped_deg)
    mean = true.reshape(len(night.rotor.channels), -1)
    return _known(night, start, mean, night.machine.track_coefficients())


def learned_from_own(night: Night, pairs: int, hold_back: bool = True) -> Coefficients:
    """Return what the rotor's own earlier pairs teach, starting from the chart.

    hold_back: whether the program may hold suspect entries back, here and below.
    """
    if pairs == 0:
        return from_chart(night)
    log = history_of_jobs(night.rotor, night.earlier(pairs), all_kept=not hold_back)
    return adapt.learn(night.rotor, log, chart=night.chart, health=False)


def learned_from_fleet(night: Night, hold_back: bool = True) -> Coefficients:
    """Return what the other rotors teach, starting from the chart."""
    log = history_of_jobs(night.rotor, night.others, all_kept=not hold_back)
    return adapt.learn(night.rotor, log, chart=night.chart, health=False)


def with_own(night: Night, fleet: Coefficients, pairs: int, hold_back: bool = True) -> Coefficients:
    """Return the fleet's coefficients with so many of the rotor's own earlier pairs taken in."""
    if pairs == 0:
        return fleet
    log = history_of_jobs(night.rotor, night.earlier(pairs), all_kept=not hold_back)
    return adapt.update(fleet, night.rotor, log, look=hold_back)


def error_of(night: Night, coefficients: Coefficients) -> float:
    """Return how far a rotor's coefficients are from the truth, as a share of its size.

    Root mean square over all that has a limit, effects of one step of each adjuster.
    """
    rotor, known = night.rotor, coefficients.of(SERIAL)
    true = night.machine.coefficients(night.setting.slipped_deg)
    true = true.reshape(len(rotor.channels), -1)
    step = np.array([a.step for a in rotor.adjusters])
    limited = [rotor.limit_for(sensor, regime) is not None for sensor, regime in rotor.channels]
    size = (np.abs(true[limited] * step) ** 2).sum()
    off = (np.abs((known.mean - true)[limited] * step) ** 2).sum()
    return float(np.sqrt(off / size))


def _known(
    night: Night, start: Coefficients, mean: np.ndarray, track_mean: np.ndarray
) -> Coefficients:
    """Return exact coefficients, (channel, adjuster) and track's, with the noise of `start`."""
    unseen = start.unseen
    exact = Posterior(
        mean=np.asarray(mean, dtype=complex),
        joint=np.zeros_like(unseen.joint),
        track_mean=np.asarray(track_mean, dtype=float),
        track_joint=np.zeros_like(unseen.track_joint),
        pairs=np.ones_like(unseen.pairs),
        track_pairs=np.ones_like(unseen.track_pairs),
    )
    return replace(start, type_=exact, unseen=exact, rotors={SERIAL: exact})
