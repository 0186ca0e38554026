"""A fit that rough runs and gusts do not bend: fits and looks at every run take turns.

At a fit, the readings say how rough each run was (`smoothed`), and that, over all runs, how heavy
the tails of the noise are and how much each run counts (`tails`); then follows a fit in which it
does. Readings and steps have tails each, and so has track, which has its own instrument. Where the
noise is normal all weights are 1 and the answer is that of `learner.fit`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.fitting.learner import Fitted, Learned, fit, units_of
from adapt.learning.robust.kept_weights import WEIGHTS, rows_of_weights
from adapt.learning.robust.smoothed import Noises, smoothed_squares
from adapt.learning.robust.tails import Tail, Tails
from adapt.learning.rows.runs import Runs, orders, track_contrasts, track_moves, vibration_moves
from adapt.learning.rows.weights import Weights
from adapt.rotor import Rotor

__all__ = ["fit_robust"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

ROUNDS, ENOUGH = 8, 0.02  # of fitting, at most; a smaller change of every weight is the end
LOOKS = 4  # at one fit, each at the weights of the last: looks are cheap, fits are not
AT_ONCE = 2_000_000  # numbers worked on together, for memory
LISTED, HALF = 5, 0.5  # runs named in the note; weights below which they are


def fit_robust(
    rotor: Rotor,
    runs: Runs,
    chart: Chart | None = None,
    progress: Callable[[int, int], None] | None = None,
    source: str = "",
    start: Fitted | None = None,
) -> Fitted:
    """Learn from runs as `learner.fit` does, each run counting by how rough it was.

    The answer is that of `fit` at the weights found. Its noise is the mean over runs, not that of a
    calm run (single ones up to 64 times as rough), so that what is predicted and taken in later, at
    weight 1, counts as an average run.
    """
    fitted = fit(rotor, runs, chart, progress, source, start)
    none = Tails(Tail.begin(len(runs)), Tail.begin(len(runs)))
    tails, weights = (none, none), Weights(none.weight, none.weight)
    for _ in range(ROUNDS):
        for _ in range(LOOKS):
            tails = (
                _vibration_tails(rotor, runs, fitted, tails[0]),
                _track_tails(rotor, runs, fitted, tails[1]),
            )
        before, weights = weights, Weights(tails[0].weight, tails[1].weight)
        if _alike(before, weights):
            weights = before
            break
        fitted = fit(rotor, runs, chart, None, source, fitted, weights)
    return (_noted(fitted[0], runs, tails, weights), *fitted[1:])


def _vibration_tails(rotor: Rotor, runs: Runs, fitted: Fitted, tails: Tails) -> Tails:
    """Look at every run's vibration at the last fit, and weigh it anew."""
    learned = fitted[1]
    unit = np.repeat(units_of(rotor, runs)[0], len(rotor.regimes), axis=1)
    x = vibration_moves(rotor, runs)[orders(rotor)[1]].transpose(1, 0, 2)[:, :, None]
    return _look(
        runs, learned, tails, runs.readings[:, :, None], x, unit, runs.repeats,
        _of_moves(runs, fitted[0].noise.move_var),
    )  # fmt: skip


def _track_tails(rotor: Rotor, runs: Runs, fitted: Fitted, tails: Tails) -> Tails:
    """Do the same for track."""
    learned = fitted[2]
    if learned is None:
        return tails
    regimes = len(rotor.regimes)
    unit = np.repeat(runs.rotor[:, None], regimes, axis=1)
    x = np.repeat(track_moves(runs)[:, None], regimes, axis=1)
    return _look(
        runs, learned, tails, track_contrasts(runs), x, unit, np.ones(unit.shape),
        _of_moves(runs, fitted[0].noise.track_move_var),
    )  # fmt: skip


def _of_moves(runs: Runs, move_var: Real | None) -> Real | None:
    """Return what inexact moves add to the variance of each step, (run, channel)."""
    return None if move_var is None else np.asarray(runs.moved @ np.nan_to_num(move_var).T)


