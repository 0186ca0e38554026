"""One run after which something was moved: what was done, what would have been asked for, by whom.

The same moves are judged by what was known then and by what is known now.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Posterior
from adapt.log import History
from adapt.outcomes.stated import Limits
from adapt.outcomes.walk import Stretch
from adapt.planning import plan
from adapt.planning.answer.by_hand import by_hand
from adapt.planning.asked import Asked
from adapt.planning.case import case_of
from adapt.planning.job.hardware import fitted_now
from adapt.planning.job.scope import Scope
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import ByHand, Move
from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["BY", "MADE", "Ask", "Task", "decided", "of_rotor", "slim"]

MADE, BY_CHART, BY_LEARNED = "made", "chart", "learned"
BY = (MADE, BY_CHART, BY_LEARNED)

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Ask:
    """What every plan is asked for; see `plan`."""

    aim: str
    chance: float
    limits: str | None
    seconds: float


@dataclass(frozen=True, eq=False)
class Task:
    """One stretch with its rotor's history, and what is known of the rotor now."""

    stretch: Stretch
    history: History
    now: Coefficients
    ask: Ask


def decided(task: Task) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the rows of each job of a task."""
    runs = task.stretch.runs
    return [(runs.jobs[job], list(_job(task, job))) for job in task.stretch.jobs]


def _job(task: Task, job: int) -> Iterator[dict[str, Any]]:
    """Yield three rows for each run of a job after which something was moved and a run followed."""
    stretch, ask = task.stretch, task.ask
    runs, rotor = stretch.runs, stretch.rotor
    name = runs.jobs[job]
    members = np.flatnonzero(runs.job == job)
    known, pairs = stretch.known_before(job), stretch.pairs
    limits = Limits.of(rotor, ask.limits)
    first = True
    for at, after in zip(members[:-1].tolist(), members[1:].tolist(), strict=True):
        if not runs.amounts[after].any() or runs.starts[after]:
            continue
        here = known.in_frame(rotor, runs.epoch[at])
        then = here.as_coefficients(rotor)
        history = _until(task.history, name, runs.names, members[: int(at - members[0]) + 1])
        read_now = bool((runs.epoch[at] == runs.epoch_now[0]).all())
        judge = Judge(rotor, history, name, ask, then, task.now if read_now else None)
        label = {
            "rotor": runs.serials[0],
            "job": name,
            "run": runs.names[at],
            "started": runs.started[at],
            "pairs": int(pairs[after]),
            "first": first,
        }
        made = judge.made(_moves(rotor, runs.amounts[after]))
        yield {**label, **made, "came_inside": limits.all_inside(runs, after)}
        assert stretch.chart is not None
        by_word = at_its_word(then, stretch.chart)
        for by, coefficients in ((BY_CHART, by_word), (BY_LEARNED, then)):
            yield {**label, **judge.planned(by, coefficients), "came_inside": np.nan}
        first = False


class Judge:
    """A situation: the same moves by what was known then and by what is known now."""

    def __init__(
        self,
        rotor: Rotor,
        history: History,
        job: str,
        ask: Ask,
        then: Coefficients,
        now: Coefficients | None,
    ) -> None:
        self._rotor, self._history, self._job, self._ask = rotor, history, job, ask
        self._then, self._now = then, now

    def made(self, moves: tuple[Move, ...]) -> dict[str, Any]:
        """Return the row of moves that were made."""
        held = self._held(self._then, moves)
        return {
            "by": MADE,
            "moves": len(moves),
            "plan": moves,
            "minutes": np.nan if held is None or held.minutes is None else held.minutes,
            "feasible": np.nan,
            "proven": np.nan,
            "worst_ratio": _number(None if held is None else held.worst_ratio),
            "stated": _joint(held),
            "why_not": "",
            **self._known(moves, held),
        }

    def planned(self, by: str, coefficients: Coefficients) -> dict[str, Any]:
        """Return the row of what the planner asks for with these coefficients."""
        ask = self._ask
        try:
            found = plan(
                self._rotor, coefficients, self._history, self._job, aim=ask.aim,
                chance=ask.chance, limits=ask.limits, seconds=ask.seconds, explain=False,
            )  # fmt: skip
        except AdaptError as error:
            none = dict.fromkeys(
                ("moves", "minutes", "feasible", "proven", "worst_ratio", "stated", "known_then",
                 "known_now", "worst_now"), np.nan,
            )  # fmt: skip
            return {**none, "by": by, "plan": (), "why_not": str(error)}
        return {
            "by": by,
            "moves": len(found.moves),
            "plan": found.moves,
            "minutes": np.nan if found.minutes is None else found.minutes,
            "feasible": found.feasible,
            "proven": found.proven,
            "worst_ratio": found.worst_ratio,
            "stated": found.joint_chance,
            "why_not": "",
            **self._known(found.moves, self._held(self._then, found.moves)),
        }

    def _known(self, moves: tuple[Move, ...], then: ByHand | None) -> dict[str, float]:
        now = None if self._now is None else self._held(self._now, moves)
        return {
            "known_then": _joint(then),
            "known_now": _joint(now),
            "worst_now": _number(None if now is None else now.worst_ratio),
        }

    def _held(self, coefficients: Coefficients, moves: tuple[Move, ...]) -> ByHand | None:
        """Return what moves are expected to do by some coefficients; None when they cannot say."""
        rotor, history, ask = self._rotor, self._history, self._ask
        asked = Asked(aim="smoothest", scope=Scope(limit_set=ask.limits))
        try:
            standing = standing_of(rotor, coefficients, history, self._job)
            fitted = fitted_now(rotor, history, self._job)
            return by_hand(case_of(rotor, coefficients, standing, fitted, asked), moves)
        except AdaptError:
            return None


def at_its_word(coefficients: Coefficients, chart: Chart) -> Coefficients:
    """Return coefficients that are the chart's and exact, with the noise as it was known."""
    serial = next(iter(coefficients.rotors))
    own = coefficients.of(serial)
    exact = Posterior(
        mean=chart.mean,
        joint=np.zeros_like(own.joint),
        track_mean=chart.track_mean,
        track_joint=np.zeros_like(own.track_joint),
        pairs=np.zeros_like(own.pairs),
        track_pairs=np.zeros_like(own.track_pairs),
    )
    return replace(coefficients, rotors={serial: exact}, unseen=exact)


