"""The exact odds of the mistakes that a first look left, beside those of "as entered".

As entered, any step may be a gust and any reading a rough one; with a mistake put right, any step
may be a gust.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

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

__all__ = [
    "MOVES",
    "WILD",
    "Weighed",
    "of_moves",
    "of_readings",
    "of_wild",
    "total_of",
    "weigh",
]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

MOVES, WILD = 2, 3  # where they stand among what is weighed
STEPS_PER_GUST = 5  # one more gust is allowed for with so many more steps
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
        (odd, total_of(likelihood, likelihood.entered_of(odd)), odd * 0 + 1, odd * 0, True),
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


def total_of(likelihood: Likelihood, steps: Steps, silent: Whole | None = None) -> Real:
    """Log likelihood of alternatives, where any step may be a gust, (alternative,).

    No gust or one is allowed for, and in long segments more, the likeliest being given. silent:
    (alternative,), a line that says nothing of gusts.
    """
    segments = likelihood.segments
    var = np.broadcast_to((GUST - 1.0) * segments.run_var, steps.log_density.shape).copy()
    row = np.arange(len(var))
    if silent is not None:
        var[row, silent] = 0.0
    odds = float(np.log(GUST_SHARE / (1.0 - GUST_SHARE)))
    number = steps.pull.shape[2]
    calm = segments.share * steps.log_density.sum(axis=1) + number * np.log1p(-GUST_SHARE)
    total, path = np.zeros(len(var)), np.zeros(len(var))
    chosen = np.zeros((len(var), number), dtype=bool)
    for more in range(number // STEPS_PER_GUST, -1, -1):
        gain = segments.share * steps.shifted(var, segments.half).sum(axis=1) + odds
        gain = np.where(chosen, -np.inf, gain)
        total = np.logaddexp(total, path + logsumexp(gain, axis=1))
        if more:
            best = gain.argmax(axis=1)
            path, chosen[row, best] = path + gain[row, best], True
            steps = steps.given(best, var, segments.half)
    return np.asarray(calm + total)


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
        weights.append(total_of(likelihood, steps) + moves.log_prior[part])
    return np.concatenate(weights)


def of_wild(likelihood: Likelihood, candidates: Candidates) -> Real:
    """Log likelihoods with one step left unexplained, (mistake,)."""
    segments = likelihood.segments
    of, at = candidates.wild_of, candidates.wild_step
    steps = likelihood.entered_of(of)
    var = np.broadcast_to((LOOSE - 1.0) * segments.run_var, steps.log_density.shape)
    return total_of(likelihood, steps.given(at, var, segments.half))


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
    return total_of(likelihood, replace(entered, log_density=entered.log_density + gain, pull=left))


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
    weight = total_of(likelihood, likelihood.entered_of(odd[which]), silent=line)
    weight = weight + segments.share * gain + np.log(ROUGH_SHARE)
    return odd[which], run, weight
