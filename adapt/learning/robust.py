"""A fit that rough runs and gusts do not bend: noise with heavier tails than normal.

Reading scatter of run k is CN(0, r / u_k), the step to it CN(0, q / v_k), common to all channels of
the run, u and v from Gamma(nu / 2, nu / 2): Student-t noise with nu degrees of freedom. Each is
replaced in turn by its mean given the rest (expectation-maximisation, Lange, Little and Taylor,
Journal of the American Statistical Association 84 (1989) 881, from memory):

    u_k = (nu / 2 + n_k) / (nu / 2 + s_k),   s_k = sum over channels of E[|e_k|^2 | data] / r

n_k: circular readings (track: half the heights' contrasts) that show e_k. Channels of a run are not
independent, so n and s count times the share that speaks for itself (see `correlation`). nu is
estimated from all runs of the log, of readings and of steps each, of track by itself, with 1 / nu
expected as exponential of mean 1/4. From nu = 50 on noise counts as normal and all weights are 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.correlation import speaking_share
from adapt.learning.learner import Fitted, Learned, fit, units_of
from adapt.learning.runs import Runs, orders, track_contrasts, track_moves, vibration_moves
from adapt.learning.smoothed import Noises, smoothed_squares
from adapt.learning.weights import Weight, Weights
from adapt.rotor import Rotor

__all__ = ["fit_robust"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

LEAST, MOST = 2.1, 200.0  # degrees of freedom of the heaviest tails, and of the lightest
NORMAL = 50.0  # degrees of freedom from where on noise counts as normal
EXPECTED_TAIL = 0.25  # 1 / degrees of freedom, on average
START, FIRST = 4.0, 3  # degrees of freedom of the first looks, and how many
SCALINGS = 20  # of the squares, each by weights at the last one
ROUNDS, ENOUGH = 10, 0.02  # of weighing, at most; a smaller change of every weight is the end
AT_ONCE = 2_000_000  # numbers worked on together, for memory
LISTED, HALF = 5, 0.5  # runs named in the note; weights below which they are


@dataclass(frozen=True, eq=False)
class _Tail:
    """How heavy the tails of one kind of noise are, and each run's u.

    u: (run,), mean of u given the data, prior mean 1, NaN where nothing shows it. freedom: nu.
    middle: the mean over runs of E[1 / u]: a typical run's variance times it is the mean one.
    """

    u: Real
    freedom: float
    middle: float
    looks: int = 0

    @classmethod
    def begin(cls, runs: int) -> _Tail:
        """Return normal noise, before the first look."""
        return cls(np.full(runs, np.nan), START, 1.0)

    @property
    def weight(self) -> Real | None:
        """Weights of runs as they enter a fit, (run,); None = 1 everywhere."""
        if self.freedom >= NORMAL or np.isnan(self.u).all():
            return None
        return np.where(np.isnan(self.u), 1.0, self.u * self.middle)

    def after(self, square: Real, count: Real) -> _Tail:
        """Return the tail after another look.

        square: (run,), sum of the mean squares over the mean variance of all runs, times the share
        that counts; count: (run,), of how many circular normals.
        """
        shown = count > 0
        if not shown.any():
            return self
        square, count = square[shown] * self.middle, count[shown]
        freedom = START if self.looks < FIRST else _freedom(square, count)
        square = square / _scale(square, count, freedom / 2)
        if freedom >= NORMAL:
            return _Tail(np.full(len(shown), np.nan), freedom, 1.0, self.looks + 1)
        shape, rate = freedom / 2 + count, freedom / 2 + square
        u = np.full(len(shown), np.nan)
        u[shown] = shape / rate
        return _Tail(u, freedom, float((rate / (shape - 1.0)).mean()), self.looks + 1)


@dataclass(frozen=True, eq=False)
class _Tails:
    """The tails of one instrument's readings and steps."""

    reading: _Tail
    step: _Tail

    @property
    def weight(self) -> Weight:
        return Weight(self.reading.weight, self.step.weight)


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
    calm run, so that what is predicted and taken in later, at weight 1, counts as an average run.
    """
    fitted = fit(rotor, runs, chart, progress, source, start)
    none = _Tails(_Tail.begin(len(runs)), _Tail.begin(len(runs)))
    tails, weights = (none, none), Weights(none.weight, none.weight)
    for _ in range(ROUNDS):
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


def _vibration_tails(rotor: Rotor, runs: Runs, fitted: Fitted, tails: _Tails) -> _Tails:
    """Look at every run's vibration at the last fit, and weigh it anew."""
    learned = fitted[1]
    unit = np.repeat(units_of(rotor, runs)[0], len(rotor.regimes), axis=1)
    x = vibration_moves(rotor, runs)[orders(rotor)[1]].transpose(1, 0, 2)[:, :, None]
    return _look(
        runs, learned, tails, runs.readings[:, :, None], x, unit, runs.repeats,
        _of_moves(runs, fitted[0].noise.move_var),
    )  # fmt: skip


def _track_tails(rotor: Rotor, runs: Runs, fitted: Fitted, tails: _Tails) -> _Tails:
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
    tails: _Tails,
    values: Array,
    moves: Array,
    unit: Whole,
    repeats: Real,
    of_moves: Real | None,
) -> _Tails:
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
    return _Tails(tails.reading.after(square[0], count[0]), tails.step.after(square[1], count[1]))


def _freedom(square: Real, count: Real) -> float:
    """Return the likeliest nu.

    The likelihood is the Student-t's, u integrated out (Liu and Rubin, Biometrika 81 (1994) 633,
    from memory): in far fewer rounds than by the mean of log u.
    """

    def loss(log_half: float) -> float:
        half = np.exp(log_half)
        over = square / _scale(square, count, half)
        likely = gammaln(half + count) - gammaln(half) + half * np.log(half)
        likely = likely - (half + count) * np.log(half + over) - count * np.log(square / over)
        return float(0.5 / half / EXPECTED_TAIL - likely.sum())

    bounds = (float(np.log(LEAST / 2)), float(np.log(MOST / 2)))
    half = float(np.exp(minimize_scalar(loss, bounds=bounds, method="bounded").x))
    return 2 * half


def _scale(square: Real, count: Real, half: float) -> float:
    """Return the likeliest scale of the squares at a given nu / 2, by reweighting.

    Near 1 unless what the rotor file expects of the noise outweighs the data.
    """
    scale = float(square.sum() / count.sum())
    for _ in range(SCALINGS):
        scale = float(((half + count) / (half + square / scale) * square).sum() / count.sum())
    return scale


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
    coefficients: Coefficients, runs: Runs, tails: tuple[_Tails, _Tails], weights: Weights
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
        origin={**coefficients.origin, "robust": True, "robust_freedom": freedom},
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
