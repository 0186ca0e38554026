"""Variances by restricted likelihood: reading scatter r, run-to-run change q, spread of rotors.

All channels at once, c flat. Rotors differ from their type by three shares per component, each one
number for a whole table of channels, because a channel's own is not known with few rotors and would
collapse to 0: a gain and rotation common to all adjusters at a sensor, one of each adjuster common
to the sensor's regimes, and the rest, of each coefficient by itself.

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
    Spread,
    flat,
    informed_directions,
    solve_fleet,
)
from adapt.learning.table import Table

__all__ = [
    "ONE_ROTOR_SPREAD", "Center", "Shares", "Variances", "Within", "estimate",
    "restricted_log_likelihood",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

ONE_ROTOR_SPREAD = 0.12  # per component, relative: what one rotor differs from its type by
ONE_ROTOR_REST = 0.06  # of that, each coefficient's own
# Degrees of freedom of the expected shares: gain, adjuster, rest. The rest's keep it from 0, where
# a sensor's regimes would be taken to know all about each other.
SPREAD_WEIGHT = (2.0, 2.0, 4.0)
NOISE_WEIGHT = 4.0  # degrees of freedom of a channel's expected noise
POOL_WEIGHT = 0.5  # the same for noise pooled over the channels of a sensor
RATIO_WEIGHT = 1.0  # precision of log(r / q) about its expectation
NOISE_FLOOR = 1e-6  # of the channel's rms, for sqrt(q) and sqrt(r)
SMALL_EFFECT = 0.2  # a coefficient's spread is at least that of 0.2 of its sensor's rms coefficient
ROUNDS, PASSES, TOLERANCE = 40, 2, 1e-4
FIRST_LOOK = 300  # rotors: a larger fleet's variances are first sought on so many, evenly drawn


@dataclass(frozen=True, eq=False)
class Center:
    """Noise expected before the data, each (channel,): run_var q and reading_var r."""

    run_var: Real
    reading_var: Real


@dataclass(frozen=True, eq=False)
class Within:
    """Scatter seen within runs, of readings that were averaged there, each (channel,).

    freedom: complex degrees of freedom; square: sum of squares about the means, so that square /
    freedom estimates r.
    """

    freedom: Real
    square: Real

    @classmethod
    def none(cls, channels: int) -> Within:
        """Return that nothing was seen."""
        return cls(np.zeros(channels), np.zeros(channels))

    def at_most(self, rows: Real) -> Within:
        """Return the same with no more freedom than the channel has rows, (channel,).

        What varies within a run must not outvote what varies between runs.
        """
        share = np.minimum(1.0, rows / np.maximum(self.freedom, 1e-300))
        return Within(share * self.freedom, share * self.square)


@dataclass(frozen=True)
class Shares:
    """How rotors differ from their type, per component, as shares of the coefficient.

    gain: common to all adjusters at a sensor; adjuster: common to a sensor's regimes; rest: each
    coefficient's own.
    """

    gain: float
    adjuster: float
    rest: float

    @property
    def total(self) -> float:
        """Return the spread of one coefficient per component."""
        return float(np.hypot(np.hypot(self.gain, self.adjuster), self.rest))


COMMON = float(np.sqrt((ONE_ROTOR_SPREAD**2 - ONE_ROTOR_REST**2) / 2.0))
ONE_ROTOR = Shares(gain=COMMON, adjuster=COMMON, rest=ONE_ROTOR_REST)


@dataclass(frozen=True, eq=False)
class Variances:
    """Estimated variances: run_var q, reading_var r: (channel,); the spread of rotors."""

    run_var: Real
    reading_var: Real
    spread: Spread
    shares: Shares


@dataclass(frozen=True, eq=False)
class _Pass:
    """One pass over the cells at given noise, see `_noise_pass`."""

    by_channel: Real
    by_group: Real
    score: Real
    information: Real


def estimate(
    table: Table,
    prior: Prior,
    expected: Center,
    stated: npt.NDArray[np.bool_],
    sensor: Whole,
    floor: Real,
    within: Within | None = None,
) -> Variances:
    """Estimate q and r of every channel and how rotors differ.

    prior: of c, in scaled columns (only sets the size of the spread of adjusters that never moved).
    expected: noise to start from. stated: (channel,), True where the rotor file states it; the
    other channels start from what their sensor's channels show together. sensor: (channel,) code.
    floor: (channel,) rms of the readings. within: scatter seen within runs, which informs r.
    """
    within = within or Within.none(len(sensor))
    bottom = np.maximum(NOISE_FLOOR * floor, 1e-150) ** 2
    expected = Center(
        np.maximum(expected.run_var, bottom), np.maximum(expected.reading_var, bottom)
    )
    has = np.asarray(table.total(table.count).any(axis=1))
    if has.sum() > 2 * FIRST_LOOK:
        drawn = np.zeros_like(has)
        drawn[np.flatnonzero(has)[:: int(has.sum()) // FIRST_LOOK]] = True
        some = _Search(table.only(drawn), prior, expected, stated, sensor, bottom, within)
        center, start, shares, mean = some.all()
        found = some.on(center, start, shares, mean)
        noise = Center(found.run_var, found.reading_var)
        whole = _Search(table, prior, expected, stated, sensor, bottom, within)
        return whole.on(center, noise, found.shares, found.spread.loading)
    search = _Search(table, prior, expected, stated, sensor, bottom, within)
    return search.on(*search.all())


@dataclass(frozen=True, eq=False)
class _Search:
    """The search for one table's variances; fields as in `estimate`, bottom: least variance."""

    table: Table
    prior: Prior
    expected: Center
    stated: npt.NDArray[np.bool_]
    sensor: Whole
    bottom: Real
    within: Within

    def all(self) -> tuple[Center, Center, Shares, Array]:
        """Return the noise that channels are expected to have, and where to start from.

        Channels whose noise nobody stated start from what their sensor's channels show together.
        """
        mean = _start(self.table, self.prior, self.expected)
        if self.stated.all():
            return self.expected, self.expected, ONE_ROTOR, mean
        free = flat(self.prior)
        pooled = _noise(
            self.table, self.expected, self.expected, self.spread(ONE_ROTOR, mean), free,
            informed_directions(self.table, free), self.sensor, POOL_WEIGHT, self.bottom, ROUNDS,
            self.within.at_most(self.table.count.sum(axis=0)),
        )  # fmt: skip
        center = Center(
            np.where(self.stated, self.expected.run_var, pooled.run_var),
            np.where(self.stated, self.expected.reading_var, pooled.reading_var),
        )
        return center, center, ONE_ROTOR, mean

    def on(self, center: Center, current: Center, shares: Shares, mean: Array) -> Variances:
        """Return the variances, by noise and shares in turn until neither moves."""
        table, prior = self.table, self.prior
        free = flat(prior)
        known, known_with_chart = (
            informed_directions(table, free),
            informed_directions(table, prior),
        )
        own = np.arange(len(self.sensor))
        within = self.within.at_most(table.count.sum(axis=0))
        charted = bool((prior.precision > 0).any())

        def logs() -> Real:
            parts = [shares.gain, shares.adjuster, shares.rest]
            return np.log(np.concatenate([current.run_var, current.reading_var, np.square(parts)]))

        for _ in range(ROUNDS):
            before = logs()
            current = _noise(
                table, current, center, self.spread(shares, mean), free, known, own, NOISE_WEIGHT,
                self.bottom, PASSES, within,
            )  # fmt: skip
            spread = self.spread(shares, mean)
            fleet = solve_fleet(table, current.run_var, current.reading_var, spread, free, known)
            shares = _next_shares(table, fleet, spread, shares, known)
            if charted:
                fleet = solve_fleet(
                    table, current.run_var, current.reading_var, self.spread(shares, mean), prior,
                    known_with_chart,
                )  # fmt: skip
            mean = np.where(known_with_chart.sure, fleet.mean, 0.0)
            if np.abs(logs() - before).max() < TOLERANCE:
                break
        return Variances(current.run_var, current.reading_var, self.spread(shares, mean), shares)

    def spread(self, shares: Shares, mean: Array) -> Spread:
        """Return how rotors differ; mean: (channel, adjuster), what the shares are shares of."""
        factor = 2.0 * self.table.half
        adjusters = mean.shape[1]
        share = shares.adjuster**2 * np.eye(adjusters) + shares.gain**2
        rest = factor * shares.rest**2 * _size(mean, self.prior, self.sensor)
        return Spread(rest, np.where(self.prior.fixed, 0.0, mean), factor * share)


