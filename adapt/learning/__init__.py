"""Learning influence coefficients from before/after run pairs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.coefficients.reviewed import review_notes, reviewed
from adapt.learning.health import find_changes
from adapt.learning.influence import influence
from adapt.learning.replaced import kept_notes
from adapt.learning.rows.runs import history_of, runs_of
from adapt.learning.sequential import update
from adapt.learning.whole import Happened, learn_runs
from adapt.rotor import Rotor

__all__ = ["influence", "learn", "update"]


def learn(
    rotor: Rotor,
    log: Any,
    chart: Chart | None = None,
    progress: Callable[[int, int], None] | None = None,
    robust: bool = False,
    health: bool = True,
) -> Coefficients:
    """Learn the coefficients of a rotor design from a log, starting from its chart.

    log: a log, its path, or a history that was checked already. progress: called with (steps done,
    steps in all). robust: rough runs and gusts count less, as far as the log shows that there are
    any; origin and notes say which. Pairs that are probably not as entered are held back and listed
    as suspects, unless a review kept them; entries that reviews correct or exclude are used so. The
    coefficients are those of each rotor as it reads now; `health` says which rotors to inspect
    before balancing; without `health` nobody looks, which saves time on thousands of rotors.
    Raises BadInput when the log cannot be read.
    """
    history = history_of(rotor, log)
    runs = runs_of(rotor, history)
    happened = Happened.of(rotor, runs, history)
    found = learn_runs(rotor, runs, happened, chart, progress, history.source, robust=robust)
    learned, counted = found.coefficients, found.as_counted(runs)
    findings = find_changes(rotor, counted, learned, happened.doubt > 0) if health else ()
    notes = (*learned.notes, *kept_notes(runs, history), *review_notes(history))
    if not health:
        notes = (*notes, "whether rotors still answer as they did was not looked at")
    coefficients = replace(
        learned,
        health=tuple(findings),
        origin={**learned.origin, **history.state_in("log"), "reviewed": reviewed(history)},
        notes=notes,
    )
    left_out = len(history.set_aside)
    if left_out:
        note = f"{left_out} job{'s' if left_out > 1 else ''} left out because of faults in the log"
        coefficients = replace(coefficients, notes=(*coefficients.notes, note))
    return coefficients
