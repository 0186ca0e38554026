"""How far each rotor is from its type: a distance, its odds, and one gain and rotation.

Worked out from the posteriors alone. For the coefficients of one sensor in all regimes (and for
track in all regimes), in units in which rotors differ from the type by d ~ CN(0, 1), with K the
covariance of the type's mean and V that of the rotor's, G = Cov(d | type, data) solves

    V = G + G K G

and the posterior mean of d has, over rotors of the type, the variance 1 - G - (1 - G) K (1 - G):
that of a best linear prediction, Var(d) - Cov(d - its prediction) (Henderson's equations; Searle,
Casella and McCulloch, Variance Components, Wiley 1992, chapter 7, from memory). The rotor's own
part in the type's mean is allowed for by that.

Two tests are made of each rotor. One sums all squares. It hardly sees a rotor that turns or scales
everything, for such a rotor widens the learned spread of turns and gains itself; so the other sets
each rotor's part along the type's own coefficients against that of the other rotors (externally
studentised residuals: Cook and Weisberg, Residuals and Influence in Regression, 1982, section 2.2,
from memory). With one rotor, what is known of the type rests on the chart, and nothing is tested.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from adapt.coefficients.values import Coefficients, Posterior

__all__ = ["Distances", "Factors", "distances_of", "factors_of", "own_weight", "spread_var"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

TOLD = 0.02  # of a direction's spread: less is not told by a rotor's runs, and not tested
TOLERANCE = 1e-9  # of the largest eigenvalue of a spread scaled to a unit diagonal
CHUNK = 256  # rotors worked on together, for memory


@dataclass(frozen=True, eq=False)
class Distances:
    """One value for each rotor asked for, shape (rotor,); NaN where its runs tell nothing.

    distance: root-mean-square of what sets the rotor apart, in sds of what is expected of a rotor
    of the type with as many runs: 1 is usual. numbers: real numbers in that mean.
    p_value: chance that among as many rotors as the log has, all of one type, the least likely one
    is as unlikely as this one.
    """

    distance: Real
    numbers: Real
    p_value: Real


@dataclass(frozen=True, eq=False)
class Factors:
    """The complex factor between each rotor's coefficients and others, and its sd per component."""

    factor: Array
    sd: Real


def spread_var(coefficients: Coefficients) -> tuple[Real, Real]:
    """Return the variance by which rotors differ from the type, (channel, adjuster) and track's."""
    unseen, type_ = coefficients.unseen, coefficients.type_
    return (
        np.maximum(_diagonal(unseen.cov) - _diagonal(type_.cov), 0.0),
        np.maximum(_diagonal(unseen.track_cov) - _diagonal(type_.track_cov), 0.0),
    )


def own_weight(coefficients: Coefficients, own: Posterior) -> tuple[Real, Real]:
    """Return how much of a posterior is the rotor's own data: 1 - its variance / that unseen.

    0 for a rotor without runs, towards 1 with many. (channel, adjuster), and (regime, adjuster) for
    track; NaN where nothing is known or nothing varies.
    """
    return (
        _share(_diagonal(own.cov), _diagonal(coefficients.unseen.cov)),
        _share(_diagonal(own.track_cov), _diagonal(coefficients.unseen.track_cov)),
    )


def distances_of(coefficients: Coefficients, serials: Sequence[str]) -> Distances:
    """Return the distance of rotors from their type, over all that their own runs tell.

    Vibration's numbers count by the share of the channels that speaks for itself: what moves many
    channels at once is no proof many times over. p values hold at the learned variances.
    """
    place = {serial: i for i, serial in enumerate(coefficients.rotors)}
    asked = np.array([place[serial] for serial in serials], dtype=int)
    members = list(coefficients.rotors.values())
    vibration = _Frame.of(coefficients, track=False).parts(members)
    track = _Frame.of(coefficients, track=True).parts(members)
    share = _speaking_share(coefficients.noise.correlation)
    whole = share * vibration.square + track.square
    of = share * vibration.numbers + track.numbers
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.sqrt(np.where(of > 0, whole / of, np.nan))
    all_over = np.where(of > 0, special.chdtrc(np.maximum(of, 1e-9), whole), np.nan)
    along = _against_others(vibration.along)
    single = np.where(np.isnan(along), all_over, np.minimum(1.0, 2.0 * np.fmin(all_over, along)))
    p_value = np.full(len(members), np.nan)
    if len(members) > 1:
        with np.errstate(divide="ignore"):
            p_value = -np.expm1(len(members) * np.log1p(-single))
    numbers = vibration.numbers + track.numbers
    return Distances(distance[asked], numbers[asked], p_value[asked])


