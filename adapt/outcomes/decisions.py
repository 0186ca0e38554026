"""Decisions replayed: what the planner would have asked for at each run, by what was known then.

A replay can show how choices differ, what each was expected to give, and whether what was stated of
the moves that were made came true. It cannot show what moves that nobody made would have done: for
those there is only what is known now, from the whole log, and that rests on the learner's model.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Posterior
from adapt.learning.rows.runs import history_of
from adapt.log import History
from adapt.outcomes.jobs import jobs_table
from adapt.outcomes.resampling import ratio_of
from adapt.outcomes.spread_out import over
from adapt.outcomes.stated import Limits
from adapt.outcomes.walk import Stretch, Walk
from adapt.planning import plan
from adapt.planning.answer.by_hand import by_hand
from adapt.planning.asked import Asked
from adapt.planning.case import case_of
from adapt.planning.job.hardware import fitted_now
from adapt.planning.job.scope import Scope
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import ByHand, Move
from adapt.problems import AdaptError, BadInput
from adapt.rotor import Rotor

__all__ = ["BY", "Decisions", "replay_decisions"]

MADE, BY_CHART, BY_LEARNED = "made", "chart", "learned"
BY = (MADE, BY_CHART, BY_LEARNED)
SECONDS = 5.0

Progress = Callable[[int, int], None]
Whole = npt.NDArray[np.int64]

_COLUMNS = [
    "rotor", "job", "run", "started", "pairs", "first", "by", "moves", "plan", "minutes",
    "feasible", "proven", "worst_ratio", "stated", "known_then", "known_now", "worst_now",
    "came_inside", "why_not",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class Decisions:
    """What was decided and what would have been, at every run after which something was moved.

    table: rotor, job, run (after which), started, pairs (of moves that the rotor had made before),
        first (of the job), by ("made", "chart": the planner with the chart taken at its word,
        "learned": the planner with what had been learned by then), moves (how many), plan (Move,
        ...), minutes, feasible, proven, worst_ratio and stated (the chance that the next run is
        inside every limit) by the coefficients that it was planned with (of what was made: those
        learned by then), known_then, known_now: the chance of these moves by what was learned by
        then and of the whole log, worst_now: their predicted worst ratio now, came_inside (made
        alone: 1, 0 or NaN), why_not: why there is no plan. NaN where a number cannot be told.
    jobs: rotor, job, started, runs, corrections (runs before which something was moved),
        inside_at_first, inside_after_first, runs_to_inside (NaN = never).
    summary: by, first (whether of first corrections alone), decisions, moves, minutes, stated,
        known_then, known_now, each with _low and _high (95 %, resampled jobs), feasible (share),
        as_made (share of plans equal to what was made).
    """

    table: pd.DataFrame
    jobs: pd.DataFrame
    summary: pd.DataFrame
    notes: tuple[str, ...]


def replay_decisions(
    rotor: Rotor,
    log: Any,
    chart: Chart,
    progress: Progress | None = None,
    *,
    aim: str = "fewest",
    chance: float = 0.9,
    limits: str | None = None,
    seconds: float = SECONDS,
    executor: Executor | None = None,
) -> Decisions:
    """Ask the planner at every run after which something was moved, by chart and by what was known.

    aim, chance, limits: as in `plan`. seconds: for each plan. progress: called with (jobs done,
    jobs in all). executor: where jobs are worked on; the answer is the same unless plans run out
    of time. The chart is taken at its word: as exact, and not learned from within the job.

    Raises BadInput when the log cannot be read or the request cannot be used.
    """
    asked = Asked(aim=aim, chance=chance, scope=Scope(limit_set=limits))
    if wrong := asked.wrong(rotor):
        raise BadInput("; ".join(wrong))
    history = history_of(rotor, log)
    walk = Walk(rotor, history, chart)
    report = progress or (lambda done, of: None)
    report(0, len(walk.jobs))
    now = Walk(rotor, history, chart).learn_all()
    ask = _Ask(aim, chance, limits, seconds)
    tasks = (
        _Task(stretch, _of_rotor(history, stretch), _slim(now.coefficients, stretch), ask)
        for stretch in walk.stretches()
        if now is not None
    )
    rows: dict[str, list[dict[str, Any]]] = {}
    for answers in over(executor, _decided, tasks):
        for job, found in answers:
            rows[job] = found
            report(len(rows), len(walk.jobs))
    table = pd.DataFrame([row for job in walk.jobs for row in rows[job]], columns=_COLUMNS)
    jobs = jobs_table(rotor, walk.runs, Limits.of(rotor, limits))
    return Decisions(table, jobs, _summary(table), _notes(table))


@dataclass(frozen=True)
class _Ask:
    aim: str
    chance: float
    limits: str | None
    seconds: float


@dataclass(frozen=True, eq=False)
class _Task:
    """One stretch with its rotor's history, and what is known of the rotor now."""

    stretch: Stretch
    history: History
    now: Coefficients
    ask: _Ask


