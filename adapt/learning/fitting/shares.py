"""How rotors differ from their type, as shares of the coefficient, by restricted likelihood.

Three shares per component for each sensor (for track: one set): a gain and rotation common to all
adjusters (the sensor's mounting), one of each adjuster common to the sensor's regimes, and each
coefficient's own rest. A sensor's own shares are not known with few rotors and would collapse to 0:
they are expected as one set for all sensors, and that as one rotor in general.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fitting.fleet import Fleet, Known, Prior, Spread
from adapt.learning.kernel.model import share_sums
from adapt.learning.rows.table import Table

__all__ = ["ONE_ROTOR_SPREAD", "Pull", "Shares", "one_rotor", "pull_of", "spread_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

ONE_ROTOR_SPREAD = 0.12  # per component, relative: what one rotor differs from its type by
ONE_ROTOR_REST = 0.06  # of that, each coefficient's own
# Degrees of freedom of the expected shares: gain, adjuster, rest. The rest's keep it from 0, where
# a sensor's regimes would be taken to know all about each other.
TIED_WEIGHT = (2.0, 2.0, 4.0)
OWN_WEIGHT = (4.0, 4.0, 4.0)  # of a sensor's own about the tied ones
SMALL_EFFECT = 0.2  # a coefficient's spread is at least that of 0.2 of its sensor's rms coefficient
LARGEST_STEP = 1.5  # in the logarithm of a variance


@dataclass(frozen=True, eq=False)
class Shares:
    """Spreads per component as shares of the coefficient, each (group,).

    gain: common to all adjusters at a sensor; adjuster: of each adjuster, common to a sensor's
    regimes; rest: each coefficient's own.
    """

    gain: Real
    adjuster: Real
    rest: Real

    @property
    def flat(self) -> Real:
        """All shares, one after another."""
        return np.concatenate([self.gain, self.adjuster, self.rest])

    @property
    def total(self) -> Real:
        """The spread of one coefficient per component, (group,)."""
        result: Real = np.sqrt(self.gain**2 + self.adjuster**2 + self.rest**2)
        return result

    def scaled(self, factor: Real) -> Shares:
        """Return the shares times factors, (3, group)."""
        return Shares(self.gain * factor[0], self.adjuster * factor[1], self.rest * factor[2])

    def where(self, better: npt.NDArray[np.bool_], other: Shares) -> Shares:
        """Return the other shares for the groups where they are better; better: (group,)."""
        return Shares(
            np.where(better, other.gain, self.gain),
            np.where(better, other.adjuster, self.adjuster),
            np.where(better, other.rest, self.rest),
        )


def one_rotor(groups: int) -> Shares:
    """Return what one rotor is expected to differ from its type by (common practice, no source)."""
    common = np.sqrt((ONE_ROTOR_SPREAD**2 - ONE_ROTOR_REST**2) / 2.0)
    one = np.ones(groups)
    return Shares(common * one, common * one, ONE_ROTOR_REST * one)


def spread_of(shares: Shares, mean: Array, prior: Prior, half: float) -> Spread:
    """Return the spread of rotors; mean: (channel, adjuster), what the shares are shares of.

    half: weight of a row in the log-likelihood, 1 for complex rows, 1/2 for real ones.
    """
    adjusters = mean.shape[1]
    groups = len(shares.rest)
    factor = 2.0 * half
    share = shares.adjuster[:, None, None] ** 2 * np.eye(adjusters)
    share = share + shares.gain[:, None, None] ** 2
    rest = np.repeat(shares.rest, len(mean) // max(groups, 1))[:, None] ** 2
    rest = factor * rest * _size(mean, prior, groups)
    return Spread(rest, np.where(prior.fixed, 0.0, mean), factor * share)


@dataclass(frozen=True, eq=False)
class Pull:
    """What a likelihood and what was expected say of shares, by group.

    penalty: (group,), what is added to -log likelihood. score: (3, group) in the logarithms of the
    squared shares; information: (group, 3, 3). Tied shares have the sum over groups everywhere.
    """

    penalty: Real
    score: Real
    information: Real

    def step(self, damping: Real, bend: Real) -> Real:
        """Return the damped scoring step, (3, group), in the logarithms of the squared shares.

        damping, bend: (group,); bend: how much more than by the information the score changes.
        """
        diagonal = np.einsum("gpp->gp", self.information)[:, :, None] * np.eye(3)
        matrix = bend[:, None, None] * (self.information + damping[:, None, None] * diagonal)
        step = np.linalg.solve(matrix, self.score.T[..., None])[..., 0].T
        return np.clip(step, -LARGEST_STEP, LARGEST_STEP)


def pull_of(
    table: Table,
    fleet: Fleet,
    spread: Spread,
    shares: Shares,
    expected: Shares,
    known: Known,
    tied: bool,
) -> Pull:
    """Return what pulls at the shares; fleet: the solution at these shares with c flat.

    tied: all sensors have one set of shares, and `penalty` is an equal part of their one penalty.
    """
    weight = np.array(TIED_WEIGHT if tied else OWN_WEIGHT)[:, None]
    now = np.array([shares.gain, shares.adjuster, shares.rest])
    excess = (np.array([expected.gain, expected.adjuster, expected.rest]) / now) ** 2
    penalty = (weight * (np.log(now) + 0.5 * excess)).sum(axis=0)
    score, information = _scores(table, fleet, spread, shares, known)
    if tied:
        penalty = penalty / table.groups
        score = np.broadcast_to(score.sum(axis=1, keepdims=True), score.shape)
        information = np.broadcast_to(information.sum(axis=0), information.shape)
    score = score + 0.5 * weight * (excess - 1.0)
    information = information + 0.5 * np.einsum("pg,pr->gpr", weight * excess, np.eye(3))
    return Pull(penalty, score, information)


def _scores(
    table: Table, fleet: Fleet, spread: Spread, shares: Shares, known: Known
) -> tuple[Real, Real]:
    """Return scores in the logarithms of the squared shares, (3, group), and their information.

    The covariance of s has one eigenvalue along "all adjusters alike" and one for all directions
    across it; gain and adjuster enter the first, adjuster alone the others. The information is
    tr(T V T V), (group, 3, 3), of the three parts V of a unit's covariance, T = (L S L' + D +
    H^-1)^-1 what a unit says of the type: the expected one but for the doubt of c (Searle, Casella
    and McCulloch, chapter 6). V: L 1 1' L' gain, L L' adjuster, D.
    """
    groups, adjusters = spread.share.shape[:2]
    factor, half = 2.0 * table.half, table.half
    gain, adjuster = factor * shares.gain**2, factor * shares.adjuster**2
    along = adjuster + adjusters * gain
    own = fleet.own

    alike = np.full(adjusters, adjusters**-0.5)
    first = (np.abs(own.share_mean @ alike) ** 2).sum(axis=0)
    doubts = own.share_doubt.sum(axis=0)
    first_doubt = np.einsum("a,sab,b->s", alike, doubts, alike).real
    units = len(own.mean)
    score_along = half * ((first + first_doubt) / along - units)
    others = adjusters - 1
    score_across = np.zeros(groups)
    if others:
        every = (np.abs(own.share_mean) ** 2).sum(axis=(0, 2))
        doubt = np.einsum("saa->s", doubts).real - first_doubt
        score_across = half * ((every - first + doubt) / adjuster - others * units)

    size = np.where((spread.rest > 0) & known.sure, spread.rest, 0.0)
    by_channel, traces = np.zeros(len(size)), np.zeros((groups, 6))
    told = fleet.told
    share_sums(
        told.f, told.w, told.told, told.lean, told.share_info, told.share_cov, spread.rest, size,
        own.middle_mean, own.middle_cov, own.mean, by_channel, traces,
    )  # fmt: skip
    score_rest = half * by_channel.reshape(groups, -1).sum(axis=1)
    part = adjuster / along  # d log(along) / d log(adjuster^2)
    score = np.array([(1.0 - part) * score_along, part * score_along + score_across, score_rest])
    sizes = np.array([gain, adjuster, np.ones(groups)]).T
    information = traces[:, [[0, 1, 3], [1, 2, 4], [3, 4, 5]]]
    return score, half * information * sizes[:, :, None] * sizes[:, None, :]


def _size(mean: Array, prior: Prior, groups: int) -> Real:
    """Return |c|^2 by which the rest is measured, (channel, adjuster).

    Not less than a share of the sensor's rms over regimes: a coefficient that happens to be near
    zero in one regime still differs between rotors.
    """
    square = np.abs(mean) ** 2
    regimes = len(mean) // max(groups, 1)
    average = square.reshape(groups, regimes, -1).mean(axis=1)
    average = np.repeat(average, regimes, axis=0)
    return np.where(prior.fixed, 0.0, np.maximum(square, SMALL_EFFECT**2 * average))
