"""The closed loop where the world is not as assumed: flights, stated chances, and what is noticed.

    python studies/sensitivity.py --workers 2 --folder sensitivity      # 300 jobs a cell
    python studies/sensitivity.py --quick                               # within three minutes

The closed loop of `flights_to_limits` on the independent machine, changed in one way at a time:
blades of one rotor not alike (blade_spread; 0.03 is usual), noise of tonight twice that of the
history, the phase reference slipped between the history and tonight (in the log as an event, or
not), and a response that bends at smaller amplitudes (knee 0.7 in place of 2 ips) and lags more
with them (25 in place of 8 deg for each ips).

Who decides, all with the fleet's ten rotors and four earlier pairs of the rotor: "before", with
what was learned before tonight and the planner's own learning in the job; "updated", with `update`
after each run of tonight (it holds back entries of tonight that it suspects); "anew", with `learn`
from the whole log after each run; "oracle", with the true coefficients as they are tonight. With an
event in the log the program does not plan with what was learned before it, so that "before" is
left out. "anew, heeded": where the program says that tonight's suspect pairs agree on a turn of the
reference, somebody looks, finds it, and logs it before the next correction. Jobs are independent:
each has a fleet, a chart and a rotor of its own; intervals (95 %) come from resampling whole jobs.

Columns as in `flights_to_limits`, and: suspects: share of jobs in which an entry of tonight was
suspected after some run, the last one included; turn told: in which such entries were said to agree
on a turn of the reference; health: in which `learn`, after the job, says that
this rotor has changed. Tonight's entries are right: a suspect is a false alarm of an entry, and at
best a hint that something else has changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from asking import ended
from closed_loop import (
    MOST_MOVES,
    SECONDS,
    Decided,
    Decider,
    Outcome,
    as_decided,
    learned_from_fleet,
    oracle,
    planner,
    to_limits,
    with_own,
)
from flights_to_limits import row_of
from kept import kept_figure
from loop_figures import by_condition
from loop_history import history_of_jobs
from loop_tables import Cells, Value, put
from loop_workers import arguments, results_of, seeds_of
from loop_worlds import JOB, SERIAL, Night, Setting, night_of

import adapt
from adapt.coefficients import Coefficients
from adapt.learning.suspects.slipped import slips
from adapt.log import History
from adapt.simulate import Flown

PAIRS = 4
TWICE = {"gust_sd": 0.026, "walk_sd": 0.024, "track_sd": 2.0, "track_walk_sd": 1.4}
BENT = {"knee": 0.7, "stiffening_deg": 25.0}
CONDITIONS = {
    "as assumed (blades 0.03)": Setting(),
    "blades alike": Setting(scatter={"blade_spread": 0.0}),
    "blades 0.1": Setting(scatter={"blade_spread": 0.1}),
    "blades 0.2": Setting(scatter={"blade_spread": 0.2}),
    "noise twice tonight": Setting(tonight=TWICE),
    "slipped 10 deg": Setting(slipped_deg=10.0),
    "slipped 30 deg": Setting(slipped_deg=30.0),
    "slipped 90 deg": Setting(slipped_deg=90.0),
    "slipped 10 deg, logged": Setting(slipped_deg=10.0, told=True),
    "slipped 30 deg, logged": Setting(slipped_deg=30.0, told=True),
    "slipped 90 deg, logged": Setting(slipped_deg=90.0, told=True),
    "response bent": Setting(scatter=BENT),
}


@dataclass(frozen=True)
class Task:
    """One job under one condition."""

    condition: str
    seed: int


class Learning:
    """A decider that learns again after each run.

    heeds: whether a turn that is told is looked into, found and logged before the next correction.
    suspects: whether entries of tonight were suspected; turn: whether they were said to agree on a
    turn of the reference.
    """

    def __init__(
        self, again: Callable[[Night, History], Coefficients], heeds: bool = False
    ) -> None:
        self._again, self._heeds = again, heeds
        self.suspects = self.turn = False

    def __call__(self, night: Night, runs: list[Flown], moves: list[np.ndarray]) -> Decided:
        """Return the next correction."""
        known, log = self.look(night, runs, moves)
        plan = adapt.plan(
            night.rotor, known, log, JOB, most_moves=MOST_MOVES, seconds=SECONDS, explain=False
        )
        return as_decided(night.rotor, plan)

    def look(
        self, night: Night, runs: list[Flown], moves: list[np.ndarray]
    ) -> tuple[Coefficients, History]:
        """Return what is learned now, and from which log of this rotor."""
        known, log = self._known(night, runs, moves)
        self.suspects |= any(row["job"] == JOB for row in known.suspects)
        if any(slip.job == JOB for slip in slips(night.rotor, known, log, SERIAL)):
            self.turn = True
            if self._heeds:
                known, log = self._known(night, runs, moves)
        return known, log

    def _known(
        self, night: Night, runs: list[Flown], moves: list[np.ndarray]
    ) -> tuple[Coefficients, History]:
        earlier = night.earlier(PAIRS)
        if self._heeds and self.turn:
            earlier = (*earlier[:-1], replace(earlier[-1], reference_moved=True))
        log = history_of_jobs(night.rotor, [*earlier, night.logged(runs, moves)])
        return self._again(night, log), log


def one_job(task: Task) -> list[Outcome]:
    """Return one job under a condition by all who decide."""
    setting = CONDITIONS[task.condition]
    night = night_of(task.seed, setting)
    fleet = learned_from_fleet(night)
    updated = Learning(lambda n, log: adapt.update(fleet, n.rotor, log))
    anew = Learning(_whole)
    deciders: dict[str, Decider] = {"updated": updated, "anew": anew,
                                    "oracle": planner(oracle(night, fleet))}  # fmt: skip
    if not setting.told:
        deciders = {"before": planner(with_own(night, fleet, PAIRS)), **deciders}
    if setting.slipped_deg and not setting.told:
        deciders["anew, heeded"] = Learning(_whole, heeds=True)
    found = []
    for who, decide in deciders.items():
        outcome, runs, moves = to_limits(night, decide, (task.condition, who))
        if isinstance(decide, Learning):
            decide.look(night, runs, moves)
            outcome = replace(outcome, suspects=float(decide.suspects), turn=float(decide.turn))
        if who == "anew":
            outcome = replace(outcome, health=_health(night, runs, moves))
        found.append(outcome)
    return found


def _whole(night: Night, log: History, health: bool = False) -> Coefficients:
    """Return what the whole log teaches: the fleet's, and the rotor's with tonight's runs."""
    fleet = history_of_jobs(night.rotor, night.others)
    return adapt.learn(night.rotor, joined(fleet, log), chart=night.chart, health=health)


