"""What takes longer than a page may: done in a process of its own, so that it can be given up.

Each takes plain values and gives plain values. What a process has learned of one state it keeps,
for what is asked of it next.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import adapt
from adapt.coefficients import Coefficients
from adapt.database.opening import open_logbook
from adapt.learning.suspects.slipped import slips
from adapt.log import History
from adapt.logbook.publishing import publish
from adapt.logbook.sets import coefficients_of
from adapt.logbook.sets_in_use import set_in_use, with_newer_pairs
from adapt.outcomes import Outcome
from adapt.outcomes.one_job import JobOutcome, look_back
from adapt.pages.fleet import State
from adapt.planning.judging import judge
from adapt.planning.plan import ByHand, Move, Plan
from adapt.reports.log.suspects import concerns_of
from adapt.reports.wording import count
from adapt.rotor import Rotor

__all__ = [
    "Asked", "Held", "Planned", "begun", "compare_all", "hold_by_hand", "learn_all", "look_back_on",
    "plan_job", "publish_set", "told_to", "warm",
]  # fmt: skip

_COMMANDS = ("the page of suspect entries", "publishing a new set")

# How far this process is, (steps done, steps in all), shared with the one that serves the pages.
_far: Any = None


def told_to(far: Any) -> None:
    """Let a process tell how far it is; far: an array of two numbers that processes share."""
    global _far
    _far = far


def _tell(done: int, of: int) -> None:
    if _far is not None:
        _far[:] = (done, of)


@dataclass(frozen=True)
class Asked:
    """What a planner asks for; see `adapt.plan`."""

    aim: str = "fewest"
    chance: float = 0.9
    most_moves: int | None = None
    limits: str | None = None
    locked_blades: tuple[str, ...] = ()
    locked_adjusters: tuple[str, ...] = ()
    largest_moves: tuple[tuple[str, float], ...] = ()
    seconds: float = 20.0

    def options(self) -> Mapping[str, object]:
        """Return the arguments of `adapt.plan`."""
        return {
            "aim": self.aim, "chance": self.chance, "most_moves": self.most_moves,
            "limits": self.limits, "locked_blades": self.locked_blades,
            "locked_adjusters": self.locked_adjusters, "largest_moves": dict(self.largest_moves),
            "seconds": self.seconds,
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan, and what to know before its moves are made; known: the change that it is as of."""

    plan: Plan
    known: int
    coefficients_from: str
    concerns: tuple[str, ...] = field(default=())


@dataclass(frozen=True, eq=False)
class Held:
    """Moves by hand, and what they are expected to do."""

    by_hand: ByHand
    after_run: str


def begun(task: Callable[..., Any], *args: object) -> Any:
    """Do a task, of which nothing is told yet."""
    _tell(0, 0)
    return task(*args)


def warm() -> None:
    """Let what takes long to load be loaded before somebody waits for it."""
    from adapt.planning.search.job_search import ready

    ready()


def plan_job(place: str, change: int, job: str, asked: Asked) -> Planned:
    """Plan a job in one state of a logbook. Raises AdaptError as `adapt.plan` does."""
    state = _state(place, change)
    rotor, history, known, origin = _known(place, change, job)
    plan = adapt.plan(rotor, known, history, job, **asked.options())
    serial = state.job(job).rotor
    agreed = slips(rotor, known, history, serial)
    concerns = concerns_of(known, history, serial, _COMMANDS, agreed, job)
    return Planned(plan, change, origin, tuple(concerns))


def hold_by_hand(
    place: str, change: int, job: str, asked: Asked, moves: Sequence[tuple[str, str, float]]
) -> Held:
    """Say what moves of one's own are expected to do. Raises AdaptError as `judge` does."""
    rotor, history, known, _ = _known(place, change, job)
    chosen = [Move(*move) for move in moves]
    held = judge(
        rotor, known, history, job, chosen, limits=asked.limits,
        locked_blades=asked.locked_blades, locked_adjusters=asked.locked_adjusters,
        largest_moves=dict(asked.largest_moves),
    )  # fmt: skip
    return Held(held, str(history.runs.loc[history.runs["job"] == job, "run"].iloc[-1]))


def look_back_on(place: str, change: int, job: str, limits: str | None = None) -> JobOutcome:
    """Look back on a job, see `outcomes.one_job`."""
    state = _state(place, change)
    rotor = state.rotor_of(state.job(job))
    return look_back(rotor, state.history(rotor), job, state.chart_of(rotor), limits)


def learn_all(place: str, change: int, design: str) -> Coefficients:
    """Learn from all that one state of a logbook holds of a design."""
    return _learned(place, change, design)


def publish_set(
    place: str, change: int, design: str, label: str, who: str, note: str, robust: bool
) -> str:
    """Learn from what a logbook holds now, and publish it; return what was published, in words.

    change: when it was asked for, so that a work of another state is another. Raises AdaptError as
    `logbook.publishing.publish` does.
    """
    book = open_logbook(place, to_write=True)
    made = publish(book, label, who, design=design, robust=robust, note=note, progress=_tell)
    with book.reading() as connection:
        stored = coefficients_of(book, connection, made)
    words = (
        f"Published: {made.label}, learned from {count(len(stored.taught), 'pair')} of "
        f"{count(len(stored.rotors), 'rotor')} in the state after change {made.known}."
    )
    held = len(stored.withheld)
    return words + (f" {count(held, 'pair')} held back as suspect taught nothing." if held else "")


def compare_all(place: str, change: int, design: str) -> Outcome:
    """Compare predictions with outcomes over all of a design."""
    state = _state(place, change)
    rotor = state.rotors()[design]
    return adapt.compare(rotor, state.history(rotor), state.chart_of(rotor), progress=_tell)


def _known(place: str, change: int, job: str) -> tuple[Rotor, History, Coefficients, str]:
    """Return what a job is planned with: its rotor file and log, the coefficients, whence."""
    state = _state(place, change)
    serial = state.job(job).rotor
    rotor = state.rotor_of(state.job(job))
    history = state.history(rotor, serial)
    published = state.set_in_use(rotor)
    if published is not None:
        return rotor, history, *_of_set(place, change, published.label, rotor.name, serial)
    learned = _learned(place, change, rotor.name)
    start = "without a chart" if learned.chart is None else f"starting from {learned.chart.source}"
    pairs = count(len(learned.taught), "pair")
    return rotor, history, learned, f"learned from {pairs} of this logbook, {start}"


@lru_cache(maxsize=8)
def _state(place: str, change: int) -> State:
    """Return a state of a logbook by the number of its change."""
    return State(open_logbook(place), change, "")


@lru_cache(maxsize=4)
def _learned(place: str, change: int, design: str) -> Coefficients:
    state = _state(place, change)
    rotor = state.rotors()[design]
    return adapt.learn(rotor, state.history(rotor), state.chart_of(rotor), progress=_tell)


@lru_cache(maxsize=32)
def _of_set(
    place: str, change: int, label: str, design: str, serial: str
) -> tuple[Coefficients, str]:
    """Return a published set with a rotor's newer pairs, and what it is in words."""
    state = _state(place, change)
    rotor = state.rotors()[design]
    stored, words = set_in_use(state.book, change, label, rotor)
    current = with_newer_pairs(state.book, change, stored, rotor, state.history(rotor, serial))
    new = count(len(current.taught - stored.taught), "newer pair")
    return current, f"{words}, with {new} of {serial}"
