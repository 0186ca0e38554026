"""Entries that are probably wrong: every usual mistake weighed against "as entered".

Each mistake that people really make is put into a segment of the log in turn, and its readings, all
lines together, say how likely they are under it. Coefficients come from everything but the job
itself, so a wrong pair cannot speak for itself. What is found is reported; nothing is changed.

Segments of one length are looked at together. After the likeliest mistake of a segment is found it
is put right, and what is left is looked at again, until nothing more is likely.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
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
from adapt.learning.suspects.mistakes import (
    KINDS_OF_MOVES,
    UNEXPLAINED,
    UNEXPLAINED_PRIOR,
    Mistake,
)
from adapt.learning.suspects.segments import Segments
from adapt.learning.suspects.sieve import Candidates, sieve
from adapt.learning.suspects.suspect import Alternatives, Suspect, likeliest
from adapt.learning.suspects.wrong_moves import in_words
from adapt.learning.suspects.wrong_readings import (
    WrongReading,
    changes,
    derived_readings,
    wrong_readings,
)

__all__ = ["find_suspects"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

_MOVES, _WILD = 2, 3  # where they stand in what is weighed
ROUGH_SHARE = 0.005  # of the readings are rough
LOOK_ROUGH = 4.0  # score of a reading from which on it may be a rough one
AT_ONCE = 600_000  # numbers (mistake, line, step, adjuster) weighed at once, for memory


def find_suspects(segments: Segments, least: float = 0.5) -> tuple[list[Suspect], Real]:
    """Return the suspect entries of segments at or over a probability of `least`, by row.

    With them the log odds of anything wrong in each segment at the first look, (segment,), roughly
    and less those of `least`: what is far below 0 is far from suspect. Pairs that somebody looked
    at and found right are not looked at again.
    """
    limit = float(np.log(least / (1.0 - least)))
    misread = wrong_readings(segments.rotor)
    found: list[Suspect] = []
    odds = np.full(len(segments), -np.inf)
    taken = segments.kept.copy()
    for look in range(2 * segments.length):
        likelihood = Likelihood(segments)
        candidates = sieve(likelihood, misread, taken, limit)
        if not look:
            odds = candidates.odds - limit
        suspects = _suspects(likelihood, candidates, misread, limit)
        if not suspects:
            break
        found += suspects.values()
        going = np.array(list(suspects))
        segments, taken = segments.only(going), taken[going]
        for i, suspect in enumerate(suspects.values()):
            low, high = suspect.best.steps
            taken[i, low : high + 1] = True
            _correct(segments, i, suspect.best)
    found.sort(key=lambda s: (s.steps, s.row))
    return found, odds


def _correct(segments: Segments, i: int, mistake: Mistake) -> None:
    """Put one mistake right in segment i, in place; what nobody can say is given up."""
    if mistake.change is not None and not mistake.guessed:
        segments.amounts[i, mistake.run] += mistake.change
    elif mistake.readings is not None:
        row = segments.readings[i, mistake.run, : segments.channels]
        row[mistake.otherwise] = mistake.readings[mistake.otherwise]
    else:
        segments.loose[i, mistake.run] = True


@dataclass(frozen=True, eq=False)
class _Weighed:
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


def _suspects(
    likelihood: Likelihood, candidates: Candidates, misread: list[WrongReading], limit: float
) -> dict[int, Suspect]:
    """Return the likeliest suspect of each segment that has one, by segment."""
    weighed = _weigh(likelihood, candidates, misread)
    tell = partial(_mistake, likelihood, candidates, misread, weighed)
    order = np.argsort(weighed.owner, kind="stable")
    starts = np.flatnonzero(np.diff(weighed.owner[order], prepend=-1))
    suspects: dict[int, Suspect] = {}
    for rows in np.split(order, starts[1:]) if len(order) else []:
        i = int(weighed.owner[rows[0]])
        of_segment = Alternatives(
            weighed.weight[rows], weighed.low[rows], weighed.high[rows], weighed.entered[rows], rows
        )
        suspect = likeliest(of_segment, tell, likelihood.segments, i, limit)
        if suspect is not None:
            suspects[i] = suspect
    return suspects


def _weigh(likelihood: Likelihood, candidates: Candidates, misread: list[WrongReading]) -> _Weighed:
    """Weigh every candidate exactly, and that nothing is wrong in their segments."""
    c, last = candidates, likelihood.segments.length - 1
    odd = np.unique(np.concatenate([c.moves.owner, c.reading_of, c.wild_of]))
    rough_of, rough_run, rough = _rough(likelihood, odd)
    wild_prior = float(np.log(UNEXPLAINED_PRIOR))
    parts = [
        (odd, _total(likelihood, likelihood.entered_of(odd)), odd * 0 + 1, odd * 0, True),
        (rough_of, rough, np.maximum(rough_run, 1), np.minimum(rough_run + 1, last), True),
        (c.moves.owner, _of_moves(likelihood, c), c.move_step + 1, c.move_step + 1, False),
        (c.wild_of, _of_wild(likelihood, c) + wild_prior, c.wild_step + 1, c.wild_step + 1, False),
        (
            c.reading_of, _of_readings(likelihood, c, misread) + c.reading_prior,
            np.maximum(c.reading_run, 1), np.minimum(c.reading_run + 1, last), False,
        ),
    ]  # fmt: skip
    return _Weighed(
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


def _of_moves(likelihood: Likelihood, candidates: Candidates) -> Real:
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


def _of_wild(likelihood: Likelihood, candidates: Candidates) -> Real:
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


def _of_readings(
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


def _mistake(
    likelihood: Likelihood,
    candidates: Candidates,
    misread: list[WrongReading],
    weighed: _Weighed,
    row: int,
) -> Mistake:
    """Put one of what was weighed into words."""
    segments, n, i = likelihood.segments, int(weighed.number[row]), int(weighed.owner[row])
    steps = int(weighed.low[row]), int(weighed.high[row])
    if weighed.source[row] == _MOVES:
        moves = candidates.moves
        run = int(candidates.move_step[n]) + 1
        kind = KINDS_OF_MOVES[moves.kind[n]]
        text = in_words(segments.rotor, segments.amounts[i, run], moves, n)
        guessed = kind == "not recorded"
        return Mistake(kind, text, run, steps, change=moves.change[n], guessed=guessed)
    if weighed.source[row] == _WILD:
        text = "nothing that is usually entered wrongly explains this change"
        return Mistake(UNEXPLAINED, text, int(candidates.wild_step[n]) + 1, steps)
    run, m = int(candidates.reading_run[n]), int(candidates.reading[n])
    readings = segments.readings[i, run, : segments.channels].copy()
    follows = derived_readings(segments.rotor, readings[None])[0]
    otherwise = np.zeros(len(readings), dtype=bool)
    for _, at, change in changes(segments.rotor, misread, readings[None], only=m):
        readings[at] += change[0]
        otherwise[at] = change[0] != 0
    kind, text = misread[m].kind, misread[m].text
    return Mistake(kind, text, run, steps, readings=readings, otherwise=otherwise, follows=follows)
