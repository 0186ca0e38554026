"""A first look at many segments at once: which mistakes are likely enough to be weighed.

The log likelihood is a quadratic in what a mistake changes when the covariances are kept as
entered, so every mistake of every step is scored by a few sums. For readings that is exact; for
moves it only chooses what is weighed exactly afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.likelihood import LOOSE, Likelihood
from adapt.learning.suspects.mistakes import UNEXPLAINED_PRIOR
from adapt.learning.suspects.segments import Segments
from adapt.learning.suspects.wrong_moves import ALL, WrongMoves, unrecorded, wrong_moves
from adapt.learning.suspects.wrong_readings import WrongReading, changes, log_priors

__all__ = ["LOOK", "Candidates", "sieve"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

LOOK = 3.0  # log odds below those of a suspect from which on a segment is weighed exactly
NEAR, NEAR_SHARE = 12.0, 0.4  # how far behind the best a step may be, and as a share of it
MISSING = 12  # moves that nobody wrote down are weighed at a step


@dataclass(frozen=True, eq=False)
class Candidates:
    """Mistakes worth weighing, of the segments that hold any.

    odds: (segment,), log odds of anything wrong, roughly. moves: owner is the segment; move_step:
    (mistake,), step 0 leads to the second run. reading_of, reading_run, reading: (mistake,)
    segment, run, index in the rotor's wrong readings; reading_prior: log prior. wild_of, wild_step:
    steps that may be left unexplained.
    """

    odds: Real
    moves: WrongMoves
    move_step: Whole
    reading_of: Whole
    reading_run: Whole
    reading: Whole
    reading_prior: Real
    wild_of: Whole
    wild_step: Whole


def sieve(
    likelihood: Likelihood, misread: list[WrongReading], taken: Truth, least: float
) -> Candidates:
    """Return what is worth weighing.

    taken: (segment, run), runs whose pairs are explained already. least: the log odds from which on
    an entry is suspect.
    """
    quadratic = _quadratic(likelihood)
    moves, step, of_moves = _of_moves(likelihood.segments, *quadratic)
    missing, of_missing = _of_missing(likelihood.segments, *quadratic)
    of_wild = _of_wild(likelihood)
    of_readings, prior = _of_readings(likelihood, misread)
    count, length = taken.shape
    free = ~taken[:, 1:]
    # a wrong reading touches the pairs that end and begin there
    begin = np.concatenate([taken[:, 1:], np.zeros((count, 1), dtype=bool)], axis=1)
    of_readings = np.where((taken | begin)[:, :, None], -np.inf, of_readings)
    of_missing = np.where(free[:, :, None], of_missing, -np.inf)
    of_wild = np.where(free, of_wild, -np.inf)
    of_moves = np.where(free[moves.owner, step], of_moves, -np.inf)

    by_step = np.logaddexp(of_wild, _sum(of_missing))
    flat = moves.owner * (length - 1) + step
    summed = _sum_by(flat, of_moves, count * (length - 1)).reshape(count, length - 1)
    by_step = np.logaddexp(by_step, summed)
    by_run = _sum(of_readings)
    odds = np.maximum(by_step.max(axis=1), by_run.max(axis=1))
    odd = odds > least - LOOK
    best = np.full(count, -np.inf)
    np.maximum.at(best, moves.owner, of_moves)
    for values in (of_missing, of_wild, of_readings):
        best = np.maximum(best, values.reshape(count, -1).max(axis=1, initial=-np.inf))
    floor = np.maximum(best - np.maximum(NEAR, NEAR_SHARE * best), least - LOOK - 5.0)
    floor = np.where(odd, floor, np.inf)

    # At fixed covariances large moves are badly ranked: at an odd step all are weighed.
    odd_step = by_step >= floor[:, None]
    kept = odd_step[moves.owner, step]
    top = min(MISSING, of_missing.shape[2])
    least_of_top = np.full(of_missing.shape[:2], np.inf)
    if top:
        least_of_top[odd_step] = np.partition(of_missing[odd_step], -top, axis=1)[:, -top]
    at, when, which = np.nonzero((of_missing >= least_of_top[:, :, None]) & free[:, :, None])
    more = missing.only(which).owned_by(at)
    run_of, run, reading = np.nonzero(of_readings >= floor[:, None, None])
    wild_of, wild_step = np.nonzero(odd_step & free)
    return Candidates(
        odds=odds,
        moves=moves.only(kept).beside(more),
        move_step=np.concatenate([step[kept], when]),
        reading_of=run_of,
        reading_run=run,
        reading=reading,
        reading_prior=prior[run_of, run, reading],
        wild_of=wild_of,
        wild_step=wild_step,
    )


def _quadratic(likelihood: Likelihood) -> tuple[Real, Real]:
    """Return g (segment, step, place) and F (segment, step, place, place), place = blade, adjuster.

    Moves that differ by v, their coefficients as expected, gain g v - v' F v.
    """
    segments, entered = likelihood.segments, likelihood.entered
    blades, adjusters = segments.amounts.shape[2:]
    pull = entered.pull * segments.weight[:, None]
    power = entered.power * segments.weight[:, None]
    count, _, steps = pull.shape
    one = np.zeros((blades, blades, adjusters))
    one[np.arange(blades), np.arange(blades), :1] = 1.0
    turns = segments.effects(one)[:, :, 0].T  # (motion, blade)
    g = np.zeros((count, steps, blades, adjusters))
    f = np.zeros((count, steps, adjusters**2, blades**2))
    for motion, turn in enumerate(turns):
        at = segments.motion == motion
        mean = segments.mean[:, at]
        u = np.swapaxes(mean.conj(), 1, 2) @ pull[:, at]  # (segment, adjuster, step)
        g += 2.0 * (turn.conj()[:, None] * np.swapaxes(u, 1, 2)[:, :, None]).real
        products = (mean.conj()[..., :, None] * mean[..., None, :]).reshape(*mean.shape[:2], -1)
        q = np.swapaxes(power[:, at], 1, 2) @ products  # (segment, step, adjuster^2)
        shared = (turn.conj()[:, None] * turn).reshape(-1)
        f += q.real[..., None] * shared.real - q.imag[..., None] * shared.imag
    places = blades * adjusters
    f = f.reshape(count, steps, adjusters, adjusters, blades, blades)
    f = f.transpose(0, 1, 4, 2, 5, 3).reshape(count, steps, places, places)
    return g.reshape(count, steps, places), f


def _of_moves(segments: Segments, g: Real, f: Real) -> tuple[WrongMoves, Whole, Real]:
    """Return the wrong moves of every pair, their steps, and their rough log odds."""
    count, length = segments.kept.shape
    made = segments.amounts[:, 1:].reshape(count * (length - 1), *segments.amounts.shape[2:])
    found = wrong_moves(segments.rotor, made)
    pair, source, target, size = found.owner, found.source, found.target, found.size
    places = g.shape[-1]
    g, f = g.reshape(-1, places), f.reshape(-1, places, places)
    entered = made.reshape(-1, places)[pair, source]
    gain = size * g[pair, target] - entered * g[pair, source]
    gain -= size**2 * f[pair, target, target] + entered**2 * f[pair, source, source]
    gain += 2.0 * size * entered * f[pair, source, target]
    together = np.flatnonzero(source == ALL)
    change = found.change[together].reshape(-1, places)
    pair = pair[together]
    gain[together] = (change * g[pair]).sum(axis=1)
    gain[together] -= ((f[pair] @ change[..., None])[..., 0] * change).sum(axis=1)
    owner, step = np.divmod(found.owner, length - 1)
    return found.owned_by(owner), step, gain + found.log_prior


def _of_missing(segments: Segments, g: Real, f: Real) -> tuple[WrongMoves, Real]:
    """Return the moves that may be missing, and their rough log odds (segment, step, move)."""
    found = unrecorded(segments.rotor)
    size, at = found.size, found.target
    own = np.einsum("nspp->nsp", f)
    return found, g[..., at] * size - own[..., at] * size**2 + found.log_prior


def _of_wild(likelihood: Likelihood) -> Real:
    """Return the rough log odds that nothing explains a step, (segment, step)."""
    segments = likelihood.segments
    var = (LOOSE - 1.0) * segments.run_var
    gain = likelihood.entered.shifted(var, segments.half).sum(axis=1)
    return np.asarray(segments.share * gain + np.log(UNEXPLAINED_PRIOR))


def _of_readings(likelihood: Likelihood, misread: list[WrongReading]) -> tuple[Real, Real]:
    """Return log odds and log priors of wrong readings of every run, (segment, run, mistake)."""
    segments = likelihood.segments
    pull, own, _ = likelihood.of_readings
    channels = segments.channels
    count, length = segments.kept.shape
    readings = segments.readings[:, :, :channels].reshape(count * length, channels)
    flat = (count * length, channels)
    pull = np.swapaxes(pull[:, :channels], 1, 2).reshape(flat)
    own = np.swapaxes(own[:, :channels], 1, 2).reshape(flat)
    odds = np.full((count * length, len(misread)), -np.inf)
    for m, at, change in changes(segments.rotor, misread, readings):
        gain = -2.0 * (change.conj() * pull[:, at]).real - np.abs(change) ** 2 * own[:, at]
        odds[:, m] = np.where((change != 0).any(axis=1), gain.sum(axis=1), -np.inf)
    prior = log_priors(misread, odds > -np.inf)
    odds = segments.share * odds + prior
    shape = (count, length, len(misread))
    return odds.reshape(shape), prior.reshape(shape)


def _sum(values: Real) -> Real:
    """Log of the sum of exponentials over the last axis; -inf where there is nothing."""
    if not values.shape[-1]:
        return np.full(values.shape[:-1], -np.inf)
    top = values.max(axis=-1)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(values - safe[..., None]).sum(axis=-1)) + safe)


def _sum_by(group: Whole, values: Real, groups: int) -> Real:
    """The same within groups, (group,)."""
    top = np.full(groups, -np.inf)
    np.maximum.at(top, group, values)
    safe = np.where(np.isfinite(top), top, 0.0)
    total = np.bincount(group, np.exp(values - safe[group]), minlength=groups)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(total) + safe)