def _look(
    runs: Runs,
    learned: Learned,
    tails: Tails,
    values: Array,
    moves: Array,
    unit: Whole,
    repeats: Real,
    of_moves: Real | None,
) -> Tails:
    """Return the tails after a look at every run at the last fit.

    values: (run, channel, part); moves: (run, channel, part, adjuster); unit, repeats, of_moves:
    (run, channel).
    """
    channels, parts, adjusters = moves.shape[1:]
    square, count = np.zeros((2, len(runs))), np.zeros((2, len(runs)))
    mean = np.where(learned.table.fixed, 0.0, learned.fleet.unit_mean) / learned.table.scale
    moves = np.where(learned.table.fixed[:, None], 0.0, moves)
    weight = tails.weight
    reading_var = learned.variances.reading_var / repeats
    if weight.reading is not None:
        reading_var = reading_var / weight.reading[:, None]
    step_var = np.broadcast_to(learned.variances.run_var, reading_var.shape)
    if weight.step is not None:
        step_var = step_var / weight.step[:, None]
    whole = step_var if of_moves is None else step_var + of_moves
    scale = learned.table.scale[:, None] * learned.table.scale
    bounds = np.append(np.flatnonzero(runs.starts), len(runs))
    lengths, begins = np.diff(bounds), bounds[:-1]
    channel = np.arange(channels)
    for length in np.unique(lengths[lengths > 1]).tolist():
        firsts = begins[lengths == length]
        each = max(AT_ONCE // (max(channels, 1) * length * (length + parts * adjusters)), 1)
        for start in range(0, len(firsts), each):
            first = firsts[start : start + each]
            at = first[:, None] + np.arange(length)

            def lines(table: Array, at: Whole = at) -> Array:
                of_segment = np.swapaxes(table[at], 1, 2)  # (segment, channel, run, ...)
                return of_segment.reshape(-1, *of_segment.shape[2:])

            owner = unit[first]
            found = smoothed_squares(
                lines(values), lines(moves),
                mean[owner, channel].reshape(-1, adjusters),
                (learned.fleet.unit_cov[owner, channel] / scale).reshape(-1, adjusters, adjusters),
                Noises(lines(reading_var), lines(step_var), lines(whole)),
            )  # fmt: skip
            shape = len(first), channels, length
            for kind, own, shown in (
                (0, found.reading, found.reading_shown), (1, found.step, found.step_shown)
            ):  # fmt: skip
                square[kind, at] = own.reshape(shape).sum(axis=1)
                count[kind, at] = parts * shown.reshape(shape).sum(axis=1)
    # Mean squares over the run's own variance; over the mean variance of all runs they are
    # divided by its weight.
    of_run = [np.ones(len(runs)) if w is None else w for w in (weight.reading, weight.step)]
    share = learned.table.half * speaking_share(learned.correlation)
    square, count = share * square / np.array(of_run), share * count
    return Tails(tails.reading.after(square[0], count[0]), tails.step.after(square[1], count[1]))


def _alike(one: Weights, other: Weights) -> bool:
    """Return whether all weights are the same but for a little."""

    def same(a: Real | None, b: Real | None) -> bool:
        if a is None or b is None:
            return a is b
        return bool(np.abs(np.log(a / b)).max(initial=0.0) < ENOUGH)

    return all(
        same(a.reading, b.reading) and same(a.step, b.step)
        for a, b in ((one.vibration, other.vibration), (one.track, other.track))
    )


def _noted(
    coefficients: Coefficients, runs: Runs, tails: tuple[Tails, Tails], weights: Weights
) -> Coefficients:
    """Return the coefficients with what weighing did, in words and in where they came from."""
    parts = {
        "readings": (tails[0].reading, weights.vibration.reading),
        "steps": (tails[0].step, weights.vibration.step),
        "track_readings": (tails[1].reading, weights.track.reading),
        "track_steps": (tails[1].step, weights.track.step),
    }
    notes = [
        _note(runs, name, weight)
        for name, (_, weight) in parts.items()
        if weight is not None and (weight < HALF).any()
    ]
    freedom = {
        name: None if weight is None else tail.freedom for name, (tail, weight) in parts.items()
    }
    return replace(
        coefficients,
        notes=(*coefficients.notes, *(notes or ["robust fit: all runs count much alike"])),
        origin={
            **coefficients.origin,
            "robust": True,
            "robust_freedom": freedom,
            WEIGHTS: rows_of_weights(runs, weights),
        },
    )


def _note(runs: Runs, name: str, weight: Real) -> str:
    """Return which runs were weighed down most."""
    what = name.replace("_", " ").replace("steps", "changes from the run before")
    least = np.argsort(weight, kind="stable")[:LISTED]
    listed = ", ".join(
        f"{runs.jobs[runs.job[k]]} run {runs.names[k]} ({weight[k]:.2f})"
        for k in least
        if weight[k] < HALF
    )
    down = int((weight < HALF).sum())
    more = ", the least" if down > LISTED else ""
    return (
        f"robust fit: {what} of {down} of {len(runs)} runs count less than half as much as on "
        f"average{more}: {listed}; runs that `update` takes in later count as an average run"
    )
