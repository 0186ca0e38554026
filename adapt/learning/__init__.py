"""Learning influence coefficients from before/after run pairs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.coefficients.reviewed import review_notes, reviewed
from adapt.learning.runs import history_of, runs_of
from adapt.learning.screening import fit_screened
from adapt.learning.sequential import update
from adapt.rotor import Rotor

__all__ = ["learn", "update"]


def learn(
    rotor: Rotor,
    log: Any,
    chart: Chart | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Coefficients:
    """Learn the coefficients of a rotor design from a log, starting from its chart.

    log: a log, its path, or a history that was checked already. progress: called with (steps done,
    steps in all). Pairs that are probably not as entered are held back and listed as suspects,
    unless a review kept them; entries that reviews correct or exclude are used so.
    Raises BadInput when the log cannot be read.
    """
    history = history_of(rotor, log)
    screened = fit_screened(rotor, runs_of(rotor, history), chart, progress, history.source)
    coefficients = replace(
        screened.coefficients,
        origin={**screened.coefficients.origin, "reviewed": reviewed(history)},
        notes=(*screened.coefficients.notes, *review_notes(history)),
    )
    left_out = len(history.set_aside)
    if left_out:
        note = f"{left_out} job{'s' if left_out > 1 else ''} left out because of faults in the log"
        coefficients = replace(coefficients, notes=(*coefficients.notes, note))
    return coefficients