def factors_of(
    coefficients: Coefficients, serials: Sequence[str], other: Array | None = None
) -> Factors:
    """Return the one factor that brings other coefficients nearest to each rotor's vibration.

    other: (channel, adjuster), complex lag; the type's when absent. Least squares over all known
    coefficients, each in units of its variance for an unseen rotor and weighed by `own_weight`;
    mean and sd are those of that factor under the rotor's posterior. Modulus = gain, angle =
    rotation, positive where the rotor lags. NaN where nothing can be set against each other.
    """
    other = coefficients.type_.mean if other is None else other
    unseen = _diagonal(coefficients.unseen.cov)
    groups = coefficients.unseen.joint.shape[0]
    factor, sd = np.full(len(serials), np.nan, dtype=complex), np.full(len(serials), np.nan)
    for i, serial in enumerate(serials):
        own = coefficients.rotors[serial]
        weight = own_weight(coefficients, own)[0]
        usable = np.isfinite(other) & np.isfinite(own.mean) & (weight > 0)
        held = np.where(usable, other, 0.0)
        pull = held * np.where(usable, weight / np.where(unseen > 0, unseen, 1.0), 0.0)
        power = float((pull.conj() * held).sum().real)
        if not power > 0.0:
            continue
        pull = pull / power
        factor[i] = np.sum(pull.conj() * np.where(usable, own.mean, 0.0))
        by_group = pull.reshape(groups, -1)
        cov = np.where(np.isnan(own.joint), 0.0, own.joint)
        var = np.einsum("sx,sxy,sy->", by_group.conj(), cov, by_group).real
        sd[i] = np.sqrt(max(var, 0.0) / 2.0)
    return Factors(factor, sd)


@dataclass(frozen=True, eq=False)
class _Parts:
    """What sets rotors apart, (rotor,): sum of squares, real numbers in it, and the part along c.

    along: standardised, CN(0, 1) of rotors of the type; NaN where nothing is told of it.
    """

    square: Real
    numbers: Real
    along: Array


@dataclass(frozen=True, eq=False)
class _Frame:
    """The units in which rotors differ by CN(0, 1): d = into (c_i - c), by group.

    into: (group, size, size), rows of zeros where rotors do not differ or nothing is known.
    mean: (group, size), of the type; unseen: (group, size, size), of a rotor without runs.
    doubt (K): (group, size, size). dead: likewise, 1 on the diagonal where `into` has no row.
    """

    into: Array
    mean: Array
    unseen: Array
    doubt: Array
    dead: Array
    track: bool

    @classmethod
    def of(cls, coefficients: Coefficients, track: bool) -> _Frame:
        mean, doubt = _stacked(coefficients.type_, track)
        unseen = _stacked(coefficients.unseen, track)[1]
        spread = unseen - doubt
        var = np.einsum("sxx->sx", spread).real
        alive = np.isfinite(var) & np.isfinite(mean) & (var > 0)
        scale = np.where(alive, 1.0 / np.sqrt(np.where(alive, var, 1.0)), 0.0)
        both = alive[:, :, None] & alive[:, None, :]
        unit = np.where(both, spread, 0.0) * scale[:, :, None] * scale[:, None, :]
        values, vectors = np.linalg.eigh(0.5 * (unit + np.swapaxes(unit, -1, -2).conj()))
        kept = values > TOLERANCE * np.maximum(values.max(axis=1, initial=0.0), 1.0)[:, None]
        root = np.where(kept, 1.0 / np.sqrt(np.where(kept, values, 1.0)), 0.0)
        into = root[:, :, None] * np.swapaxes(vectors, -1, -2).conj() * scale[:, None, :]
        doubt = np.where(both, doubt, 0.0)
        doubt = into @ doubt @ np.swapaxes(into, -1, -2).conj()
        dead = np.eye(into.shape[1]) * ~kept[:, None, :]
        unseen = np.where(both, unseen, 0.0)
        return cls(into, np.where(alive, mean, 0.0), unseen, doubt, dead, track)

    def parts(self, members: Sequence[Posterior]) -> _Parts:
        """Return what sets rotors apart from the type."""
        if not self.into.size or not members:
            nothing = np.zeros(len(members))
            return _Parts(nothing, nothing, np.full(len(members), np.nan))
        found = [self._parts(members[low : low + CHUNK]) for low in range(0, len(members), CHUNK)]
        return _Parts(
            np.concatenate([p.square for p in found]),
            np.concatenate([p.numbers for p in found]),
            np.concatenate([p.along for p in found]),
        )

    def _parts(self, members: Sequence[Posterior]) -> _Parts:
        found = [_stacked(own, self.track) for own in members]
        mean = np.array([m for m, _ in found])
        cov = np.array([v for _, v in found])
        apart = np.where(np.isnan(mean), 0.0, mean - self.mean)
        apart = np.einsum("sxy,isy->isx", self.into, apart)
        cov = np.where(np.isnan(cov), self.unseen, cov)
        own = self.into @ cov @ np.swapaxes(self.into, -1, -2).conj()
        told = np.eye(own.shape[-1]) - _given_type(own + self.dead, self.doubt)
        expected = told - told @ self.doubt @ told
        expected = 0.5 * (expected + np.swapaxes(expected, -1, -2).conj())
        values, vectors = np.linalg.eigh(expected)
        coordinates = np.einsum("isxy,isx->isy", vectors.conj(), apart)
        kept = values > TOLD
        square = np.where(kept, np.abs(coordinates) ** 2 / np.where(kept, values, 1.0), 0.0)
        reals = 1.0 if self.track else 2.0

        type_ = np.einsum("sxy,sy->sx", self.into, self.mean)
        power = np.einsum("sx,isxy,sy->i", type_.conj(), expected, type_).real
        enough = power > TOLD * (np.abs(type_) ** 2).sum()
        along = np.einsum("sx,isx->i", type_.conj(), apart)
        along = np.where(enough, along / np.sqrt(np.where(enough, power, 1.0)), np.nan)
        return _Parts(reals * square.sum(axis=(1, 2)), reals * kept.sum(axis=(1, 2)), along)


