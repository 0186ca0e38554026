"""Variances by restricted likelihood: reading scatter r, run-to-run change q, spread of rotors.

All channels at once, c flat. How rotors differ from their type stands in `shares`; it is sought in
turn with the noise, first as one set of shares for all sensors, then each sensor's own, expected as
they were together.

Scores and their scale come from one pass over the cells: with e the residual of a row and h its
posterior variance, d(log likelihood)/dv = (|e|^2 + h) / v^2 - 1 / v, and (1 / v - h / v^2)^2 stands
for the information (the projection's diagonal; off-diagonal terms only change the path).
Source: Gilmour, Thompson and Cullis, Biometrics 51 (1995) 1440, and Searle, Casella and McCulloch,
Variance Components (Wiley 1992), chapter 6, both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fitting.fleet import (
    Fleet,
    Known,
    Prior,
    Spread,
    deviance,
    flat,
    informed_directions,
    solve_fleet,
)
from adapt.learning.fitting.shares import Shares, next_shares, one_rotor, spread_of
from adapt.learning.rows.table import Table

__all__ = ["Center", "Variances", "Within", "estimate", "restricted_log_likelihood"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

NOISE_WEIGHT = 4.0  # degrees of freedom of a channel's expected noise
POOL_WEIGHT = 0.5  # the same for noise pooled over the channels of a sensor
RATIO_WEIGHT = 1.0  # precision of log(r / q) about its expectation
NOISE_FLOOR = 1e-6  # of the channel's rms, for sqrt(q) and sqrt(r)
ROUNDS, PASSES, TOLERANCE = 40, 2, 1e-3
EXPECTED_TOLERANCE = 1e-2  # of what is only an expectation of what follows
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


@dataclass(frozen=True, eq=False)
class Variances:
    """Estimated variances: run_var q, reading_var r: (channel,); the spread of rotors.

    speaking: (channel,), the share of a channel's word that counts where coefficients are learned,
    because the channels of a sensor share noise (see `correlation`). center, expected: noise and
    shares that were expected, from which a further search can go on (None: to be looked for again).
    """

    run_var: Real
    reading_var: Real
    spread: Spread
    shares: Shares
    speaking: Real
    center: Center | None
    expected: Shares

    @property
    def taught_run_var(self) -> Real:
        """The run-to-run change as it counts where coefficients are learned, (channel,)."""
        return self.run_var / self.speaking

    @property
    def taught_reading_var(self) -> Real:
        """The reading scatter as it counts where coefficients are learned, (channel,)."""
        return self.reading_var / self.speaking


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
    speaking: Real | None = None,
    start: Variances | None = None,
) -> Variances:
    """Estimate q and r of every channel and how rotors differ.

    prior: of c, in scaled columns (only sets the size of the spread of adjusters that never moved).
    expected: noise to start from. stated: (channel,), True where the rotor file states it; the
    other channels start from what their sensor's channels show together. sensor: (channel,) code.
    floor: (channel,) rms of the readings. within: scatter seen within runs, which informs r.
    speaking: (channel,), see `Variances`; 1 when not given. start: what was found of nearly
    the same rows, in the scaled columns of this table; the search goes on from there.
    """
    within = within or Within.none(len(sensor))
    speaking = np.ones(len(sensor)) if speaking is None else speaking
    bottom = np.maximum(NOISE_FLOOR * floor, 1e-150) ** 2
    expected = Center(
        np.maximum(expected.run_var, bottom), np.maximum(expected.reading_var, bottom)
    )
    whole = _Search(table, prior, expected, stated, sensor, bottom, within, speaking)
    if start is not None:
        return whole.go_on(start)
    has = np.asarray(table.total(table.count).any(axis=1))
    some = whole
    if has.sum() > 2 * FIRST_LOOK:
        drawn = np.zeros_like(has)
        drawn[np.flatnonzero(has)[:: int(has.sum()) // FIRST_LOOK]] = True
        some = replace(whole, table=table.only(drawn))
    center, first, mean = some.start()
    tied = some.tied(center, first, mean)
    found = some.each(center, tied)
    if some is whole:
        return found
    return whole.go_on(found)


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
    speaking: Real

    def start(self) -> tuple[Center, Center, Array]:
        """Return the noise that channels are expected to have, and where to start from.

        Channels whose noise nobody stated start from what their sensor's channels show together.
        """
        mean = _start(self.table, self.prior, self.expected)
        if self.stated.all():
            return self.expected, self.expected, mean
        free = flat(self.prior)
        pooled = _noise(
            self.table, self.expected, self.expected,
            self.spread(one_rotor(self.table.groups), mean), free,
            informed_directions(self.table, free), self.sensor, POOL_WEIGHT, self.bottom, ROUNDS,
            self.within.at_most(self.table.count.sum(axis=0)),
        )  # fmt: skip
        center = Center(
            np.where(self.stated, self.expected.run_var, pooled.run_var),
            np.where(self.stated, self.expected.reading_var, pooled.reading_var),
        )
        return center, center, mean

    def tied(self, center: Center, current: Center, mean: Array) -> Variances:
        """Return the variances with one set of shares for all sensors."""
        groups = self.table.groups
        return self._settle(center, current, one_rotor(groups), mean, one_rotor(groups), True)

    def each(self, center: Center, tied: Variances) -> Variances:
        """Return the variances with each sensor's own shares, expected as they are tied."""
        if self.table.groups < 2:
            return tied
        noise, mean = Center(tied.run_var, tied.reading_var), tied.spread.loading
        return self._settle(center, noise, tied.shares, mean, tied.shares, False)

    def go_on(self, found: Variances) -> Variances:
        """Return the variances of this table from those found of nearly the same rows."""
        noise, mean = Center(found.run_var, found.reading_var), found.spread.loading
        groups = self.table.groups
        if found.center is not None:
            return self._settle(found.center, noise, found.shares, mean, found.expected, groups < 2)
        center = self.start()[0]
        tied = self._settle(center, noise, found.expected, mean, one_rotor(groups), True)
        return self.each(center, tied)

    def _settle(
        self,
        center: Center,
        current: Center,
        shares: Shares,
        mean: Array,
        expected: Shares,
        tied: bool,
    ) -> Variances:
        """Return the variances, by noise and shares in turn until neither moves."""
        table, prior = self.table, self.prior
        free = flat(prior)
        known = informed_directions(table, free)
        known_with_chart = informed_directions(table, prior)
        own = np.arange(len(self.sensor))
        within = self.within.at_most(table.count.sum(axis=0))
        charted = bool((prior.precision > 0).any())
        damping = np.full(table.groups, 1e-3)
        enough = EXPECTED_TOLERANCE if tied and table.groups > 1 else TOLERANCE

        def logs() -> Real:
            return np.log(np.concatenate([current.run_var, current.reading_var, shares.flat**2]))

        for _ in range(ROUNDS):
            before = logs()
            current = _noise(
                table, current, center, self.spread(shares, mean), free, known, own, NOISE_WEIGHT,
                self.bottom, PASSES, within,
            )  # fmt: skip
            now, size = current, mean

            def look(trial: Shares, now: Center = now, size: Array = size) -> tuple[Fleet, Spread]:
                spread = self.spread(trial, size)
                return solve_fleet(table, now.run_var, now.reading_var, spread, free, known), spread

            shares, damping, fleet = next_shares(
                table, look, shares, expected, known, damping, tied
            )
            if charted:
                fleet = solve_fleet(
                    table, current.run_var / self.speaking, current.reading_var / self.speaking,
                    self.spread(shares, mean), prior, known_with_chart,
                )  # fmt: skip
            mean = np.where(known_with_chart.sure, fleet.mean, 0.0)
            if np.abs(logs() - before).max() < enough:
                break
        return Variances(
            current.run_var, current.reading_var, self.spread(shares, mean), shares, self.speaking,
            center, expected,
        )  # fmt: skip

    def spread(self, shares: Shares, mean: Array) -> Spread:
        """Return how rotors differ; mean: (channel, adjuster), what the shares are shares of."""
        return spread_of(shares, mean, self.prior, self.table.half)


def restricted_log_likelihood(
    table: Table, run_var: Real, reading_var: Real, spread: Spread, prior: Prior
) -> Real:
    """Return the restricted log-likelihood of every sensor's channels without constants, (group,).

    Constants: those that depend on the number of rows and the scale of the columns only.
    """
    prior = flat(prior)
    known = informed_directions(table, prior)
    fleet = solve_fleet(table, run_var, reading_var, spread, prior, known)
    by_channel, by_group = deviance(table, fleet, spread)
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
    return _Pass(*deviance(table, fleet, spread), score, information)


def _cell_errors(table: Table, fleet: Fleet) -> tuple[Real, Real]:
    """Return each cell's sum of squared residuals from its unit's mean, and of their variances."""
    mean, cov = fleet.unit_mean[table.unit], fleet.unit_cov[table.unit]
    fitted = np.einsum("cjab,cjb->cja", table.outer, mean)
    error = table.dd - np.einsum("cja,cja->cj", mean.conj(), 2.0 * table.xd - fitted).real
    doubt = np.einsum("cjab,cjba->cj", table.outer, cov).real
    return np.maximum(error, 0.0), doubt
