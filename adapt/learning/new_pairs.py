"""Looking at pairs that coefficients have not seen: are they as entered?

The same look as when learning (`suspects`), one segment of a job at a time, held against what is
known of the rotor without the segment. Pairs that have taught are taken as they stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Posterior
from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.robust.kept_weights import weights_in
from adapt.learning.rows.runs import FRAME_EVENTS, Runs
from adapt.learning.sensed import sensed
from adapt.learning.suspects import Known, Segments, Suspect, find_suspects
from adapt.learning.suspects.looking import LEAST_SHARE
from adapt.learning.suspects.rest import VAGUE
from adapt.learning.without import without_runs
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["MOVED_SINCE", "NewPairs", "notes_after"]

Array = npt.NDArray[Any]
Truth = npt.NDArray[np.bool_]


NEWER = "pairs newer than these coefficients: "
MOVED_SINCE = "reference or sensor moved since these coefficients were learned"


class NewPairs:
    """The look at new pairs of a log; taught: (run,), the pair that ends there has taught."""

    def __init__(self, coefficients: Coefficients, rotor: Rotor, runs: Runs, taught: Truth) -> None:
        self._coefficients, self._rotor, self._taught = coefficients, rotor, taught
        self._sensors = sensed(
            rotor, runs, coefficients.noise, weights_in(coefficients.origin, runs)
        )
        # What was read in a frame that no longer holds says nothing of today's coefficients.
        old = np.repeat(runs.epoch < runs.epoch_now[runs.rotor], len(rotor.regimes), axis=1)
        readings = np.where(old, np.nan, runs.readings)
        self.runs = replace(runs, readings=readings, kept=runs.kept | taught)
        correlation = coefficients.noise.correlation
        self._share = 1.0
        if correlation is not None:
            self._share = max(speaking_share(correlation), LEAST_SHARE)

    def suspects(self, posterior: Posterior, low: int, high: int) -> list[Suspect]:
        """Return the suspects of the segment of runs `low` to `high` - 1.

        posterior: of its rotor, with all that has taught.
        """
        unseen, noise = self._coefficients.unseen, self._coefficients.noise
        before = without_runs(posterior, unseen, self._sensors, self._stretches(low, high))
        mean, cov = self._vague(before.mean, before.cov, self.runs.readings[low:high], low, high)
        track_mean, track_cov = before.track_mean, before.track_cov
        if self._rotor.has_track:
            heights = self.runs.heights[low:high].transpose(0, 2, 1)
            track_mean, track_cov = self._vague(track_mean, track_cov, heights, low, high)
        known = Known(
            mean[None], cov[None], track_mean[None], track_cov[None], noise, self._share
        )  # fmt: skip
        segment = Segments.of(self._rotor, self.runs, np.array([low]), high - low, known)
        return find_suspects(segment)[0]

    def _stretches(self, low: int, high: int) -> list[tuple[int, int]]:
        """Return the stretches of a segment whose pairs have taught: first run, one past last."""
        at = np.append(~self._taught[low:high], True)
        at[0] = True
        bounds = (low + np.flatnonzero(at)).tolist()
        return [(a, b) for a, b in pairwise(bounds) if b - a > 1]

    def _vague(
        self, mean: Array, cov: Array, values: Array, low: int, high: int
    ) -> tuple[Array, Array]:
        """Return what is known, with next to nothing said of what is not known.

        values: (run, ..., line), of which the changes say how large an effect may be.
        """
        unknown = np.isnan(mean)
        if not unknown.any():
            return mean, cov
        change = np.abs(np.diff(values, axis=0))
        largest = float(np.max(change[~np.isnan(change)], initial=0.0))
        step = np.array([a.step for a in self._rotor.adjusters])
        moved = np.abs(self.runs.amounts[low:high]).max(axis=(0, 1))
        var = (VAGUE * max(largest, 1e-12) / np.maximum(moved, step)) ** 2
        either = unknown[:, :, None] | unknown[:, None, :]
        cov = np.where(either, 0.0, cov)
        cov = cov + np.where(unknown[:, :, None], np.eye(len(var)) * var, 0.0)
        return np.where(unknown, 0.0, mean), cov


def notes_after(
    updated: Coefficients,
    history: History,
    pairs: frozenset[tuple[str, str]],
    begun_again: Sequence[str],
    look: bool,
) -> tuple[str, ...]:
    """Return the notes of updated coefficients.

    pairs: that were taken in. begun_again: rotors of which what was learned before a frame event
    was given up. What is said of suspects is said of all that are held back now.
    """
    notes = [note for note in updated.notes if not note.startswith(NEWER)]
    if updated.withheld:
        held = sorted(updated.withheld)
        named = ", ".join(f"{job} after run {run}" for job, run in held[:3])
        more = f" and {len(held) - 3} more" if len(held) > 3 else ""
        notes.append(
            f"{NEWER}held back as suspect entries, with those of before, are now {named}{more}: "
            "they teach nothing until somebody has looked at them"
        )
    if pairs and not look:
        notes.append(f"{NEWER}taken in without looking whether they are as entered")
    events = history.events[history.events["kind"].isin(FRAME_EVENTS)]
    rotor_of = dict(zip(history.runs["job"], history.runs["rotor"], strict=True))
    for serial in begun_again:
        last = events[events["job"].map(rotor_of) == serial].iloc[-1]
        notes.append(
            f"{MOVED_SINCE} on {serial} (job {last['job']} after run {last['after_run']}): its own "
            "coefficients of the sensors concerned start again from the fleet, and the first pairs "
            "since are taken as they were entered; learning again from the whole log "
            "(`adapt learn`) seeks the angle and can keep what was learned before"
        )
    return tuple(notes)
