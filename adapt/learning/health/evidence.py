"""How strongly a rotor's runs speak for one answer being otherwise: score statistics over a family.

Each candidate says that some moves (those since a run, or those on one blade) act by a factor
1 + g of what they should, g complex and common to what it concerns: the whole rotor, one sensor,
one adjuster, one adjuster at one sensor; or one g for each adjuster and sensor ("free"). Whitened
recursive residuals w, and the direction h that a unit of g would give them, are made independent
across channels with the learned correlation. Beside g, every adjuster at every sensor may answer by
a factor of its own over all runs (the rotor is what it is): h is taken orthogonal to those. Then

    U = h' w,  K = h' h,  |U|^2 / K ~ exponential(1) if nothing changed, g estimated by U / K

whatever the coefficients are, because h rests on earlier runs only (a martingale); where readings
are real (track), half of it is gamma(1/2). Residuals are
clipped at three standard deviations: one gust is no change. Score tests: Rao, Linear Statistical
Inference (Wiley 1973), section 6e, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincc

from adapt.learning.health.kinds import Kinds
from adapt.learning.health.residuals import Walk

__all__ = [
    "Sums", "Tests", "Unmixed", "misfit_of", "moments_of", "null_sums", "squares_of", "sums_of",
    "tests_of", "unmixing",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

CLIPPED = 3.0  # sds of a whitened residual
LARGEST_VAR = 1.0 / 24.0  # of a factor per component: at an sd of 0.2 a test is worth its cost
RIDGE = 1e-9


@dataclass(frozen=True, eq=False)
class Sums:
    """Scores and information of every part's factors, one for each sensor and adjuster.

    score: (case, part, factor, draw); information: (case, part, factor, factor); the common factors
    are projected out of both.
    """

    score: Array
    information: Array

    def of(self, parts: slice) -> Sums:
        """Return the sums of some parts."""
        return Sums(self.score[:, parts], self.information[:, parts])


@dataclass(frozen=True, eq=False)
class Unmixed:
    """Directions (as in `Walk`) with the unmixing of channels, (case, run, channel, channel).

    common: (case, part, factor, factor), times the scores of the first part = what a part shares
    with the common factors. information: as in `Sums`.
    """

    directions: Array
    unmix: Array
    common: Array
    information: Array


@dataclass(frozen=True, eq=False)
class Tests:
    """Single tests: (case, part, kind, ...); the last kind is "free".

    square: (..., draw), ~ gamma(freedom, 1) if nothing changed. freedom: 1 for one complex factor,
    1/2 for a real one; 0 where there is no test.
    factor, sd: estimate of g and its sd per component (first draw), NaN where there is no test.
    """

    square: Real
    freedom: Real
    factor: Array
    sd: Real

    @property
    def count(self) -> Whole:
        """Tests that a case has, (case,)."""
        return np.asarray((self.freedom > 0).sum(axis=(1, 2)))

    def log_p(self, inflation: Real | None = None) -> Real:
        """Return log p-values, 0 where there is no test, shape as square.

        inflation: (kind,), of the variance of scores; none when not given.
        """
        square = self.square if inflation is None else self.square / inflation[:, None]
        log_p = np.where(self.freedom[..., None] > 0, -square, 0.0)
        more = (self.freedom > 0) & (self.freedom != 1)
        tail = gammaincc(self.freedom[more][:, None], square[more])
        log_p[more] = np.log(np.maximum(tail, 1e-300))
        return np.asarray(log_p)


def sums_of(found: Walk, live: Truth, correlation: Array) -> tuple[Sums, Unmixed]:
    """Return the sums of what was read, and what `null_sums` needs.

    found: its first part is all moves. live: (case, run, sensor, regime). correlation: (channel,
    channel), of unit errors of one run.
    """
    count, length, sensors, regimes = live.shape
    channels = sensors * regimes
    unmix = unmixing(live, correlation)
    size = np.abs(found.whitened)
    clipped = found.whitened * (CLIPPED / np.maximum(size, CLIPPED))
    white = (unmix @ clipped.reshape(count, length, channels, 1)).astype(np.complex64)

    across = _across(found, unmix)
    straight = across.conj()
    factors = across.shape[3]
    parts = across.shape[1]
    raw = np.empty((count, parts, factors, factors), dtype=complex)
    with_base = np.empty_like(raw)
    score = np.empty((count, parts, factors, 1), dtype=complex)
    base = np.concatenate([across[:, 0], white.reshape(count, -1, 1)], axis=2)
    for p, begins in enumerate(found.begins * channels):
        mirrored = np.swapaxes(straight[:, p, begins:], 1, 2)
        raw[:, p] = mirrored @ across[:, p, begins:]
        told = mirrored @ base[:, begins:]
        with_base[:, p], score[:, p] = told[..., :factors], told[..., factors:]
    own = raw[:, 0]
    weight = np.einsum("cff->cf", own).real
    top = np.maximum(weight.max(axis=1, initial=0.0), 1e-300)[:, None]
    own = own + np.eye(own.shape[1]) * (RIDGE * weight + 1e-9 * top)[..., None]
    common = with_base @ np.linalg.inv(own)[:, None]
    information = raw - common @ np.swapaxes(with_base, 2, 3).conj()
    information = 0.5 * (information + np.swapaxes(information, 2, 3).conj())
    score = score - common @ score[:, :1]
    return Sums(score, information), Unmixed(found.directions, unmix, common, information)


def unmixing(live: Truth, correlation: Array) -> Array:
    """Return what makes the channels of a run independent, (case, run, channel, channel).

    Inverse Cholesky factors, one for each pattern of channels read.
    """
    flat = live.reshape(*live.shape[:2], -1)
    patterns, which = np.unique(flat.reshape(-1, flat.shape[2]), axis=0, return_inverse=True)
    both = patterns[:, :, None] & patterns[:, None, :]
    mixed = np.where(both, correlation, 0.0) + np.eye(flat.shape[2]) * ~patterns[..., None]
    inverse = np.linalg.inv(np.linalg.cholesky(mixed))
    return np.asarray(inverse[which.reshape(flat.shape[:2])])


def moments_of(found: Walk, live: Truth) -> tuple[Array, Whole]:
    """Return each case's products of clipped residuals of two channels, summed, and how many.

    Both (case, channel, channel).
    """
    flat = live.reshape(*live.shape[:2], -1)
    white = found.whitened * (CLIPPED / np.maximum(np.abs(found.whitened), CLIPPED))
    white = np.where(flat, white.reshape(flat.shape), 0.0)
    across = np.swapaxes(white, 1, 2)
    number = flat.astype(np.float64)
    count = np.swapaxes(number, 1, 2) @ number
    return across @ white.conj(), np.rint(count).astype(np.int64)


def squares_of(found: Walk, unmix: Array) -> Real:
    """Return each run's squared distance from its prediction, all channels together, (case, run).

    ~ gamma(channels read, 1); not clipped.
    """
    count, length = unmix.shape[:2]
    white = unmix @ found.whitened.reshape(count, length, -1, 1)
    return np.asarray((np.abs(white) ** 2).sum(axis=(2, 3)))


def misfit_of(found: Walk, live: Truth, unmix: Array) -> Real:
    """Return each run's p-value of fitting as badly in all channels together, (case, run)."""
    channels = live.reshape(*live.shape[:2], -1).sum(axis=2)
    tail = gammaincc(np.maximum(channels, 1), squares_of(found, unmix))
    return np.asarray(np.where(channels > 0, tail, 1.0))