def _against_others(along: Array) -> Real:
    """Return each rotor's chance of a part as large, by the spread of the other rotors' parts.

    along: (rotor,), CN(0, v) with a common v that is not known, all differences from their mean.
    NaN where it is NaN, or with fewer than three rotors.
    """
    told = ~np.isnan(along)
    rotors = int(told.sum())
    if rotors < 3:
        return np.full(along.shape, np.nan)
    square = np.where(told, np.abs(along) ** 2, 0.0)
    others = np.maximum((1.0 - 1.0 / rotors) * square.sum() - square, 1e-300)
    ratio = square * (rotors - 2) / others
    return np.where(told, special.fdtrc(2.0, 2.0 * (rotors - 2), ratio), np.nan)


def _given_type(own: Array, doubt: Array) -> Array:
    """Return G that solves V = G + G K G, for V = own and K = doubt, both positive semi-definite.

    With V = R R' and G = R Y R': Y + Y M Y = 1, M = R' K R, and Y has M's eigenvectors.
    """
    values, vectors = np.linalg.eigh(0.5 * (own + np.swapaxes(own, -1, -2).conj()))
    root = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    across = np.swapaxes(root, -1, -2).conj()
    inner = across @ doubt @ root
    m, u = np.linalg.eigh(0.5 * (inner + np.swapaxes(inner, -1, -2).conj()))
    y = 2.0 / (1.0 + np.sqrt(1.0 + 4.0 * np.maximum(m, 0.0)))
    whole = root @ u
    return np.asarray(whole * y[..., None, :] @ np.swapaxes(whole, -1, -2).conj())


def _stacked(known: Posterior, track: bool) -> tuple[Array, Array]:
    """Return mean (group, size) and joint covariance of vibration (or track) of a posterior."""
    mean, joint = (known.track_mean, known.track_joint) if track else (known.mean, known.joint)
    return mean.reshape(joint.shape[:2]), joint


def _diagonal(cov: Array) -> Real:
    result: Real = np.einsum("jaa->ja", cov).real
    return result


def _share(own: Real, unseen: Real) -> Real:
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip(1.0 - own / unseen, 0.0, 1.0)
    return np.where(unseen > 0, share, np.nan)


def _speaking_share(correlation: Array | None) -> float:
    """Return the share of the channels that speaks for itself: channels / sum |correlation|^2."""
    if correlation is None or not len(correlation):
        return 1.0
    return float(len(correlation) / (np.abs(correlation) ** 2).sum())
