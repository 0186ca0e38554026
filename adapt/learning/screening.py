"""Fitting with suspect entries held back: learn, look for suspects, learn again without them.

A suspect pair teaches nothing until somebody has looked at it; nothing in the log is changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.correlation import speaking_share
from adapt.learning.learner import Learned, fit, units_of
from adapt.learning.rest import RestOfLog
from adapt.learning.runs import Runs
from adapt.learning.suspects import Known, Segments, Suspect, find_suspects
from adapt.learning.suspects.entries import entries_of
from adapt.rotor import Rotor

__all__ = ["Screened", "fit_screened", "suspect_rows"]

Whole = npt.NDArray[np.int64]
Progress = Callable[[int, int], None]

ROUNDS = 4  # of learning and looking, at most
AT_ONCE = 2_000_000  # numbers (segment, line, run, run) worked on together, for memory
LEAST_SHARE = 0.2  # of the channels that speak for themselves, at least


@dataclass(frozen=True, eq=False)
class Screened:
    """Coefficients without the suspect pairs, the suspects, and the runs cut where they stand."""

    coefficients: Coefficients
    suspects: tuple[Suspect, ...]
    runs: Runs


def fit_screened(
    rotor: Rotor,
    runs: Runs,
    chart: Chart | None = None,
    progress: Progress | None = None,
    source: str = "",
    held: frozenset[tuple[str, str]] = frozenset(),
) -> Screened:
    """Learn from runs and hold back the pairs that are probably not as entered.

    Learning and looking take turns until the same pairs are held back twice, at most four times:
    what a wrong pair does to noise and coefficients hides others at first. held: pairs to begin
    with, from an earlier look; they are looked at like all others.
    """
    steps = frozenset(step for step, pair in enumerate(runs.pair) if pair in held)
    cut = _cut(runs, steps)
    coefficients, vibration, track = fit(rotor, cut, chart, progress, source)
    suspects: list[Suspect] = []
    for _ in range(ROUNDS):
        suspects = _look(rotor, runs, cut, coefficients, vibration, track)
        found = frozenset(step for suspect in suspects for step in suspect.steps)
        if found == steps:
            break
        steps = found
        cut = _cut(runs, steps)
        coefficients, vibration, track = fit(rotor, cut, chart, None, source)
    withheld = frozenset(pair for step in steps if (pair := runs.pair[step]) is not None)
    notes = coefficients.notes
    if withheld:
        pairs = "pair was" if len(withheld) == 1 else "pairs were"
        notes = (
            *notes,
            f"{len(withheld)} {pairs} held back as suspect entries: they teach nothing until "
            "somebody has looked at them",
        )
    return Screened(
        replace(
            coefficients,
            suspects=tuple(suspect_rows(rotor, runs, suspects)),
            withheld=withheld,
            notes=notes,
        ),
        tuple(suspects),
        cut,
    )


def _cut(runs: Runs, steps: frozenset[int]) -> Runs:
    """Return the runs with their segments cut before these runs."""
    starts = runs.starts.copy()
    starts[sorted(steps)] = True
    return replace(runs, starts=starts)


def suspect_rows(rotor: Rotor, runs: Runs, suspects: list[Suspect]) -> list[dict[str, Any]]:
    """Return suspects as the document's rows: job, run, after_run, kind, probability, explanations.

    run: where the entry stands: the run of a wrong reading, or the run that wrong moves led to.
    entries: what would have been entered rightly (see `entries`).
    """
    return [
        {
            "job": runs.jobs[runs.job[suspect.row]],
            "run": runs.names[suspect.row],
            "after_run": runs.names[suspect.steps[0] - 1],
            "kind": suspect.kind,
            "probability": suspect.probability,
            "explanations": [
                {
                    "kind": mistake.kind,
                    "text": mistake.text,
                    "probability": p,
                    "entries": entries_of(rotor, runs, suspect.first, mistake),
                }
                for mistake, p in suspect.explanations
            ],
        }
        for suspect in suspects
    ]


def _look(
    rotor: Rotor,
    runs: Runs,
    cut: Runs,
    coefficients: Coefficients,
    vibration: Learned,
    track: Learned | None,
) -> list[Suspect]:
    """Look for suspects in every segment, with what the rest of the log says of its rotor.

    cut: the runs as they were learned from, starts standing also where pairs were held back.
    """
    noise = coefficients.noise
    regimes, adjusters = len(rotor.regimes), len(rotor.adjusters)
    unit, _, _ = units_of(rotor, cut)
    rest = RestOfLog(vibration.table, vibration.variances, vibration.prior)
    track_rest = track and RestOfLog(track.table, track.variances, track.prior)
    assert noise.correlation is not None
    share = max(speaking_share(noise.correlation), LEAST_SHARE)
    members = _members(vibration, len(runs))
    track_members = _members(track, len(runs)) if track else members
    suspects: list[Suspect] = []
    bounds = np.append(np.flatnonzero(runs.starts), len(runs))
    lengths = np.diff(bounds)
    for length in np.unique(lengths[lengths > 1]).tolist():
        firsts = bounds[:-1][lengths == length]
        lines = len(rotor.channels) + regimes * (len(rotor.blades) - 1) * (track is not None)
        each = max(AT_ONCE // (max(lines, 1) * length * length), 1)
        for start in range(0, len(firsts), each):
            first = firsts[start : start + each]
            mean, cov = rest.without_each(
                [_rows(members, low, low + length) for low in first],
                np.repeat(unit[first], regimes, axis=1),
            )
            track_mean = np.zeros((len(first), regimes, adjusters))
            track_cov = np.zeros((*track_mean.shape, adjusters))
            if track_rest:
                track_mean, track_cov = track_rest.without_each(
                    [_rows(track_members, low, low + length) for low in first],
                    np.repeat(runs.rotor[first][:, None], regimes, axis=1),
                )
            known = Known(
                mean, cov, track_mean, track_cov, noise.run_var, noise.reading_var,
                noise.track_run_var, noise.track_reading_var, share,
            )  # fmt: skip
            found, _ = find_suspects(Segments.of(rotor, runs, first, length, known))
            suspects += found
    suspects.sort(key=lambda s: (s.steps, s.row))
    return suspects


def _members(learned: Learned, runs: int) -> list[list[Whole]]:
    """Rows of the table by the run at which their segment's first pair ends."""
    members: list[list[Whole]] = [[] for _ in range(runs)]
    for block in learned.table.rows.blocks:
        rows = block.first + np.arange(len(block.ends) * block.parts)
        members[int(block.ends[0])].append(rows)
    return members


def _rows(members: list[list[Whole]], low: int, high: int) -> Whole:
    parts = [rows for run in range(low, high) for rows in members[run]]
    return np.unique(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.int64)