def restricted_log_likelihood(
    table: Table, run_var: Real, reading_var: Real, spread: Spread, prior: Prior
) -> Real:
    """Return the restricted log-likelihood of every sensor's channels without constants, (group,).

    Constants: those that depend on the number of rows and the scale of the columns only.
    """
    prior = flat(prior)
    known = informed_directions(table, prior)
    fleet = solve_fleet(table, run_var, reading_var, spread, prior, known)
    by_channel, by_group = _deviance(table, fleet, spread)
    return -(by_channel.reshape(table.groups, -1).sum(axis=1) + by_group)


def _start(table: Table, prior: Prior, expected: Center) -> Array:
    """Return starting coefficients of the type, (channel, adjuster), 0 where nothing is known."""
    told = np.where(table.count > 0, 1.0 / (expected.run_var + expected.reading_var * table.lam), 0)
    gram = np.einsum("cj,cjab->jab", told, table.outer)
    right = np.einsum("cj,cja->ja", told, table.xd)
    sure = informed_directions(table, flat(prior)).sure
    found = np.array(
        [
            np.linalg.pinv(g, rcond=1e-10, hermitian=True) @ x
            for g, x in zip(gram, right, strict=True)
        ]
    ).reshape(prior.mean.shape)
    return np.where(sure, found, np.where(np.isinf(prior.var), 0.0, prior.mean))


