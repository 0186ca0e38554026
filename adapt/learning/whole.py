"""The whole of learning, step by step: frames, fits, suspect entries, and how each rotor reads now.

    runs as read -> frames settled -> runs turned -> fits with suspects held back -> as it reads now

Used by `learn` on a whole log and by walking forward on what was known at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.changed_hardware import as_changed
from adapt.learning.fitting.learner import Fitted, fit
from adapt.learning.frames.events import FrameEvent, frame_events, seen_events
from adapt.learning.frames.moved import (
    find_frames,
    moved_notes,
    read_now,
    settle_frames,
    settled,
    turned,
)
from adapt.learning.replaced import doubts_of
from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.screening import ROUNDS, Screened, fit_screened
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["Happened", "learn_runs"]

Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Happened:
    """What happened to rotors beside their runs.

    frames: moved references and sensors. doubt: (run,), by which share of how rotors differ a
    rotor's coefficients may have changed before each run; doubt_now: (rotor,), since its last.
    """

    frames: tuple[FrameEvent, ...]
    doubt: Real
    doubt_now: Real

    @classmethod
    def of(cls, rotor: Rotor, runs: Runs, history: History) -> Happened:
        """Return what a history tells of."""
        return cls(frame_events(rotor, runs, history), *doubts_of(runs, history))

    def only(self, runs: Runs, chosen: Truth) -> Happened:
        """Return what `runs.only(chosen)` knows of."""
        return Happened(
            seen_events(self.frames, runs, chosen), self.doubt[chosen], 0.0 * self.doubt_now
        )


def learn_runs(
    rotor: Rotor,
    runs: Runs,
    happened: Happened,
    chart: Chart | None = None,
    progress: Progress | None = None,
    source: str = "",
    held: frozenset[tuple[str, str]] = frozenset(),
    robust: bool = False,
    start: Fitted | None = None,
    rounds: int = ROUNDS,
) -> Screened:
    """Learn from runs; the coefficients are those of each rotor as it reads now.

    held: pairs to hold back at first, from an earlier look. robust: rough runs and gusts count
    less (frames are first sought as if all counted alike). start: what was learned from some of
    these runs. rounds: of learning and looking for suspects, at most. The runs that come back are
    those that were given, cut where pairs are held back.
    """
    last = start

    def learned_from(seen: Runs) -> Coefficients:
        nonlocal last
        last = fit(rotor, seen, chart, start=last)
        return last[0]

    frames = settle_frames(rotor, runs, happened.frames, learned_from, happened.doubt)
    fitted = turned(runs, frames)
    screened = fit_screened(rotor, fitted, chart, progress, source, held, last, robust, rounds)
    if happened.frames:
        # What suspect entries did to the angles is only known now.
        steps = frozenset(np.flatnonzero(screened.runs.starts & ~fitted.starts).tolist())
        again = find_frames(
            rotor, screened.as_counted(runs), happened.frames, screened.coefficients,
            screened.as_counted(fitted), steps, happened.doubt,
        )  # fmt: skip
        if not settled(frames, again):
            frames, fitted = again, turned(runs, again)
            screened = fit_screened(
                rotor,
                fitted,
                chart,
                None,
                source,
                screened.coefficients.withheld,
                screened.fitted,
                robust,
            )
    seen = screened.as_counted(replace(fitted, starts=fitted.starts | screened.runs.starts))
    coefficients = as_changed(
        screened.coefficients, rotor, seen, happened.doubt, happened.doubt_now
    )
    coefficients = read_now(coefficients, rotor, seen, frames, happened.doubt)
    notes = (*coefficients.notes, *moved_notes(coefficients.references))
    cut = replace(runs, starts=runs.starts | screened.runs.starts)
    return replace(screened, coefficients=replace(coefficients, notes=notes), runs=cut)
