"""Taking pairs in one at a time: a rotor's posterior follows its runs without a new fit.

The variances are kept; `learn` refreshes them. The recursion itself lives in `adapt.level`, the
look at new pairs in `new_pairs`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Noise, Posterior, require_design
from adapt.coefficients.reviewed import changed_since, require_reviews, reviewed_in
from adapt.learning.changed_hardware import with_doubt
from adapt.learning.frames.unknown_turn import with_unknown_turn
from adapt.learning.new_pairs import NewPairs, notes_after
from adapt.learning.replaced import doubts_of
from adapt.learning.rows.pairs import MOVED
from adapt.learning.rows.runs import (
    Runs,
    history_of,
    orders,
    runs_of,
    track_contrasts,
    track_moves,
    vibration_moves,
)
from adapt.learning.suspects import Suspect, suspect_rows
from adapt.level import Level, follow_run, start
from adapt.rotor import Rotor

__all__ = ["Inputs", "Step", "afresh", "follow_job", "inputs_of", "update"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Inputs:
    """What `follow_run` takes, for every run: vibration first, then track.

    moves: (run, channel, 1, adjuster); readings: (run, channel, 1); repeats: (run, channel);
    track_moves: (run, regime, contrast, adjuster); track_readings: (run, regime, contrast).
    moved: (run, adjuster), on how many blades each adjuster was moved.
    """

    moves: Array
    readings: Array
    repeats: Real
    track_moves: Real
    track_readings: Real
    moved: Whole


@dataclass(frozen=True, eq=False)
class Step:
    """A rotor between two runs of a job: levels beside coefficients, vibration and track.

    pending, track_pending: (channel, part, adjuster), moves since the channel was last read;
    pairs, track_pairs: as in `Posterior`.
    """

    level: Level
    track: Level
    pending: Array
    track_pending: Array
    pairs: Array
    track_pairs: Array

    @classmethod
    def begin(cls, posterior: Posterior, contrasts: int) -> Step:
        """Return the state before a job (or a segment of one)."""
        level = start(posterior.mean, posterior.joint)
        track = start(posterior.track_mean, posterior.track_joint, contrasts)
        return cls(
            level=level,
            track=track,
            pending=np.zeros_like(level.slope),
            track_pending=np.zeros_like(track.slope),
            pairs=posterior.pairs.copy(),
            track_pairs=posterior.track_pairs.copy(),
        )

    def posterior(self) -> Posterior:
        """Return the coefficients as they are known now."""
        return Posterior(
            self.level.mean, self.level.joint, self.track.mean, self.track.joint, self.pairs,
            self.track_pairs,
        )  # fmt: skip

    def follow(self, inputs: Inputs, run: int, noise: Noise, teach: bool) -> Step:
        """Return the state after one more run of the same segment."""
        level, pending, pairs = _follow(
            self.level, self.pending, self.pairs, inputs.moves[run], inputs.readings[run],
            noise.reading_var / inputs.repeats[run], noise.run_var_after(inputs.moved[run]), teach,
            noise.speaking,
        )  # fmt: skip
        if self.track.offset.shape[1] == 0 or np.isnan(noise.track_run_var).all():
            return replace(self, level=level, pending=pending, pairs=pairs)
        track, track_pending, track_pairs = _follow(
            self.track, self.track_pending, self.track_pairs, inputs.track_moves[run],
            inputs.track_readings[run], noise.track_reading_var,
            noise.track_run_var_after(inputs.moved[run]), teach, noise.track_speaking,
        )  # fmt: skip
        return Step(level, track, pending, track_pending, pairs, track_pairs)


def inputs_of(rotor: Rotor, runs: Runs) -> Inputs:
    """Return the inputs of `follow_run` for all runs."""
    moves = vibration_moves(rotor, runs)[orders(rotor)[1]].transpose(1, 0, 2)
    track = track_moves(runs)[:, None]
    return Inputs(
        moves=moves[:, :, None, :],
        readings=runs.readings[:, :, None],
        repeats=runs.repeats,
        track_moves=np.broadcast_to(
            track, (len(runs), len(rotor.regimes), track.shape[2], track.shape[3])
        ),
        track_readings=track_contrasts(runs),
        moved=runs.moved,
    )


def update(coefficients: Coefficients, rotor: Rotor, log: Any, look: bool = True) -> Coefficients:
    """Take in the pairs of a log that have not taught yet, one at a time.

    Each rotor's own posterior becomes what the batch answer would be at the same variances and
    the same word of the rest of the fleet; the type, other rotors and the noise stay as they are
    until the next `learn`. A frame event (reference or sensor moved) that these coefficients have
    not seen starts the rotor's sensors concerned again from the fleet, turned by nobody knows how
    far; the pairs of its next segment are taken as entered, and a note says so. Changed hardware
    that they have not seen adds to the doubt before new pairs are taken in.
    look: whether segments with new pairs are looked at for entries that are probably wrong, as
    `learn` does, held against what was known before; such pairs are held back and listed in
    `suspects`. The look takes far longer than taking a pair in: leave it out where thousands of
    pairs are streamed that somebody has looked at. Pairs that were held back before are judged
    again with the new ones beside them, and teach when a review has corrected or kept them. Pairs
    that have taught stay as they are: only `learn` holds them back.
    Raises BadInput when the log cannot be read, the coefficients are of another rotor file, or
    reviews changed what taught them.
    """
    require_design(coefficients, rotor)
    history = history_of(rotor, log)
    require_reviews(coefficients, history)
    withheld = coefficients.withheld - history.kept - changed_since(coefficients, history)
    runs = runs_of(rotor, history)
    inputs = inputs_of(rotor, runs)
    taught = np.array([p in coefficients.taught for p in runs.pair], dtype=bool)
    held = np.array([p in withheld for p in runs.pair], dtype=bool)
    ends = ~runs.starts
    fresh = ends & ~taught & ~held
    looking = NewPairs(coefficients, rotor, runs, taught) if look and fresh.any() else None
    found: list[Suspect] = []
    seen_again = np.zeros(len(runs), dtype=bool)
    rotors = dict(coefficients.rotors)
    before, since = doubts_of(runs, history)
    hardware = dict(coefficients.origin.get("hardware", {}))
    frames = {k: dict(v) for k, v in coefficients.origin.get("frames", {}).items()}
    begun_again: list[str] = []
    for code in np.unique(runs.rotor):
        serial = runs.serials[code]
        posterior = coefficients.of(serial)
        seen = np.array([frames.get(serial, {}).get(s.name, 0) for s in rotor.sensors])
        moved = runs.epoch_now[code] > seen
        if moved.any():
            posterior = afresh(posterior, coefficients.unseen, rotor, moved)
            frames[serial] = {
                s.name: int(n) for s, n in zip(rotor.sensors, runs.epoch_now[code], strict=True)
            }
            if serial in coefficients.rotors:
                begun_again.append(serial)
        mine = runs.rotor == code
        turn_unknown = bool(moved.any())
        total = float(before[mine].sum() + since[code])
        posterior = with_doubt(posterior, coefficients, total - hardware.get(serial, 0.0))
        if total > 0:
            hardware[serial] = total
        for job in np.unique(runs.job[mine & fresh]):
            members = np.flatnonzero(runs.job == job)
            if looking is not None:
                for low, high in _segments_of(runs, members):
                    if not fresh[low:high].any():
                        continue
                    if turn_unknown and (runs.epoch[low] == runs.epoch_now[code]).all():
                        # What a turn nobody knows does to a pair looks like a wrong entry.
                        turn_unknown = False
                        continue
                    suspects = looking.suspects(posterior, low, high)
                    steps = [s for suspect in suspects for s in suspect.steps if not taught[s]]
                    seen_again[low:high] = True
                    held[low:high] = False
                    held[steps] = True
                    fresh[low:high] = (ends & ~taught & ~held)[low:high]
                    found += suspects
            # A pair that is held back says nothing of the level after it either.
            posterior = follow_job(
                posterior, rotor, replace(runs, starts=runs.starts | held), inputs, members, fresh,
                coefficients.noise, runs.epoch_now[code],
            )  # fmt: skip
        rotors[serial] = posterior
    pairs = frozenset(p for p, new in zip(runs.pair, fresh, strict=True) if new and p is not None)
    here = {p for p in runs.pair if p is not None}
    withheld = (withheld - here) | {
        p for p, back in zip(runs.pair, held, strict=True) if back and p is not None
    }
    updated = replace(
        coefficients,
        rotors=rotors,
        taught=coefficients.taught | pairs,
        withheld=withheld,
        origin={
            **coefficients.origin,
            "frames": frames,
            "hardware": hardware,
            "reviewed": reviewed_in(coefficients, history),
            "updated_from": history.source,
            **history.state_in("updated_from"),
        },
    )
    anew = {p for p, again in zip(runs.pair, seen_again, strict=True) if again and p is not None}
    kept = [
        row
        for row in coefficients.suspects
        if (place := (str(row["job"]), str(row["after_run"]))) in withheld and place not in anew
    ]
    rows = suspect_rows(rotor, runs, updated, found)
    return replace(
        updated,
        suspects=(*kept, *rows),
        notes=notes_after(updated, history, pairs, begun_again, look),
    )


def _segments_of(runs: Runs, members: Whole) -> list[tuple[int, int]]:
    """Return a job's segments of two runs or more: first run and one past the last."""
    bounds = np.append(members[runs.starts[members]], members[-1] + 1).tolist()
    return [(low, high) for low, high in pairwise(bounds) if high - low > 1]