def _size(mean: Array, prior: Prior, sensor: Whole) -> Real:
    """Return |c|^2 by which spreads are measured, (channel, adjuster).

    Not less than a share of the sensor's rms over regimes: a coefficient that happens to be near
    zero in one regime still differs between rotors.
    """
    square = np.abs(mean) ** 2
    groups = sensor[:, None] == sensor
    average = groups @ square / groups.sum(axis=1, keepdims=True)
    return np.where(prior.fixed, 0.0, np.maximum(square, SMALL_EFFECT**2 * average))


def _deviance(table: Table, fleet: Fleet, spread: Spread) -> tuple[Real, Real]:
    """Return the -log restricted likelihood: parts by channel, and by group.

    fleet: the solution with c flat.
    """
    groups, adjusters = table.groups, spread.share.shape[0]
    eye = np.eye(adjusters)
    live = table.count > 0
    log_v = -(table.count * np.log(np.where(live, fleet.weight, 1.0))).sum(axis=0)
    log_rest = np.linalg.slogdet(eye + spread.rest[:, :, None] * fleet.told.h)[1].sum(axis=0)
    error = np.einsum("cj,cj->j", fleet.weight, table.dd)
    error = (
        error - np.einsum("ija,ijab,ijb->j", fleet.told.b.conj(), fleet.told.w, fleet.told.b).real
    )
    log_share = np.linalg.slogdet(eye + spread.share @ fleet.told.share_info)[1].sum(axis=0)
    shared = np.einsum(
        "isa,isab,isb->s",
        fleet.told.share_heard.conj(),
        fleet.told.share_cov,
        fleet.told.share_heard,
    ).real
    fitted = np.einsum("sx,sx->s", fleet.right.conj(), fleet.mean.reshape(groups, -1)).real
    half = table.half
    return half * (log_v + log_rest + error), half * (log_share + fleet.log_det - shared - fitted)


