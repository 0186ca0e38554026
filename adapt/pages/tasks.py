"""What takes longer than a page may: done in a process of its own, so that it can be given up.

Each takes plain values and gives plain values. What a process has learned of one state it keeps,
for what is asked of it next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import adapt
from adapt.coefficients import Coefficients
from adapt.database.opening import open_logbook
from adapt.learning.suspects.slipped import slips
from adapt.log import History
from adapt.logbook.publishing import publish
from adapt.logbook.sets import coefficients_of, corrected_since
from adapt.outcomes import Outcome
from adapt.outcomes.one_job import JobOutcome, look_back
from adapt.pages.fleet import Fleet, State
from adapt.planning.judging import judge
from adapt.planning.plan import ByHand, Move, Plan
from adapt.reports.log.suspects import concerns_of
from adapt.reports.wording import count
from adapt.rotor import Rotor

__all__ = [
    "Asked", "Held", "Planned", "compare_all", "hold_by_hand", "learn_all", "look_back_on",
    "plan_job", "publish_set", "warm",
]  # fmt: skip

_COMMANDS = ("the page of suspect entries", "publishing a new set")


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
    return Planned(
        plan, change, origin, tuple(concerns_of(known, history, serial, _COMMANDS, agreed))
    )


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
    made = publish(book, label, who, design=design, robust=robust, note=note)
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
    return adapt.compare(rotor, state.history(rotor), state.chart_of(rotor))


def _known(place: str, change: int, job: str) -> tuple[Rotor, History, Coefficients, str]:
    """Return what a job is planned with: its rotor file and log, the coefficients, whence."""
    state = _state(place, change)
    rotor = state.rotor_of(state.job(job))
    history = state.history(rotor, state.job(job).rotor)
    published = state.set_in_use(rotor)
    if published is None:
        learned = _learned(place, change, rotor.name)
        chart = state.chart_of(rotor)
        start = "without a chart" if chart is None else f"starting from {chart.source}"
        return (
            rotor,
            history,
            learned,
            (f"learned from {count(len(learned.taught), 'pair')} of this logbook, {start}"),
        )
    current, origin = _published(place, change, rotor.name, state.job(job).rotor)
    return rotor, history, current, origin


@lru_cache(maxsize=8)
def _state(place: str, change: int) -> State:
    """Return a state of a logbook by the number of its change."""
    fleet = Fleet(place)
    now = fleet.state()
    return now if now.change == change else State(now.book, change, "")


@lru_cache(maxsize=4)
def _learned(place: str, change: int, design: str) -> Coefficients:
    state = _state(place, change)
    rotor = state.rotors()[design]
    return adapt.learn(rotor, state.history(rotor), chart=state.chart_of(rotor))


@lru_cache(maxsize=32)
def _published(place: str, change: int, design: str, serial: str) -> tuple[Coefficients, str]:
    """Return the set in use with a rotor's newer pairs, and what it is in words."""
    state = _state(place, change)
    rotor = state.rotors()[design]
    published = state.set_in_use(rotor)
    assert published is not None
    with state.book.reading() as connection:
        stored = coefficients_of(state.book, connection, published, rotor)
        jobs = {job for job, _ in stored.taught}
        corrected = corrected_since(connection, published, jobs, change)
    current = adapt.update(stored, rotor, state.history(rotor, serial))
    new = count(len(current.taught - stored.taught), "newer pair")
    words = f"the published set {published.label} ({published.recorded[:10]}), with {new}"
    if corrected:
        words += f"; entries of {count(len(corrected), 'job')} that taught it were corrected since"
    return current, words
