"""One suspect entry: its explanations with their probabilities, and the kind that it is told as."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from adapt.learning.suspects.mistakes import Mistake
from adapt.learning.suspects.segments import Segments

__all__ = ["Alternatives", "Suspect", "likeliest"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]
Tell = Callable[[int], Mistake]

LISTED = 0.02  # explanations less probable than this are not listed
TELLING = 0.002  # nor does it matter to the kind what is less probable than this
SAME = 1e-6  # relative: two explanations that change readings alike but for rounding


@dataclass(frozen=True, eq=False)
class Suspect:
    """One suspect entry.

    row: the run it stands in; first: the first run of its segment; steps: first and last row of the
    runs whose pairs it touches. probability: that anything but "as entered" is true of them.
    explanations: likeliest first, twins that give the same readings together.
    """

    row: int
    first: int
    steps: tuple[int, ...]
    kind: str
    probability: float
    explanations: tuple[tuple[Mistake, float], ...]

    @property
    def best(self) -> Mistake:
        """Return the likeliest explanation."""
        return self.explanations[0][0]


@dataclass(frozen=True, eq=False)
class Alternatives:
    """What was weighed in one segment: log weights, the steps each touches, and "as entered".

    low, high: first and last step (an empty range: the segment as a whole). row: where each stands
    in what was weighed.
    """

    weight: Real
    low: Whole
    high: Whole
    entered: Truth
    row: Whole


def likeliest(
    found: Alternatives, tell: Tell, segments: Segments, i: int, limit: float
) -> Suspect | None:
    """Return the suspect of the likeliest mistake whose log odds are at or over the limit.

    tell: puts a row of what was weighed into words.
    """
    looked: set[tuple[int, int]] = set()
    for best in np.argsort(-found.weight, kind="stable").tolist():
        place = int(found.low[best]), int(found.high[best])
        if found.entered[best] or place in looked:
            continue
        looked.add(place)
        near = (found.low <= place[1]) & (found.high >= place[0])
        near |= found.low > found.high  # the segment as a whole
        wrong, entered = near & ~found.entered, near & found.entered
        odds = logsumexp(found.weight[wrong]) - logsumexp(found.weight[entered])
        if odds >= limit:
            return _suspect(found, np.flatnonzero(wrong), float(odds), tell, segments, i)
    return None


def _suspect(
    found: Alternatives, wrong: Whole, odds: float, tell: Tell, segments: Segments, i: int
) -> Suspect:
    """Put what touches the same pairs together."""
    probability = float(1.0 / (1.0 + np.exp(-odds)))
    share = np.exp(found.weight[wrong] - logsumexp(found.weight[wrong])) * probability
    order = np.argsort(-share, kind="stable")
    order = order[share[order] >= min(TELLING, share.max())]
    told = _merged([(tell(int(found.row[wrong[n]])), float(share[n])) for n in order])
    twin = _twins([m for m, _ in told], segments)
    p = np.array([x for _, x in told])
    kinds = list(dict.fromkeys(m.kind for m, _ in told))
    has = np.array([[m.kind == kind for m, _ in told] for kind in kinds])
    right = np.array([(p * (twin & row).any(axis=1)).sum() for row in has])
    together = (twin * p).sum(axis=1)
    listed = np.lexsort((-p, -together))
    shown = [told[n] for n in listed if p[n] >= LISTED] or [told[int(listed[0])]]
    first = int(segments.first[i])
    best = shown[0][0]
    return Suspect(
        row=first + best.run,
        first=first,
        steps=tuple(range(first + best.steps[0], first + best.steps[1] + 1)),
        kind=kinds[int(np.argmax(right))],
        probability=probability,
        explanations=tuple(shown),
    )


def _merged(told: list[tuple[Mistake, float]]) -> list[tuple[Mistake, float]]:
    """Sum what differs only in a guessed size; the likeliest size speaks."""
    found: dict[tuple[Any, ...], tuple[Mistake, float]] = {}
    for n, (mistake, p) in enumerate(told):
        place: tuple[Any, ...] = (n,)
        if mistake.guessed and mistake.change is not None:
            place = (mistake.run, *np.argwhere(mistake.change)[0].tolist())
        first, before = found.get(place, (mistake, 0.0))
        found[place] = first, before + p
    return list(found.values())


def _twins(told: list[Mistake], segments: Segments) -> Truth:
    """Return which mistakes give the same readings, (mistake, mistake), each its own twin."""
    twin = np.eye(len(told), dtype=bool)
    moves = [n for n, m in enumerate(told) if m.change is not None]
    if moves:
        x = segments.effects(np.array([told[n].change for n in moves]))
        scale = np.abs(x).max(axis=(0, 1), initial=0.0)
        x = x / np.where(scale > 0, scale, 1.0)
        apart = np.abs(x[:, None] - x[None]).max(axis=(2, 3))
        same = apart <= SAME
        runs = np.array([told[n].run for n in moves])
        twin[np.ix_(moves, moves)] = same & (runs[:, None] == runs)
    readings = [n for n, m in enumerate(told) if m.readings is not None]
    for one in readings:
        for two in readings:
            a, b = told[one], told[two]
            assert a.readings is not None
            assert b.readings is not None
            twin[one, two] |= a.run == b.run and np.allclose(
                a.readings, b.readings, rtol=SAME, atol=0.0, equal_nan=True
            )
    return twin