def _decided(task: _Task) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the rows of each job of a task."""
    runs = task.stretch.runs
    return [(runs.jobs[job], list(_job(task, job))) for job in task.stretch.jobs]


def _job(task: _Task, job: int) -> Iterator[dict[str, Any]]:
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
        judge = _Judge(rotor, history, name, ask, then, task.now if read_now else None)
        label = {
            "rotor": runs.serials[0],
            "job": name,
            "run": runs.names[at],
            "started": runs.started[at],
            "pairs": int(pairs[after]),
            "first": first,
        }
        made = judge.made(_moves(rotor, runs.amounts[after]))
        yield {**label, **made, "came_inside": limits.all_inside(rotor, runs, after)}
        assert stretch.chart is not None
        by_word = at_its_word(then, stretch.chart)
        for by, coefficients in ((BY_CHART, by_word), (BY_LEARNED, then)):
            yield {**label, **judge.planned(by, coefficients), "came_inside": np.nan}
        first = False


class _Judge:
    """A situation: the same moves by what was known then and by what is known now."""

    def __init__(
        self,
        rotor: Rotor,
        history: History,
        job: str,
        ask: _Ask,
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


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """Return what decisions came to, by who made them; over decisions that all can be told of."""
    if table.empty:
        return pd.DataFrame(columns=["by", "first", "decisions"])
    rows = []
    numbers = ("moves", "minutes", "stated", "known_then", "known_now")
    lacking = table[["moves", "known_now"]].isna().any(axis=1)
    whole = table[~lacking.groupby([table["job"], table["run"]]).transform("any")]
    made = whole[whole["by"] == MADE].set_index(["job", "run"])["plan"].map(frozenset)
    for first in (True, False):
        part = whole[whole["first"]] if first else whole
        for by in BY:
            some = part[part["by"] == by]
            if some.empty:
                continue
            job, names = pd.factorize(some["job"])
            row: dict[str, Any] = {"by": by, "first": first, "decisions": len(some)}
            for name in numbers:
                values = some[name].to_numpy(dtype=float)
                has = ~np.isnan(values)
                top = np.bincount(job[has], values[has], minlength=len(names))
                mean = ratio_of(top, np.bincount(job[has], minlength=len(names)), scale="plain")
                row |= {name: mean.value, f"{name}_low": mean.low, f"{name}_high": mean.high}
            row["feasible"] = some["feasible"].astype(float).mean()
            same = made.reindex(pd.MultiIndex.from_frame(some[["job", "run"]])).to_numpy()
            row["as_made"] = float(
                np.mean([a == frozenset(b) for a, b in zip(same, some["plan"], strict=True)])
            )
            rows.append(row)
    return pd.DataFrame(rows)


def _notes(table: pd.DataFrame) -> tuple[str, ...]:
    notes = []
    lost = table[table["why_not"].astype(bool)] if len(table) else table
    for by, why in dict.fromkeys(zip(lost["by"], lost["why_not"], strict=True)):
        here = lost[(lost["by"] == by) & (lost["why_not"] == why)]
        notes.append(f"{len(here)} without a plan by {by}: {why}")
    return tuple(notes)


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


def _of_rotor(history: History, stretch: Stretch) -> History:
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


def _slim(coefficients: Coefficients, stretch: Stretch) -> Coefficients:
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