def null_sums(unmixed: Unmixed, draws: int, rng: np.random.Generator, real: bool = False) -> Sums:
    """Return sums for drawn residuals of rotors that always answered as they do.

    The directions stay as they are: each rests on earlier runs only. real: readings are.
    """
    directions = unmixed.directions
    count, length, sensors, regimes, parts, adjusters = directions.shape
    size = (count, length, sensors * regimes, draws if real else 2 * draws)
    noise = rng.standard_normal(size, dtype=np.float32)
    if not real:
        noise = (noise[..., :draws] + 1j * noise[..., draws:]) * np.float32(0.5**0.5)
    drawn = np.swapaxes(unmixed.unmix, 2, 3).conj().astype(np.complex64) @ noise
    by_sensor = drawn.reshape(count, length, sensors, regimes, draws)
    told = np.empty((count, parts, sensors, adjusters, draws), dtype=complex)
    for s in range(sensors):
        own = directions[:, :, s].reshape(count, length * regimes, parts * adjusters)
        heard = np.swapaxes(own, 1, 2).conj() @ by_sensor[:, :, s].reshape(count, -1, draws)
        told[:, :, s] = heard.reshape(count, parts, adjusters, draws)
    score = told.reshape(count, parts, sensors * adjusters, draws)
    return Sums(score - unmixed.common @ score[:, :1], unmixed.information)


