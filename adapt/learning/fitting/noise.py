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
    type_mean,
)
from adapt.learning.fitting.shares import Pull, Shares, one_rotor, pull_of, spread_of
from adapt.learning.kernel.model import cell_errors
from adapt.learning.rows.table import Table

__all__ = ["Center", "Variances", "Within", "estimate", "restricted_log_likelihood"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

NOISE_WEIGHT = 4.0  # degrees of freedom of a channel's expected noise
POOL_WEIGHT = 0.5  # the same for noise pooled over the channels of a sensor
RATIO_WEIGHT = 1.0  # precision of log(r / q) about its expectation
NOISE_FLOOR = 1e-6  # of the channel's rms, for sqrt(q) and sqrt(r)
ROUNDS, TOLERANCE = 40, 1e-3
SMALL = 0.1  # a step in a variance's logarithm from which the type's mean is worth another look
SEEN_STEP = 1e-5  # a smaller step shows nothing of how scores change along it
BENDS = (0.2, 3.0)  # times the information, at least and at most
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
        """Return the variances: noise and shares step together, and the type's mean follows.

        The mean, what the shares are shares of, stays until steps are small; then both move, and
        the search ends with the first step after that which is too small to matter.
        """
        table = self.table
        charted = informed_directions(table, self.prior)
        enough = EXPECTED_TOLERANCE if tied and table.groups > 1 else TOLERANCE
        within = self.within.at_most(table.count.sum(axis=0))
        aim = _Aim(table, self.prior, center, expected, within, tied)
        point = _Point(np.log([current.run_var, current.reading_var]), shares)
        floor = np.log(self.bottom)
        point = replace(point, noise=np.maximum(point.noise, floor))
        seen = aim.look(point, mean)
        damping = np.full(table.groups, 1e-3)
        fresh = False  # whether the mean is that of nearly these variances
        for _ in range(ROUNDS):
            trial = point.moved(seen, damping, floor)
            far = trial.distance(point)
            if far < (enough if fresh else SMALL):
                point = trial
                if fresh:
                    break
                mean, fresh = self._mean(point, mean, charted), True
                seen = aim.look(point, mean).bent_as(seen)
                continue
            tried = aim.look(trial, mean).bent_since(seen, point, trial)
            better = tried.objective <= seen.objective + 1e-10 * np.abs(seen.objective)
            point, seen = point.where(better, trial), seen.where(better, tried)
            damping = np.where(
                better, np.maximum(damping / 10, 1e-6), np.maximum(10 * damping, 0.5)
            )
        q, r = np.exp(point.noise)
        return Variances(
            q, r, self.spread(point.shares, mean), point.shares, self.speaking, center, expected
        )

    def _mean(self, point: _Point, mean: Array, known: Known) -> Array:
        """Return the type's mean at these variances, 0 where it is not known."""
        q, r = np.exp(point.noise) / self.speaking
        found = type_mean(self.table, q, r, self.spread(point.shares, mean), self.prior, known)
        return np.where(known.sure, found, 0.0)

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
    by_channel, by_group = deviance(table, fleet)
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
        seen = _noise_pass(table, solve_fleet(table, q, r, spread, prior, known), q, r)
        penalty, pull, stiffness = _expectation(theta, middle, weight, table.half, freedom, square)
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
    bend = np.ones(ties)
    accepted = 0
    for _ in range(3 * passes):
        step = _step(score, information * bend, damping[sensor_of])
        trial = np.maximum(theta + step, floor)
        found, trial_score, trial_information = look(trial)
        better = found <= objective + 1e-10 * np.abs(objective)
        at = better[sensor_of]
        bend = np.where(at, _bend(trial - theta, score - trial_score, information, bend), bend)
        theta = np.where(at, trial, theta)
        objective = np.where(better, found, objective)
        score = np.where(at, trial_score, score)
        information = np.where(at, trial_information, information)
        damping = np.where(better, np.maximum(damping / 10, 1e-6), damping * 10)
        accepted += int(better.all())
        if accepted >= passes or np.abs(step).max(initial=0.0) < TOLERANCE:
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


def _bend(step: Real, change: Real, information: Real, before: Real) -> Real:
    """Return by how much more than its information a score changed along a step, (n,).

    step, change: (part, n); information: (part, part, n). The information that is at hand leaves
    out how variances are entangled; without this a search creeps. before: for steps too small.
    """
    expected = np.einsum("pn,pqn,qn->n", step, information, step)
    found = (step * change).sum(axis=0) / np.maximum(expected, 1e-300)
    return np.where(np.abs(step).max(axis=0) > SEEN_STEP, np.clip(found, *BENDS), before)


def _expectation(
    theta: Real, middle: Real, weight: float, half: float, freedom: Real, square: Real
) -> tuple[Real, Real, Real]:
    """Return penalty, score and information of what was expected of q and r, and seen within runs.

    theta, middle: (2, group) log q and log r. The variance of one difference, q + 2 r, is expected
    as a scaled inverse chi-square with `weight` degrees of freedom, and log(r / q) as normal, so
    that q and r keep their expected ratio where the data cannot tell them apart. half: weight of a
    row in the log-likelihood; freedom, square: as in `Within`, (group,).
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
    seen = square / r
    score[1] += half * (seen - freedom)
    information[1, 1] += half * seen
    return penalty + half * (freedom * theta[1] + seen), score, information


def _noise_pass(table: Table, fleet: Fleet, q: Real, r: Real) -> _Pass:
    """Return -log restricted likelihood with its scores in log q and log r.

    fleet: the solution there with c flat. by_channel: (channel,); by_group: (group,); score: (2,
    channel); information: (2, 2, channel).
    """
    error, doubt = np.empty_like(table.dd), np.empty_like(table.dd)
    cell_errors(
        table.unit, table.outer, table.xd, table.dd, fleet.own.mean, fleet.own.cov, error, doubt
    )
    weight, count = fleet.weight, table.count
    score_v = weight**2 * (error + doubt) - count * weight
    known_v = (count * weight - weight**2 * doubt) ** 2 / np.maximum(count, 1.0)
    lam = table.lam
    across = np.array([score_v, score_v * lam, known_v, known_v * lam, known_v * lam**2])
    one, two, qq, qr, rr = table.half * across.sum(axis=1)
    score = np.array([q * one, r * two])
    information = np.array([[q * q * qq, q * r * qr], [q * r * qr, r * r * rr]])
    return _Pass(*deviance(table, fleet), score, information)


@dataclass(frozen=True, eq=False)
class _Point:
    """Where a search stands; noise: (2, channel), log q and log r."""

    noise: Real
    shares: Shares

    def moved(self, seen: _Seen, damping: Real, floor: Real) -> _Point:
        """Return where one damped scoring step leads; damping: (group,), floor: (channel,)."""
        by_channel = np.repeat(damping, self.noise.shape[1] // max(len(damping), 1))
        step = _step(seen.score, seen.information * seen.bend, by_channel)
        shares = self.shares.scaled(np.exp(0.5 * seen.pull.step(damping, seen.share_bend)))
        return _Point(np.maximum(self.noise + step, floor), shares)

    def distance(self, other: _Point) -> float:
        """Return the largest change of the logarithm of a variance."""
        noise = np.abs(self.noise - other.noise).max(initial=0.0)
        share = 2.0 * np.abs(np.log(self.shares.flat / other.shares.flat)).max(initial=0.0)
        return float(max(noise, share))

    def where(self, better: Truth, other: _Point) -> _Point:
        """Return the other point for the groups where it is better; better: (group,)."""
        at = np.repeat(better, self.noise.shape[1] // max(len(better), 1))
        return _Point(
            np.where(at, other.noise, self.noise), self.shares.where(better, other.shares)
        )


@dataclass(frozen=True, eq=False)
class _Seen:
    """What one pass at a point shows.

    objective: (group,), penalised -log restricted likelihood, of tied groups the sum of all. score:
    (2, channel) and information: (2, 2, channel) in the logarithms of q and r. bend: (channel,) and
    share_bend: (group,), how much more than its information a score was seen to change.
    """

    objective: Real
    score: Real
    information: Real
    pull: Pull
    bend: Real
    share_bend: Real

    def bent_as(self, before: _Seen) -> _Seen:
        """Return the same with what was learned of bends before."""
        return replace(self, bend=before.bend, share_bend=before.share_bend)

    def bent_since(self, before: _Seen, start: _Point, end: _Point) -> _Seen:
        """Return the same with bends learned from the step that led here."""
        share_step = 2.0 * np.log(end.shares.flat / start.shares.flat).reshape(3, -1)
        return replace(
            self,
            bend=_bend(
                end.noise - start.noise, before.score - self.score, before.information, before.bend
            ),
            share_bend=_bend(
                share_step, before.pull.score - self.pull.score,
                before.pull.information.transpose(1, 2, 0), before.share_bend,
            ),
        )  # fmt: skip

    def where(self, better: Truth, other: _Seen) -> _Seen:
        """Return the other for the groups where it is better; better: (group,)."""
        at = np.repeat(better, self.score.shape[1] // max(len(better), 1))
        mine, pull = self.pull, other.pull
        return _Seen(
            np.where(better, other.objective, self.objective),
            np.where(at, other.score, self.score),
            np.where(at, other.information, self.information),
            Pull(
                np.where(better, pull.penalty, mine.penalty),
                np.where(better, pull.score, mine.score),
                np.where(better[:, None, None], pull.information, mine.information),
            ),
            np.where(at, other.bend, self.bend),
            np.where(better, other.share_bend, self.share_bend),
        )


class _Aim:
    """The penalised restricted likelihood of one search, with c flat."""

    def __init__(
        self, table: Table, prior: Prior, center: Center, expected: Shares, within: Within,
        tied: bool,
    ) -> None:  # fmt: skip
        self._table, self._prior, self._expected, self._tied = table, prior, expected, tied
        self._middle = np.log([center.run_var, center.reading_var])
        self._within = within
        self._free = flat(prior)
        self._known = informed_directions(table, self._free)

    def look(self, point: _Point, mean: Array) -> _Seen:
        """Return what one pass shows; mean: (channel, adjuster), what shares are shares of."""
        table, within = self._table, self._within
        spread = spread_of(point.shares, mean, self._prior, table.half)
        q, r = np.exp(point.noise)
        fleet = solve_fleet(table, q, r, spread, self._free, self._known)
        seen = _noise_pass(table, fleet, q, r)
        penalty, score, information = _expectation(
            point.noise, self._middle, NOISE_WEIGHT, table.half, within.freedom, within.square
        )
        pull = pull_of(table, fleet, spread, point.shares, self._expected, self._known, self._tied)
        objective = (seen.by_channel + penalty).reshape(table.groups, -1).sum(axis=1)
        objective = objective + seen.by_group + pull.penalty
        if self._tied:
            objective = np.full_like(objective, objective.sum())
        return _Seen(
            objective, seen.score + score, seen.information + information, pull,
            np.ones(len(q)), np.ones(table.groups),
        )  # fmt: skip