def _until(history: History, job: str, names: tuple[str, ...], members: Whole) -> History:
    """Return one job's tables as they were after its first runs, before the next moves."""
    kept = {names[m] for m in members.tolist()}
    past = kept - {names[int(members[-1])]}

    def rows(table: pd.DataFrame, column: str | None, among: set[str]) -> pd.DataFrame:
        mine = table["job"] == job
        return table[mine & table[column].isin(among)] if column else table[mine]

    return replace(
        history,
        runs=rows(history.runs, "run", kept),
        readings=rows(history.readings, "run", kept),
        track=rows(history.track, "run", kept),
        moves=rows(history.moves, "after_run", past),
        events=rows(history.events, "after_run", past),
        fitted=rows(history.fitted, None, set()),
        set_aside={},
        left_out=frozenset(p for p in history.left_out if p[0] == job and p[1] in past),
    )


def of_rotor(history: History, stretch: Stretch) -> History:
    """Return the tables of one rotor's jobs."""
    jobs = set(stretch.runs.jobs)

    def mine(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["job"].isin(jobs)]

    return replace(
        history,
        runs=mine(history.runs),
        readings=mine(history.readings),
        track=mine(history.track),
        moves=mine(history.moves),
        fitted=mine(history.fitted),
        events=mine(history.events),
    )


def slim(coefficients: Coefficients, stretch: Stretch) -> Coefficients:
    serial = stretch.runs.serials[0]
    return replace(
        coefficients, rotors={serial: coefficients.of(serial)}, suspects=(), references=(),
        health=(), notes=(),
    )  # fmt: skip


def _moves(rotor: Rotor, amounts: npt.NDArray[np.float64]) -> tuple[Move, ...]:
    return tuple(
        Move(rotor.blades[b], rotor.adjuster_names[a], float(amounts[b, a]))
        for a in range(amounts.shape[1])
        for b in range(amounts.shape[0])
        if amounts[b, a] != 0
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _joint(held: ByHand | None) -> float:
    return _number(None if held is None else held.joint_chance)