def tests_of(sums: Sums, kinds: Kinds, allowed: Truth, real: bool) -> Tests:
    """Return all tests; allowed: (case, part). real: readings are, and so are factors."""
    weight, component = kinds.weight, 1.0 if real else 0.5
    score = np.einsum("kf,cpfd->cpkd", weight, sums.score, optimize=True)
    information = np.einsum("kf,cpfg,kg->cpk", weight, sums.information, weight, optimize=True).real
    use = (LARGEST_VAR * information >= component) & allowed[..., None]
    safe = np.where(use, information, 1.0)
    scale = 0.5 if real else 1.0
    square = np.where(use[..., None], scale * np.abs(score) ** 2 / safe[..., None], 0.0)
    free, freedom = _free(sums, allowed, component)
    nothing = np.full(free.shape[:2], np.nan)[..., None]
    return Tests(
        square=np.concatenate([square, scale * free[:, :, None]], axis=2),
        freedom=scale * np.concatenate([use, freedom[..., None]], axis=2),
        factor=np.concatenate([np.where(use, score[..., 0] / safe, np.nan), nothing], axis=2),
        sd=np.concatenate([np.where(use, np.sqrt(component / safe), np.nan), nothing], axis=2),
    )


def _free(sums: Sums, allowed: Truth, component: float) -> tuple[Real, Whole]:
    """Return the test of one factor for each sensor and adjuster: (case, part, draw), freedom."""
    own = np.einsum("cpff->cpf", sums.information).real
    use = LARGEST_VAR * own >= component
    freedom = np.where(allowed & (use.sum(axis=2) > 1), use.sum(axis=2), 0)
    both = use[..., :, None] & use[..., None, :]
    eye = np.eye(own.shape[2])
    matrix = np.where(both, sums.information, 0.0) + eye * ~use[..., None]
    matrix = matrix + RIDGE * eye * np.einsum("cpff->cpf", matrix).real[..., None]
    score = np.where(use[..., None], sums.score, 0.0)
    solved = np.linalg.solve(matrix, score)
    square = np.maximum((score.conj() * solved).sum(axis=2).real, 0.0)
    return np.where(freedom[..., None] > 0, square, 0.0), freedom


def _across(found: Walk, unmix: Array) -> Array:
    """Return directions of single factors over all channels, (case, part, run * channel, factor).

    Unmixing is lower triangular: a sensor speaks in its own channels and in those after it.
    """
    directions = found.directions
    count, length, sensors, regimes, parts, adjusters = directions.shape
    result = np.zeros(
        (count, parts, length, sensors * regimes, sensors, adjusters), dtype=np.complex64
    )
    unmix = unmix.astype(np.complex64)
    followed = np.append(found.begins, length)
    for s in range(sensors):
        at, on = slice(s * regimes, (s + 1) * regimes), slice(s * regimes, None)
        own = directions[:, :, s].reshape(count, length, regimes, parts * adjusters)
        turned = (unmix[:, :, on, at] @ own).reshape(count, length, -1, parts, adjusters)
        for p in range(parts):
            n = slice(int(followed[p]), None)
            result[:, p, n, on, s, :] = turned[:, n, :, p]
    return result.reshape(count, parts, length * sensors * regimes, sensors * adjusters)
