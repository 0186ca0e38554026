"""Entries that are probably wrong: every usual mistake weighed against "as entered".

Each mistake that people really make is put into a segment of the log in turn, and its readings, all
lines together, say how likely they are under it. Coefficients come from everything but the job
itself, so a wrong pair cannot speak for itself. What is found is reported; nothing is changed.

Segments of one length are looked at together. After the likeliest mistake of a segment is found it
is put right, and what is left is looked at again, until nothing more is likely.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.likelihood import LOOSE, Likelihood
from adapt.learning.suspects.mistakes import KINDS_OF_MOVES, UNEXPLAINED, Mistake
from adapt.learning.suspects.segments import Segments
from adapt.learning.suspects.sieve import Candidates, sieve
from adapt.learning.suspects.suspect import Alternatives, Suspect, likeliest
from adapt.learning.suspects.weighing import MOVES, WILD, Weighed, weigh
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
        segments.extra[i, mistake.run] += LOOSE - 1.0


def _suspects(
    likelihood: Likelihood, candidates: Candidates, misread: list[WrongReading], limit: float
) -> dict[int, Suspect]:
    """Return the likeliest suspect of each segment that has one, by segment."""
    weighed = weigh(likelihood, candidates, misread)
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


def _mistake(
    likelihood: Likelihood,
    candidates: Candidates,
    misread: list[WrongReading],
    weighed: Weighed,
    row: int,
) -> Mistake:
    """Put one of what was weighed into words."""
    segments, n, i = likelihood.segments, int(weighed.number[row]), int(weighed.owner[row])
    steps = int(weighed.low[row]), int(weighed.high[row])
    if weighed.source[row] == MOVES:
        moves = candidates.moves
        run = int(candidates.move_step[n]) + 1
        kind = KINDS_OF_MOVES[moves.kind[n]]
        text = in_words(segments.rotor, segments.amounts[i, run], moves, n)
        guessed = kind == "not recorded"
        return Mistake(kind, text, run, steps, change=moves.change[n], guessed=guessed)
    if weighed.source[row] == WILD:
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
