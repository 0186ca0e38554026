"""How rotors differ from their type, as shares of the coefficient, by restricted likelihood.

Three shares per component for each sensor (for track: one set): a gain and rotation common to all
adjusters (the sensor's mounting), one of each adjuster common to the sensor's regimes, and each
coefficient's own rest. A sensor's own shares are not known with few rotors and would collapse to 0:
they are expected as one set for all sensors, and that as one rotor in general.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fitting.fleet import Fleet, Known, Prior, Spread, Told, deviance
from adapt.learning.rows.table import Table

__all__ = ["ONE_ROTOR_SPREAD", "Shares", "next_shares", "one_rotor", "spread_of"]

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


def next_shares(
    table: Table,
    look: Callable[[Shares], tuple[Fleet, Spread]],
    shares: Shares,
    expected: Shares,
    known: Known,
    damping: Real,
    tied: bool,
) -> tuple[Shares, Real, Fleet]:
    """Return better shares, the damping to go on with, and the last solution looked at.

    look: solves the fleet with c flat for given shares. damping: (group,). tied: all sensors have
    one set of shares. A step that does not lower the penalised deviance is not taken.
    """
    weight = np.array(TIED_WEIGHT if tied else OWN_WEIGHT)[:, None]
    fleet, spread = look(shares)
    now = np.array([shares.gain, shares.adjuster, shares.rest])
    wanted = np.array([expected.gain, expected.adjuster, expected.rest])
    objective = _objective(table, fleet, spread, now, wanted, weight, tied)
    score, information = _scores(table, fleet, spread, shares, known)
    if tied:
        score = np.broadcast_to(score.sum(axis=1, keepdims=True), score.shape)
        information = np.broadcast_to(information.sum(axis=0), information.shape)
    excess = (wanted / now) ** 2
    score = score + 0.5 * weight * (excess - 1.0)
    information = information + 0.5 * np.einsum("pg,pr->gpr", weight * excess, np.eye(3))
    diagonal = np.einsum("gpp->gp", information)[:, :, None] * np.eye(3)
    step = np.linalg.solve(information + damping[:, None, None] * diagonal, score.T[..., None])
    step = np.clip(step[..., 0].T, -LARGEST_STEP, LARGEST_STEP)
    trial = now * np.exp(0.5 * step)
    tried, tried_spread = look(Shares(*trial))
    found = _objective(table, tried, tried_spread, trial, wanted, weight, tied)
    better = found <= objective + 1e-10 * np.abs(objective)
    damping = np.where(better, np.maximum(0.3 * damping, 1e-3), np.maximum(4.0 * damping, 0.5))
    return Shares(*np.where(better, trial, now)), damping, tried if better.all() else fleet


def _objective(
    table: Table,
    fleet: Fleet,
    spread: Spread,
    shares: Real,
    expected: Real,
    weight: Real,
    tied: bool,
) -> Real:
    """Return the penalised deviance of every sensor, or of all for each when they are tied."""
    by_channel, by_group = deviance(table, fleet, spread)
    penalty = weight * (np.log(shares) + 0.5 * (expected / shares) ** 2)
    own = by_channel.reshape(table.groups, -1).sum(axis=1) + by_group
    if tied:
        return np.full(table.groups, own.sum() + penalty[:, 0].sum())
    return np.asarray(own + penalty.sum(axis=0))


def _scores(
    table: Table, fleet: Fleet, spread: Spread, shares: Shares, known: Known
) -> tuple[Real, Real]:
    """Return scores in the logarithms of the squared shares, (3, group), and their information.

    The covariance of s has one eigenvalue along "all adjusters alike" and one for all directions
    across it; gain and adjuster enter the first, adjuster alone the others. information: (group, 3,
    3).
    """
    groups, adjusters = spread.share.shape[:2]
    factor, half = 2.0 * table.half, table.half
    gain, adjuster = factor * shares.gain**2, factor * shares.adjuster**2
    along = adjuster + adjusters * gain
    own = fleet.own

    alike = np.full(adjusters, adjusters**-0.5)
    first = np.abs(own.share_mean @ alike) ** 2
    first_doubt = np.einsum("a,isab,b->is", alike, own.share_doubt, alike).real
    score_along = half * ((first + first_doubt) / along - 1.0).sum(axis=0)
    others = adjusters - 1
    score_across = np.zeros(groups)
    if others:
        every = (np.abs(own.share_mean) ** 2).sum(axis=2)
        doubt = np.einsum("isaa->is", own.share_doubt).real - first_doubt
        score_across = half * ((every - first + doubt) / adjuster - others).sum(axis=0)

    away = own.mean - own.middle_mean
    leak = np.eye(adjusters) - fleet.told.f
    doubt = np.einsum("ijaa->ija", fleet.told.w).real
    doubt = doubt + np.einsum("ijab,ijbc,ijac->ija", leak, own.middle_cov, leak.conj()).real
    use = (spread.rest > 0) & known.sure
    size = np.where(use, spread.rest, 1.0)
    by_channel = half * np.where(use, (np.abs(away) ** 2 + doubt) / size - 1.0, 0.0).sum(
        axis=(0, 2)
    )
    score_rest = by_channel.reshape(groups, -1).sum(axis=1)
    part = adjuster / along  # d log(along) / d log(adjuster^2)
    score = np.array([(1.0 - part) * score_along, part * score_along + score_across, score_rest])
    return score, half * _information(fleet.told, spread, factor * shares.gain**2, adjuster)


def _information(told: Told, spread: Spread, gain: Real, adjuster: Real) -> Real:
    """Return tr(T V T V) of the three parts V of a unit's covariance, summed, (group, 3, 3).

    T = (L S L' + D + H^-1)^-1 is what a unit says of the type. V: L 1 1' L' gain, L L' adjuster, D.
    The expected information but for the doubt of c (Searle, Casella and McCulloch, chapter 6).
    """
    units, groups, size, adjusters = told.lean.shape
    root = np.sqrt(spread.rest).reshape(groups, size, 1)
    eye = np.eye(adjusters)
    # T L = B (1 - V K), L' T L = K (1 - V K); with D^1/2 T D^1/2 = A~ - B~ V B~'.
    left = eye - told.share_cov @ told.share_info
    shared = told.share_info @ left
    through = root * (told.lean @ left)
    alike, alike_through = shared.sum(axis=3), through.sum(axis=3)
    lean = root * told.lean
    regimes = size // max(adjusters, 1)
    blocks = told.told.reshape(units, groups, regimes, adjusters, adjusters)
    small = np.sqrt(spread.rest).reshape(groups, regimes, adjusters)
    blocks = small[..., :, None] * blocks * small[..., None, :]
    parts = lean.reshape(units, groups, regimes, adjusters, adjusters)
    turned = np.swapaxes(parts.conj(), -1, -2) @ blocks @ parts
    inner = told.share_cov @ (np.swapaxes(lean.conj(), -1, -2) @ lean)

    def total(values: Array) -> Real:
        return np.asarray(values.sum(axis=(0, *range(2, values.ndim))))

    crossed = np.einsum("isab,isgba->is", told.share_cov, turned).real
    result = np.empty((groups, 3, 3))
    result[:, 0, 0] = gain**2 * total(np.abs(alike.sum(axis=2, keepdims=True)) ** 2)
    result[:, 0, 1] = result[:, 1, 0] = gain * adjuster * total(np.abs(alike) ** 2)
    result[:, 1, 1] = adjuster**2 * total(np.abs(shared) ** 2)
    result[:, 0, 2] = result[:, 2, 0] = gain * total(np.abs(alike_through) ** 2)
    result[:, 1, 2] = result[:, 2, 1] = adjuster * total(np.abs(through) ** 2)
    rest = total(np.abs(blocks) ** 2) - 2.0 * total(crossed)
    result[:, 2, 2] = rest + total((inner * np.swapaxes(inner, -1, -2)).real)
    return result


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
