"""Variances by restricted likelihood: reading scatter r, run-to-run change q, spread of rotors D.

All channels at once, c flat. D = (spread per component) x |c|, one relative spread for a whole
table of channels, because a channel's own is not known with few rotors and would collapse to 0.

Scores and their scale come from one pass over the rows: with e the residual of a row and h its
posterior variance, d(log likelihood)/dv = (|e|^2 + h) / v^2 - 1 / v, and (1 / v - h / v^2)^2 stands
for the information (the projection's diagonal; off-diagonal terms only change the path).
Source: Gilmour, Thompson and Cullis, Biometrics 51 (1995) 1440, and Searle, Casella and McCulloch,
Variance Components (Wiley 1992), chapter 6, both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fleet import (
    Fleet,
    Known,
    Prior,
    Table,
    flat,
    informed_directions,
    solve_fleet,
)
from adapt.learning.gls import gls

__all__ = ["ONE_ROTOR_SPREAD", "Center", "Variances", "estimate", "restricted_log_likelihood"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

ONE_ROTOR_SPREAD = 0.12  # per component, relative: what one rotor differs from its type by
SPREAD_WEIGHT = 4.0  # degrees of freedom of that expectation
NOISE_WEIGHT = 4.0  # degrees of freedom of a channel's expected noise
POOL_WEIGHT = 0.5  # the same for noise pooled over the channels of a sensor
RATIO_WEIGHT = 1.0  # precision of log(r / q) about its expectation
NOISE_FLOOR = 1e-6  # of the channel's rms, for sqrt(q) and sqrt(r)
SMALL_EFFECT = 0.2  # a coefficient's spread is at least that of 0.2 of its sensor's rms coefficient
ROUNDS, PASSES, TOLERANCE = 40, 2, 1e-4


@dataclass(frozen=True, eq=False)
class Center:
    """Noise expected before the data, each (channel,): run_var q and reading_var r."""

    run_var: Real
    reading_var: Real


@dataclass(frozen=True, eq=False)
class Variances:
    """Estimated variances.

    run_var q, reading_var r: (channel,). spread: D, (channel, adjuster), in scaled columns.
    relative: the spread per component as a share of the coefficient.
    """

    run_var: Real
    reading_var: Real
    spread: Real
    relative: float


@dataclass(frozen=True, eq=False)
class _Pass:
    """One pass over the rows: penalised -log likelihood and its scores, see `_noise_pass`."""

    objective: Real
    score: Real
    information: Real
    fleet: Fleet


def estimate(
    table: Table,
    prior: Prior,
    expected: Center,
    stated: npt.NDArray[np.bool_],
    sensor: Whole,
    floor: Real,
) -> Variances:
    """Estimate q, r and D of every channel.

    prior: of c, in scaled columns (only sets the size of the spread of adjusters that never moved).
    expected: noise to start from. stated: (channel,), True where the rotor file states it; the
    other channels start from what their sensor's channels show together. sensor: (channel,) code.
    floor: (channel,) rms of the readings.
    """
    bottom = np.maximum(NOISE_FLOOR * floor, 1e-150) ** 2
    expected = Center(
        np.maximum(expected.run_var, bottom), np.maximum(expected.reading_var, bottom)
    )
    prior_flat = flat(prior)
    known = informed_directions(table, prior_flat)
    known_with_chart = informed_directions(table, prior)
    size = _size(_start(table, prior, expected), prior, sensor)
    relative = ONE_ROTOR_SPREAD
    factor = 2.0 * table.half

    def spread(share: float) -> Real:
        return factor * share**2 * size

    center = expected
    if not stated.all():
        pooled = _noise(
            table, expected, expected, spread(relative), prior_flat, known, sensor, POOL_WEIGHT,
            bottom, ROUNDS,
        )  # fmt: skip
        center = Center(
            np.where(stated, expected.run_var, pooled.run_var),
            np.where(stated, expected.reading_var, pooled.reading_var),
        )

    current = center
    own = np.arange(len(sensor))
    for _ in range(ROUNDS):
        before = np.log(np.concatenate([current.run_var, current.reading_var, [relative**2]]))
        current = _noise(
            table, current, center, spread(relative), prior_flat, known, own, NOISE_WEIGHT, bottom,
            PASSES,
        )  # fmt: skip
        relative, fleet = _relative_spread(
            table, current, spread(relative), relative, prior_flat, known
        )
        if not (np.isinf(prior.var) | prior.fixed).all():
            fleet = solve_fleet(
                table, current.run_var, current.reading_var, spread(relative), prior,
                known_with_chart,
            )  # fmt: skip
        size = _size(np.where(known_with_chart.sure, fleet.mean, 0.0), prior, sensor)
        after = np.log(np.concatenate([current.run_var, current.reading_var, [relative**2]]))
        if np.abs(after - before).max() < TOLERANCE:
            break
    return Variances(current.run_var, current.reading_var, spread(relative), relative)


def restricted_log_likelihood(
    table: Table, run_var: Real, reading_var: Real, spread: Real, prior: Prior
) -> Real:
    """Return the restricted log-likelihood of every channel without constants, (channel,).

    Constants: those that depend on the number of rows and the scale of the columns only.
    """
    prior = flat(prior)
    known = informed_directions(table, prior)
    fleet = solve_fleet(table, run_var, reading_var, spread, prior, known)
    return -_deviance(table, fleet, spread)


def _start(table: Table, prior: Prior, expected: Center) -> Array:
    """Return starting coefficients of the type, (channel, adjuster), 0 where nothing is known."""
    rows = table.rows
    start = np.where(np.isinf(prior.var), 0.0, prior.mean)
    for channel in range(start.shape[0]):
        live = rows.live[:, channel]
        variance = expected.run_var[channel] + expected.reading_var[channel] * rows.lam[:, channel]
        found = gls(table.x[live, channel], rows.d[live, channel], variance[live]).estimate
        start[channel] = np.where(np.isnan(found), start[channel], found)
    return start


def _size(mean: Array, prior: Prior, sensor: Whole) -> Real:
    """Return |c|^2 by which spreads are measured, (channel, adjuster).

    Not less than a share of the sensor's rms over regimes: a coefficient that happens to be near
    zero in one regime still differs between rotors.
    """
    square = np.abs(mean) ** 2
    groups = sensor[:, None] == sensor
    average = groups @ square / groups.sum(axis=1, keepdims=True)
    return np.where(prior.fixed, 0.0, np.maximum(square, SMALL_EFFECT**2 * average))


def _deviance(table: Table, fleet: Fleet, spread: Real) -> Real:
    """Return the -log restricted likelihood of every channel, (channel,); fleet: with c flat."""
    rows = table.rows
    eye = np.eye(spread.shape[1])
    log_v = -np.log(np.where(rows.live, fleet.weight, 1.0)).sum(axis=0)
    log_between = np.linalg.slogdet(eye + spread[None, :, :, None] * fleet.h)[1].sum(axis=0)
    error = np.einsum("rj,rj->j", fleet.weight, np.abs(rows.d) ** 2)
    error -= np.einsum("ija,ijab,ijb->j", fleet.b.conj(), fleet.w, fleet.b).real
    heard = np.einsum("ijba,ijb->ja", fleet.f.conj(), fleet.b)
    error -= np.einsum("ja,ja->j", heard.conj(), fleet.mean).real
    result: Real = table.half * (log_v + log_between + fleet.log_det + error)
    return result


def _noise(
    table: Table,
    start: Center,
    center: Center,
    spread: Real,
    prior: Prior,
    known: Known,
    group: Whole,
    weight: float,
    bottom: Real,
    passes: int,
) -> Center:
    """Maximise the penalised restricted likelihood over q and r at given D.

    group: (channel,): channels of one group share q and r. passes: accepted steps at most.
    """
    groups = int(group.max()) + 1 if len(group) else 0

    def tie(values: Real) -> Real:
        return np.array([np.bincount(group, v, groups) for v in np.atleast_2d(values)])

    def shared(center: Center) -> Real:
        count = tie(np.ones(len(group)))[0]
        logs = np.log([center.run_var, center.reading_var])
        result: Real = tie(logs) / count
        return result

    def look(theta: Real) -> tuple[Real, Real, Real]:
        q, r = np.exp(theta[:, group])
        seen = _noise_pass(table, q, r, spread, prior, known)
        penalty, pull, stiffness = _expectation(theta, middle, weight)
        objective = tie(seen.objective)[0] + penalty
        score = tie(seen.score) + pull
        information = tie(seen.information.reshape(4, -1)).reshape(2, 2, -1) + stiffness
        return objective, score, information

    middle = shared(center)
    floor = np.log(tie(bottom)[0] / tie(np.ones(len(group)))[0])
    theta = np.maximum(shared(start), floor)
    objective, score, information = look(theta)
    damping = np.full(groups, 1e-3)
    accepted = 0
    for _ in range(3 * passes):
        step = _step(score, information, damping)
        trial = np.maximum(theta + step, floor)
        found, trial_score, trial_information = look(trial)
        better = found <= objective + 1e-10 * np.abs(objective)
        theta = np.where(better, trial, theta)
        objective = np.where(better, found, objective)
        score = np.where(better, trial_score, score)
        information = np.where(better, trial_information, information)
        damping = np.where(better, np.maximum(damping / 10, 1e-6), damping * 10)
        accepted += int(better.all())
        if accepted >= passes or np.abs(step).max(initial=0.0) < 0.1 * TOLERANCE:
            break
    q, r = np.exp(theta[:, group])
    return Center(q, r)


def _step(score: Real, information: Real, damping: Real) -> Real:
    """Return the damped scoring step, (2, group), at most 1.5 in the logarithm of a variance."""
    a = information[0, 0] * (1 + damping) + 1e-12
    d = information[1, 1] * (1 + damping) + 1e-12
    b = information[0, 1]
    det = np.maximum(a * d - b * b, 1e-12 * a * d)
    step = np.array([(d * score[0] - b * score[1]) / det, (a * score[1] - b * score[0]) / det])
    largest = np.abs(step).max(axis=0, initial=1e-300)
    result: Real = step * np.minimum(1.0, 1.5 / largest)
    return result


def _expectation(theta: Real, middle: Real, weight: float) -> tuple[Real, Real, Real]:
    """Return penalty, score and information of what was expected of q and r.

    theta, middle: (2, group) log q and log r. The variance of one difference, q + 2 r, is expected
    as a scaled inverse chi-square with `weight` degrees of freedom, and log(r / q) as normal, so
    that q and r keep their expected ratio where the data cannot tell them apart.
    """
    q, r = np.exp(theta)
    total, wanted = q + 2 * r, np.exp(middle[0]) + 2 * np.exp(middle[1])
    ratio = (theta[1] - theta[0]) - (middle[1] - middle[0])
    share = np.array([q / total, 2 * r / total])
    excess = wanted / total
    penalty = 0.5 * weight * (np.log(total) + excess) + 0.5 * RATIO_WEIGHT * ratio**2
    score = 0.5 * weight * (excess - 1) * share + RATIO_WEIGHT * ratio * np.array([[1.0], [-1.0]])
    ones = np.array([[1.0, -1.0], [-1.0, 1.0]])[:, :, None] * RATIO_WEIGHT
    information = 0.5 * weight * excess * share[:, None] * share[None, :] + ones
    return penalty, score, information


def _noise_pass(table: Table, q: Real, r: Real, spread: Real, prior: Prior, known: Known) -> _Pass:
    """Return -log restricted likelihood with its scores in log q and log r.

    objective: (channel,); score: (2, channel); information: (2, 2, channel).
    """
    rows = table.rows
    fleet = solve_fleet(table, q, r, spread, prior, known)
    error, doubt = row_errors(table, fleet)
    weight = fleet.weight
    score_v = weight**2 * (np.abs(error) ** 2 + doubt) - weight
    known_v = (weight - weight**2 * doubt) ** 2
    scale = np.array([q, r])
    parts = np.array([np.where(rows.live, 1.0, 0.0), np.where(rows.live, rows.lam, 0.0)])
    score = table.half * scale * np.einsum("prj,rj->pj", parts, score_v)
    information = (
        table.half
        * scale[:, None]
        * scale[None, :]
        * np.einsum("prj,srj,rj->psj", parts, parts, known_v)
    )
    return _Pass(_deviance(table, fleet, spread), score, information, fleet)


def row_errors(table: Table, fleet: Fleet) -> tuple[Array, Real]:
    """Return each row's residual from its unit's mean, and that mean's variance, (row, channel)."""
    unit = table.rows.unit
    error = table.rows.d - np.einsum("rja,rja->rj", table.x, fleet.unit_mean[unit])
    doubt = np.einsum("rjab,rjba->rj", table.outer, fleet.unit_cov[unit]).real
    return error, doubt


def _relative_spread(
    table: Table, noise: Center, spread: Real, relative: float, prior: Prior, known: Known
) -> tuple[float, Fleet]:
    """Return one scoring step of the relative spread, and the solution that it started from."""
    fleet = solve_fleet(table, noise.run_var, noise.reading_var, spread, prior, known)
    eye = np.eye(spread.shape[1])
    away = fleet.unit_mean - fleet.mean
    leak = eye - fleet.f
    doubt = np.einsum("ijaa->ija", fleet.w).real
    doubt = doubt + np.einsum("ijab,jbc,ijac->ija", leak, fleet.cov, leak.conj()).real
    use = (spread > 0) & known.sure
    size = np.where(use, spread, 1.0)
    score = table.half * np.where(use, (np.abs(away) ** 2 + doubt) / size - 1.0, 0.0).sum()
    information = table.half * np.where(use, (1.0 - doubt / size) ** 2, 0.0).sum()
    excess = (ONE_ROTOR_SPREAD / relative) ** 2
    score += 0.5 * SPREAD_WEIGHT * (excess - 1.0)
    information += 0.5 * SPREAD_WEIGHT * excess
    step = float(np.clip(score / information, -1.0, 1.0))
    return float(relative * np.exp(0.5 * step)), fleet