def follow_job(
    posterior: Posterior,
    rotor: Rotor,
    runs: Runs,
    inputs: Inputs,
    members: npt.NDArray[np.int64],
    fresh: Truth,
    noise: Noise,
    epoch_now: npt.NDArray[np.int64],
) -> Posterior:
    """Return the posterior after a job, of which some pairs may have taught before.

    members: the job's runs. fresh: (run,), True where the pair that ends there has not taught yet.
    epoch_now: (sensor,), the frame of each sensor that the posterior stands in.
    """
    contrasts = inputs.track_readings.shape[2]
    regimes = len(rotor.regimes)
    step = Step.begin(posterior, contrasts)
    for run in members:
        if runs.starts[run]:
            step = Step.begin(step.posterior(), contrasts)
        # A channel read in a frame that no longer holds says nothing about today's coefficients.
        old = np.repeat(runs.epoch[run] < epoch_now, regimes)
        seen = inputs
        if old.any():
            hidden = np.where(old[:, None], np.nan, inputs.readings[run])
            readings = inputs.readings.copy()
            readings[run] = hidden
            seen = replace(inputs, readings=readings)
        step = step.follow(seen, int(run), noise, bool(fresh[run]))
    return step.posterior()


def afresh(posterior: Posterior, unseen: Posterior, rotor: Rotor, moved: Truth) -> Posterior:
    """Return a posterior whose moved sensors start again from the fleet; moved: (sensor,).

    How far they were turned is not known: see `frames.unknown_turn`.
    """
    touched = np.repeat(moved, len(rotor.regimes))
    again = replace(
        posterior,
        mean=np.where(touched[:, None], unseen.mean, posterior.mean),
        joint=np.where(moved[:, None, None], unseen.joint, posterior.joint),
        pairs=np.where(touched[:, None], 0, posterior.pairs),
    )
    return with_unknown_turn(again, unseen, rotor, moved)


def _follow(
    level: Level,
    pending: Array,
    pairs: Array,
    moves: Array,
    readings: Array,
    reading_var: Real,
    run_var: Real,
    teach: bool,
    speaking: Real | None,
) -> tuple[Level, Array, Array]:
    """Follow one run and keep count of the pairs that taught."""
    after = follow_run(level, moves, readings, reading_var, run_var, teach, speaking)
    pending = np.where(np.isinf(level.own_var)[:, None, None], 0.0, pending + moves)
    ends = np.asarray(~np.isnan(readings).any(axis=1), dtype=bool)
    if teach:
        pairs = pairs + ((np.abs(pending) > MOVED).any(axis=1) & ends[:, None])
    return after, np.where(ends[:, None, None], 0.0, pending), pairs