def joined(first: History, then: History) -> History:
    """Return two histories of different jobs as one."""
    tables = ("runs", "readings", "track", "moves", "fitted", "events")
    both = {t: [getattr(h, t) for h in (first, then) if len(getattr(h, t))] for t in tables}
    whole = {t: pd.concat(parts, ignore_index=True) for t, parts in both.items() if parts}
    return replace(first, **whole, kept=first.kept | then.kept)


def _health(night: Night, runs: list[Flown], moves: list[np.ndarray]) -> float:
    """Return 1 where `learn` says, after the job, that this rotor has changed."""
    log = history_of_jobs(night.rotor, [*night.earlier(PAIRS), night.logged(runs, moves)])
    return float(any(row["rotor"] == SERIAL for row in _whole(night, log, health=True).health))


def rows_of(cells: Cells) -> list[dict[str, Value]]:
    """Return the table."""
    rows = []
    for cell in cells.by_cell:
        row: dict[str, Value] = dict(zip(("condition", "who decides"), cell, strict=True))
        row |= row_of(cells, cell, None)
        row["suspects"] = cells.mean(cell, "suspects")
        row["turn told"] = cells.mean(cell, "turn")
        row["health"] = cells.mean(cell, "health")
        rows.append(row)
    return rows


def main() -> None:
    """Print the table."""
    asked = arguments(__doc__, jobs=300, quick=3).parse_args()
    tasks = [Task(condition, seed) for condition in CONDITIONS for seed in seeds_of(asked)]
    cells = Cells(results_of(asked, one_job, tasks))
    rows = rows_of(cells)
    title = f"Where the world is not as assumed, {cells.jobs} jobs a cell"
    put(asked.folder, "sensitivity", title, rows)
    columns = ["corrections", "inside first", "less true"]
    figure = by_condition(rows, "condition", "who decides", columns)
    kept_figure(asked.folder, "sensitivity", figure)


if __name__ == "__main__":
    ended(main)
