"""Decisions replayed: what the planner would have asked for at each run, by what was known then.

A replay can show how choices differ, what each was expected to give, and whether what was stated of
the moves that were made came true. It cannot show what moves that nobody made would have done: for
those there is only what is known now, from the whole log, and that rests on the learner's model.
What is asked and judged at one run lives in `situations`.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from adapt.chart import Chart
from adapt.learning.rows.runs import history_of
from adapt.outcomes.jobs import jobs_table
from adapt.outcomes.resampling import ratio_of
from adapt.outcomes.situations import BY, MADE, Ask, Task, decided, of_rotor, slim
from adapt.outcomes.spread_out import over
from adapt.outcomes.stated import Limits
from adapt.outcomes.walk import Walk
from adapt.planning.asked import Asked
from adapt.planning.job.scope import Scope
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["Decisions", "replay_decisions"]

SECONDS = 5.0

Progress = Callable[[int, int], None]

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
    jobs: rotor, job, started, runs, corrections (runs before which something was moved), told (runs
        that read something with a limit), inside_at_first, inside_after_first, runs_to_inside (NaN
        = in none of those told).
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
    # By a walk of its own: this one learns step by step, each from what came before alone.
    now = Walk(rotor, history, chart).learn_all()
    ask = Ask(aim, chance, limits, seconds)
    tasks = (
        Task(stretch, of_rotor(history, stretch), slim(now.coefficients, stretch), ask)
        for stretch in walk.stretches()
        if now is not None
    )
    rows: dict[str, list[dict[str, Any]]] = {}
    for answers in over(executor, decided, tasks):
        for job, found in answers:
            rows[job] = found
            report(len(rows), len(walk.jobs))
    table = pd.DataFrame([row for job in walk.jobs for row in rows[job]], columns=_COLUMNS)
    jobs = jobs_table(walk.runs, Limits.of(rotor, limits))
    return Decisions(table, jobs, _summary(table), _notes(table))


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