def _noise(
    table: Table,
    start: Center,
    center: Center,
    spread: Spread,
    prior: Prior,
    known: Known,
    tied: Whole,
    weight: float,
    bottom: Real,
    passes: int,
    within: Within,
) -> Center:
    """Maximise the penalised restricted likelihood over q and r at a given spread of rotors.

    tied: (channel,): channels of one number share q and r; they are of one sensor. passes: accepted
    steps at most. The channels of a sensor are one objective, for rotors' shares join them.
    """
    ties = int(tied.max()) + 1 if len(tied) else 0
    sensor_of = np.zeros(ties, dtype=np.int64)
    sensor_of[tied] = np.repeat(np.arange(table.groups), len(tied) // max(table.groups, 1))

    def tie(values: Real) -> Real:
        return np.array([np.bincount(tied, v, ties) for v in np.atleast_2d(values)])

    def shared(center: Center) -> Real:
        count = tie(np.ones(len(tied)))[0]
        logs = np.log([center.run_var, center.reading_var])
        result: Real = tie(logs) / count
        return result

    def look(theta: Real) -> tuple[Real, Real, Real]:
        q, r = np.exp(theta[:, tied])
        seen = _noise_pass(table, q, r, spread, prior, known)
        penalty, pull, stiffness = _expectation(theta, middle, weight)
        excess = square / np.exp(theta[1])
        penalty = penalty + table.half * (freedom * theta[1] + excess)
        pull[1] += table.half * (excess - freedom)
        stiffness[1, 1] += table.half * excess
        objective = np.bincount(sensor_of, tie(seen.by_channel)[0] + penalty, table.groups)
        score = tie(seen.score) + pull
        information = tie(seen.information.reshape(4, -1)).reshape(2, 2, -1) + stiffness
        return objective + seen.by_group, score, information

    freedom, square = tie(within.freedom)[0], tie(within.square)[0]
    middle = shared(center)
    floor = np.log(tie(bottom)[0] / tie(np.ones(len(tied)))[0])
    theta = np.maximum(shared(start), floor)
    objective, score, information = look(theta)
    damping = np.full(table.groups, 1e-3)
    accepted = 0
    for _ in range(3 * passes):
        step = _step(score, information, damping[sensor_of])
        trial = np.maximum(theta + step, floor)
        found, trial_score, trial_information = look(trial)
        better = found <= objective + 1e-10 * np.abs(objective)
        at = better[sensor_of]
        theta = np.where(at, trial, theta)
        objective = np.where(better, found, objective)
        score = np.where(at, trial_score, score)
        information = np.where(at, trial_information, information)
        damping = np.where(better, np.maximum(damping / 10, 1e-6), damping * 10)
        accepted += int(better.all())
        if accepted >= passes or np.abs(step).max(initial=0.0) < 0.1 * TOLERANCE:
            break
    q, r = np.exp(theta[:, tied])
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


def _noise_pass(
    table: Table, q: Real, r: Real, spread: Spread, prior: Prior, known: Known
) -> _Pass:
    """Return -log restricted likelihood with its scores in log q and log r.

    by_channel: (channel,); by_group: (group,); score: (2, channel); information: (2, 2, channel).
    """
    fleet = solve_fleet(table, q, r, spread, prior, known)
    error, doubt = _cell_errors(table, fleet)
    weight, count = fleet.weight, table.count
    score_v = weight**2 * (error + doubt) - count * weight
    known_v = (count * weight - weight**2 * doubt) ** 2 / np.maximum(count, 1.0)
    scale = np.array([q, r])
    parts = np.array([np.ones_like(table.lam), table.lam])
    score = table.half * scale * np.einsum("pcj,cj->pj", parts, score_v)
    information = (
        table.half
        * scale[:, None]
        * scale[None, :]
        * np.einsum("pcj,scj,cj->psj", parts, parts, known_v)
    )
    return _Pass(*_deviance(table, fleet, spread), score, information)


def _cell_errors(table: Table, fleet: Fleet) -> tuple[Real, Real]:
    """Return each cell's sum of squared residuals from its unit's mean, and of their variances."""
    mean, cov = fleet.unit_mean[table.unit], fleet.unit_cov[table.unit]
    fitted = np.einsum("cjab,cjb->cja", table.outer, mean)
    error = table.dd - np.einsum("cja,cja->cj", mean.conj(), 2.0 * table.xd - fitted).real
    doubt = np.einsum("cjab,cjba->cj", table.outer, cov).real
    return np.maximum(error, 0.0), doubt


def _next_shares(
    table: Table, fleet: Fleet, spread: Spread, shares: Shares, known: Known
) -> Shares:
    """Return one scoring step of the three shares from the solution with c flat.

    The covariance of s has one eigenvalue along "all adjusters alike" and one for all directions
    across it; gain and adjuster enter the first, adjuster alone the others.
    """
    adjusters = spread.share.shape[0]
    factor, half = 2.0 * table.half, table.half
    gain, adjuster = factor * shares.gain**2, factor * shares.adjuster**2
    along = adjuster + adjusters * gain

    alike = np.full(adjusters, adjusters**-0.5)
    first = np.abs(fleet.own.share_mean @ alike) ** 2
    first_doubt = np.einsum("a,isab,b->is", alike, fleet.own.share_doubt, alike).real
    every = (np.abs(fleet.own.share_mean) ** 2).sum(axis=2)
    every_doubt = np.einsum("isaa->is", fleet.own.share_doubt).real
    others = adjusters - 1
    score_along = half * ((first + first_doubt) / along - 1.0).sum()
    known_along = half * ((1.0 - first_doubt / along) ** 2).sum()
    score_across, known_across = 0.0, 0.0
    if others:
        doubt = every_doubt - first_doubt
        score_across = half * ((every - first + doubt) / adjuster - others).sum()
        known_across = half * (others * (1.0 - doubt / (others * adjuster)) ** 2).sum()

    away = fleet.unit_mean - fleet.own.middle_mean
    leak = np.eye(adjusters) - fleet.told.f
    doubt = np.einsum("ijaa->ija", fleet.told.w).real
    doubt = doubt + np.einsum("ijab,ijbc,ijac->ija", leak, fleet.own.middle_cov, leak.conj()).real
    use = (spread.rest > 0) & known.sure
    size = np.where(use, spread.rest, 1.0)
    score_rest = half * np.where(use, (np.abs(away) ** 2 + doubt) / size - 1.0, 0.0).sum()
    known_rest = half * np.where(use, (1.0 - doubt / size) ** 2, 0.0).sum()

    part = adjuster / along  # of the first eigenvalue's logarithm: d log / d log adjuster^2
    turn = np.array([[1.0 - part, 0.0, 0.0], [part, 1.0, 0.0], [0.0, 0.0, 1.0]])
    score = turn @ np.array([score_along, score_across, score_rest])
    information = turn @ np.diag([known_along, known_across, known_rest]) @ turn.T
    now = np.array([shares.gain, shares.adjuster, shares.rest])
    excess = (np.array([ONE_ROTOR.gain, ONE_ROTOR.adjuster, ONE_ROTOR.rest]) / now) ** 2
    weight = np.array(SPREAD_WEIGHT)
    score += 0.5 * weight * (excess - 1.0)
    information += 0.5 * np.diag(weight * excess)
    step = np.clip(np.linalg.solve(information, score), -1.0, 1.0)
    return Shares(*(now * np.exp(0.5 * step)).tolist())
