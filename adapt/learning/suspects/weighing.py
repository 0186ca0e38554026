"""The exact odds of the mistakes that a first look left, beside those of "as entered".

As entered, any step may be a gust and any reading a rough one; with a mistake put right, any step
may be a gust.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.likelihood import (
    GUST,
    GUST_SHARE,
    LOOSE,
    ROUGH,
    Likelihood,
    Steps,
)
from adapt.learning.suspects.mistakes import UNEXPLAINED_PRIOR
from adapt.learning.suspects.sieve import Candidates
from adapt.learning.suspects.wrong_readings import WrongReading, changes

__all__ = ["MOVES", "READINGS", "WILD", "Weighed", "of_moves", "of_readings", "of_wild", "weigh"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

MOVES, WILD, READINGS = 2, 3, 4  # where they stand among what is weighed
ROUGH_SHARE = 0.005  # of the readings are rough
LOOK_ROUGH = 4.0  # score of a reading from which on it may be a rough one
AT_ONCE = 600_000  # numbers (mistake, line, step, adjuster) weighed at once, for memory


@dataclass(frozen=True, eq=False)
class Weighed:
    """Everything weighed, one row each: segment, log posterior weight, first and last step.

    entered: that nothing is wrong. source: which list it comes from, number: where in that list.
    """

    owner: Whole
    weight: Real
    low: Whole
    high: Whole
    entered: Truth
    source: Whole
    number: Whole


def weigh(likelihood: Likelihood, candidates: Candidates, misread: list[WrongReading]) -> Weighed:
    """Weigh every candidate exactly, and that nothing is wrong in their segments."""
    c, last = candidates, likelihood.segments.length - 1
    odd = np.unique(np.concatenate([c.moves.owner, c.reading_of, c.wild_of]))
    rough_of, rough_run, rough = _rough(likelihood, odd)
    wild_prior = float(np.log(UNEXPLAINED_PRIOR))
    parts = [
        (odd, _total(likelihood, likelihood.entered_of(odd)), odd * 0 + 1, odd * 0, True),
        (rough_of, rough, np.maximum(rough_run, 1), np.minimum(rough_run + 1, last), True),
        (c.moves.owner, of_moves(likelihood, c), c.move_step + 1, c.move_step + 1, False),
        (c.wild_of, of_wild(likelihood, c) + wild_prior, c.wild_step + 1, c.wild_step + 1, False),
        (
            c.reading_of, of_readings(likelihood, c, misread) + c.reading_prior,
            np.maximum(c.reading_run, 1), np.minimum(c.reading_run + 1, last), False,
        ),
    ]  # fmt: skip
    return Weighed(
        owner=np.concatenate([p[0] for p in parts]),
        weight=np.concatenate([p[1] for p in parts]),
        low=np.concatenate([p[2] for p in parts]),
        high=np.concatenate([p[3] for p in parts]),
        entered=np.concatenate([np.full(len(p[0]), p[4]) for p in parts]),
        source=np.concatenate([np.full(len(p[0]), n) for n, p in enumerate(parts)]),
        number=np.concatenate([np.arange(len(p[0])) for p in parts]),
    )


def _total(likelihood: Likelihood, steps: Steps) -> Real:
    """Log likelihood of alternatives, where any step may be a gust, (alternative,)."""
    segments = likelihood.segments
    var = ((GUST - 1.0) * segments.run_var)[:, None]
    gusts = steps.shifted(var, segments.half).sum(axis=1)
    return segments.share * steps.log_density.sum(axis=1) + _gusty(segments.share * gusts)


def _gusty(gain: Real) -> Real:
    """Log factor of steps that may be gusts, (alternative,); gain: (alternative, step)."""
    return np.asarray(np.logaddexp(np.log1p(-GUST_SHARE), np.log(GUST_SHARE) + gain).sum(axis=-1))


def of_moves(likelihood: Likelihood, candidates: Candidates) -> Real:
    """Log weights of wrong moves, (mistake,)."""
    segments, moves = likelihood.segments, candidates.moves
    size = len(segments.motion) * segments.length * (segments.mean.shape[-1] + 1)
    each = max(AT_ONCE // size, 1)
    weights = [np.zeros(0)]
    for low in range(0, len(moves), each):
        part = slice(low, low + each)
        steps = likelihood.with_moves(
            moves.owner[part], candidates.move_step[part], moves.change[part]
        )
        weights.append(_total(likelihood, steps) + moves.log_prior[part])
    return np.concatenate(weights)


def of_wild(likelihood: Likelihood, candidates: Candidates) -> Real:
    """Log likelihoods with one step left unexplained, (mistake,)."""
    segments = likelihood.segments
    of, at = candidates.wild_of, candidates.wild_step
    entered = likelihood.entered_of(of)
    row = np.arange(len(of))
    var = (LOOSE - 1.0) * segments.run_var
    pull, power = entered.pull[row, :, at], entered.power[row, :, at]
    grown = 1.0 + var * power
    gain = -segments.half * (np.log(grown) - var * np.abs(pull) ** 2 / grown)
    shared = likelihood.cross(of)[row, :, :, at]
    left = entered.pull - shared * (var * pull / grown)[..., None]
    seen = entered.power - np.abs(shared) ** 2 * (var / grown)[..., None]
    return _total(likelihood, Steps(entered.log_density + gain, left, np.maximum(seen, 0.0)))


def of_readings(
    likelihood: Likelihood, candidates: Candidates, misread: list[WrongReading]
) -> Real:
    """Log likelihoods with other readings of one run, (mistake,)."""
    segments = likelihood.segments
    of, run = candidates.reading_of, candidates.reading_run
    pull, own, shared = likelihood.of_readings
    change = np.zeros((len(of), len(segments.motion)), dtype=complex)
    for m in np.unique(candidates.reading).tolist():
        rows = np.flatnonzero(candidates.reading == m)
        readings = segments.readings[of[rows], run[rows], : segments.channels]
        for _, at, found in changes(segments.rotor, misread, readings, only=m):
            change[rows[:, None], at] = found
    entered = likelihood.entered_of(of)
    gain = -2.0 * (change.conj() * pull[of, :, run]).real
    gain = segments.half * (gain - np.abs(change) ** 2 * own[of, :, run])
    left = entered.pull + shared[of, :, run].conj() * change[..., None]
    return _total(likelihood, Steps(entered.log_density + gain, left, entered.power))


def _rough(likelihood: Likelihood, odd: Whole) -> tuple[Whole, Whole, Real]:
    """Return (segment, run) of readings that may be rough, and the log weight of each."""
    segments = likelihood.segments
    pull, own, _ = likelihood.of_readings
    pull, own = pull[odd, : segments.channels], own[odd, : segments.channels]
    score = np.where(own > 0, np.abs(pull) ** 2 / np.where(own > 0, own, 1.0), 0.0)
    which, line, run = np.nonzero(score > LOOK_ROUGH)
    repeats = segments.repeats[odd[which], run, line]
    extra = (ROUGH - 1.0) * segments.reading_var[line] / repeats
    grown = 1.0 + extra * own[which, line, run]
    gain = -np.log(grown) + extra * np.abs(pull[which, line, run]) ** 2 / grown
    entered = likelihood.entered_of(odd[which])
    var = ((GUST - 1.0) * segments.run_var)[:, None]
    gusts = entered.shifted(var, segments.half)
    gusts = gusts.sum(axis=1) - gusts[np.arange(len(which)), line]
    weight = segments.share * (entered.log_density.sum(axis=1) + gain)
    weight = weight + _gusty(segments.share * gusts) + np.log(ROUGH_SHARE)
    return odd[which], run, weight
