"""Looking through a whole log for suspect entries, and where to look again after a new fit.

Segments of one length are looked at together, some thousands at a time. Each is held against what
the rest of the log says of its rotor. What a suspect is stands in `suspects`; fits and looks take
turns in `screening`.

A second look is only given where it may say something else: where a suspect was found, and where
the log odds of the first look could reach those of a suspect by as much as knowledge moved. With
the noise smaller by at most a factor f (variances), and changes predicted otherwise by at most d
sds of the noise in all, odds o at a prior p become at most (sqrt(f (o - p)) + d)^2 + p.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Posterior
from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.fitting.learner import Learned, units_of
from adapt.learning.rows.runs import Runs, orders, track_moves, vibration_moves
from adapt.learning.suspects import LOOK, Known, Segments, Suspect, find_suspects
from adapt.learning.suspects.rest import RestOfLog
from adapt.rotor import Rotor

__all__ = ["Fitted", "Looked", "look", "look_again"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

AT_ONCE = 300_000  # numbers (segment, line, run, run) worked on together, for memory
LEAST_SHARE = 0.2  # of the channels that speak for themselves, at least
LOG_PRIOR = -9.0  # of a mistake that one blade or one clock may have made, about

Fitted = tuple[Coefficients, Learned, Learned | None]


@dataclass(frozen=True, eq=False)
class Looked:
    """What a look found.

    suspects: by first row of their segment. odds: (run,), log odds of anything wrong in the segment
    that begins there, less those of a suspect; NaN elsewhere.
    """

    suspects: dict[int, list[Suspect]]
    odds: Real

    @property
    def found(self) -> list[Suspect]:
        """All suspects, in the order of the log."""
        return [s for first in sorted(self.suspects) for s in self.suspects[first]]

    @property
    def steps(self) -> frozenset[int]:
        """Rows of the runs whose pairs are suspect."""
        return frozenset(step for suspect in self.found for step in suspect.steps)


def look(rotor: Rotor, runs: Runs, cut: Runs, fitted: Fitted) -> Looked:
    """Look for suspects in every segment.

    cut: the runs as they were learned from, starts standing also where pairs were held back.
    """
    nothing = Looked({}, np.full(len(runs), np.nan))
    return _look(rotor, runs, cut, fitted, nothing, runs.starts)


def look_again(
    rotor: Rotor, runs: Runs, cut: Runs, fitted: Fitted, before: Looked, then: Coefficients
) -> Looked:
    """Look again where the answer may be another one; elsewhere it stands.

    before: the last look; then: the coefficients that it was held against.
    """
    return _look(rotor, runs, cut, fitted, before, may_change(rotor, runs, fitted, before, then))


def may_change(
    rotor: Rotor, runs: Runs, fitted: Fitted, before: Looked, then: Coefficients
) -> Truth:
    """Return the segments, by first run, where another look may say something else, (run,)."""
    now = fitted[0]
    smaller, moved = _knowledge_moved(rotor, runs, now, then)
    score = np.sqrt(np.maximum(before.odds - LOG_PRIOR, 0.0))
    reach = (np.sqrt(smaller) * score + moved[runs.rotor]) ** 2 + LOG_PRIOR
    again = runs.starts & ~(reach < -LOOK)
    again[list(before.suspects)] = True
    return again


def _look(
    rotor: Rotor, runs: Runs, cut: Runs, fitted: Fitted, before: Looked, chosen: Truth
) -> Looked:
    """Look at the segments that begin at the chosen runs; keep what was found elsewhere."""
    suspects = {first: found for first, found in before.suspects.items() if not chosen[first]}
    odds = before.odds.copy()
    for segments in _segments(rotor, runs, cut, fitted, chosen):
        found, of_segment = find_suspects(segments)
        odds[segments.first] = of_segment
        for suspect in found:
            suspects.setdefault(suspect.first, []).append(suspect)
    return Looked(suspects, odds)


def _segments(
    rotor: Rotor, runs: Runs, cut: Runs, fitted: Fitted, chosen: Truth
) -> Iterator[Segments]:
    """Yield the segments that begin at the chosen runs, with what the rest of the log says."""
    coefficients, vibration, track = fitted
    noise, regimes = coefficients.noise, len(rotor.regimes)
    unit, _, _ = units_of(rotor, cut)
    rest = RestOfLog(vibration.table, vibration.variances, vibration.prior)
    track_rest = track and RestOfLog(track.table, track.variances, track.prior)
    share = 1.0
    if noise.correlation is not None:
        share = max(speaking_share(noise.correlation), LEAST_SHARE)
    members = _Members.of(vibration, len(runs))
    track_members = _Members.of(track, len(runs)) if track else members
    bounds = np.append(np.flatnonzero(runs.starts), len(runs))
    lengths, begins = np.diff(bounds), bounds[:-1]
    lines = len(rotor.channels) + regimes * (len(rotor.blades) - 1) * (track is not None)
    for length in np.unique(lengths[lengths > 1]).tolist():
        firsts = begins[(lengths == length) & chosen[begins]]
        each = max(AT_ONCE // (max(lines, 1) * length * length), 1)
        for start in range(0, len(firsts), each):
            first = firsts[start : start + each]
            mean, cov = rest.without_each(
                members.between(first, length), np.repeat(unit[first], regimes, axis=1)
            )
            track_mean = np.zeros((len(first), regimes, len(rotor.adjusters)))
            track_cov = np.zeros((*track_mean.shape, len(rotor.adjusters)))
            if track_rest:
                track_mean, track_cov = track_rest.without_each(
                    track_members.between(first, length),
                    np.repeat(runs.rotor[first][:, None], regimes, axis=1),
                )
            known = Known(mean, cov, track_mean, track_cov, noise, share)
            yield Segments.of(rotor, runs, first, length, known)


@dataclass(frozen=True, eq=False)
class _Members:
    """Rows of a table in the order of the runs at which their segment's first pair ends.

    rows: (row,); start: (run + 1,), where the rows of each run begin.
    """

    rows: Whole
    start: Whole

    @classmethod
    def of(cls, learned: Learned, runs: int) -> _Members:
        blocks = learned.table.rows.blocks
        size = np.array([len(b.ends) * b.parts for b in blocks], dtype=np.int64)
        run = np.array([b.ends[0] for b in blocks], dtype=np.int64)
        first = np.array([b.first for b in blocks], dtype=np.int64)
        # Blocks of one segment whose channels were read alike share rows: each counts once.
        row = np.repeat(first - np.cumsum(size) + size, size) + np.arange(size.sum())
        owner = np.repeat(run, size)
        rows, kept = np.unique(row, return_index=True)
        owner = owner[kept]
        order = np.argsort(owner, kind="stable")
        return cls(rows[order], np.searchsorted(owner[order], np.arange(runs + 1)))

    def between(self, first: Whole, length: int) -> list[Whole]:
        """Return the rows of segments of `length` runs."""
        low, high = self.start[first], self.start[first + length]
        return [self.rows[a:b] for a, b in zip(low.tolist(), high.tolist(), strict=True)]


def _knowledge_moved(
    rotor: Rotor, runs: Runs, now: Coefficients, then: Coefficients
) -> tuple[float, Real]:
    """Return how much smaller the noise is at most, and how far predictions moved, by rotor code.

    A factor of variances, at least 1; and (rotor,) sds of the noise of a pair over all channels,
    for the largest moves of each rotor, by what is known of it and of the type.
    """
    a, b = now.noise, then.noise
    smaller = 1.0
    for new, old in (
        (a.run_var, b.run_var), (a.reading_var, b.reading_var),
        (a.track_run_var, b.track_run_var), (a.track_reading_var, b.track_reading_var),
    ):  # fmt: skip
        with np.errstate(divide="ignore", invalid="ignore"):
            smaller = max(smaller, float(np.nanmax(old / new, initial=1.0)))
    of_order, of_channel = orders(rotor)
    x = np.abs(vibration_moves(rotor, runs))  # (order, run, adjuster)
    lift = np.sqrt((track_moves(runs) ** 2).sum(axis=1))  # (run, adjuster)
    most = np.zeros((len(runs.serials), len(of_order), x.shape[2]))
    most_lift = np.zeros((len(runs.serials), lift.shape[1]))
    first = np.flatnonzero(np.diff(runs.rotor, prepend=-1))  # a rotor's runs stand together
    if len(first):
        here = runs.rotor[first]
        most[here] = np.swapaxes(np.maximum.reduceat(x, first, axis=1), 0, 1)
        most_lift[here] = np.maximum.reduceat(lift, first, axis=0)
    moved = np.zeros(len(runs.serials))
    for code in np.unique(runs.rotor).tolist():
        serial = runs.serials[code]
        for new_one, old_one in ((now.of(serial), then.of(serial)), (now.type_, then.type_)):
            far = _moved(new_one, old_one, now, most[code][of_channel], most_lift[code])
            moved[code] = max(moved[code], far)
    return smaller, moved


def _moved(new: Posterior, old: Posterior, now: Coefficients, most: Real, most_lift: Real) -> float:
    """Return how far two posteriors' predictions of moves are apart, in sds of a pair's noise."""
    noise = now.noise
    change = (np.abs(np.nan_to_num(new.mean - old.mean)) * most).sum(axis=1) ** 2
    var = noise.run_var + 2.0 * noise.reading_var
    total = float((change / np.where(var > 0, var, np.inf)).sum())
    if not np.isnan(noise.track_run_var).all():
        change = np.abs(np.nan_to_num(new.track_mean - old.track_mean)) @ most_lift
        var = noise.track_run_var + 2.0 * noise.track_reading_var
        total += 0.5 * float((change**2 / np.where(var > 0, var, np.inf)).sum())
    return float(np.sqrt(total))
