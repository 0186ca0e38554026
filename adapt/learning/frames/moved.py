"""Moved references and refitted sensors: how far they turned, and what was learned, kept.

A frame is a stretch of a rotor's log in which phases mean the same thing. From the events of a log,
its runs and what was learned so far, `find_frames` gives each event's angle (and gain) with its
doubt; `turned` turns the frames of a rotor whose angles are known into one of them, that in which
it reads as its type does, so that a fit sees one rotor of that type; `read_now` turns what was
fitted into the frame that holds now, with the angles' doubt. They take turns until the answer has
`settled`. How frames are found lives in `frame_search`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Posterior
from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.frames.events import FrameEvent
from adapt.learning.frames.jobs_apart import jobs_apart
from adapt.learning.frames.rotor_view import RotorView, Views
from adapt.learning.frames.search import RotorFrames, Search
from adapt.learning.frames.stretches import gather
from adapt.learning.frames.type_prior import TypePrior
from adapt.learning.frames.unknown_turn import with_unknown_turn
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = [
    "find_frames",
    "moved_notes",
    "read_now",
    "reference_rows",
    "settle_frames",
    "settled",
    "turned",
]

Real = npt.NDArray[np.float64]

LEAST_SHARE = 0.2  # of the channels that speak for themselves, at least
ROUNDS = 3  # of learning and turning, at most
SETTLED_SDS = 0.05  # a change of angle by less than this share of its sd changes nothing


def find_frames(
    rotor: Rotor,
    runs: Runs,
    events: Sequence[FrameEvent],
    coefficients: Coefficients,
    fitted: Runs | None = None,
    held: frozenset[int] = frozenset(),
    doubt: Real | None = None,
    apart: float | None = None,
) -> dict[int, RotorFrames]:
    """Find what all events did; by rotor code, of rotors with events and runs.

    runs: as read. coefficients: what was learned of type, spread and noise, before `read_now`, from
    the runs `fitted` (turned by an earlier answer, or as read: the default). held: runs whose pair
    is held back. doubt: (run,), see `replaced.doubts_of`. apart: by which share of D the jobs of a
    rotor differ; estimated from the fleet when not given, see `jobs_apart`.
    """
    by_rotor: dict[int, list[FrameEvent]] = {}
    for event in events:
        by_rotor.setdefault(event.rotor, []).append(event)
    if not by_rotor:
        return {}
    views = Views.of(rotor, runs, coefficients.noise, TypePrior(coefficients), doubt)
    correlation = coefficients.noise.correlation
    share = 1.0 if correlation is None else max(speaking_share(correlation), LEAST_SHARE)
    learned_from = runs if fitted is None else fitted
    if apart is None:
        seen = Views.of(rotor, learned_from, coefficients.noise, views.prior, doubt)
        apart = jobs_apart(seen, share)
    answer = {}
    for code, mine in by_rotor.items():
        view = views.of_rotor(code)
        if len(view.rows):
            answer[code] = Search(view, learned_from, mine, held, share, apart).all()
    return answer


def settle_frames(
    rotor: Rotor,
    runs: Runs,
    events: Sequence[FrameEvent],
    learn: Callable[[Runs], Coefficients],
    doubt: Real | None = None,
) -> dict[int, RotorFrames]:
    """Return the frames after learning and turning have taken turns until the answer has settled.

    runs: as read. learn: from runs to coefficients. Before the first turn a rotor whose phases
    were turned looks like one unlike its type, and makes the type's rotors seem to differ more.
    """
    frames: dict[int, RotorFrames] = {}
    for _ in range(ROUNDS if events else 0):
        fitted = turned(runs, frames)
        found = find_frames(rotor, runs, events, learn(fitted), fitted, doubt=doubt)
        if settled(frames, found):
            return found
        frames = found
    return frames


def turned(runs: Runs, frames: Mapping[int, RotorFrames]) -> Runs:
    """Return runs with what `find_frames` found put right, as the fit is to see them.

    Readings are turned, `epoch` is the same for runs that are learned together, and a level carries
    on over an event that did nothing but turn it. `epoch_now` stays.
    """
    if not frames:
        return runs
    readings, epoch, starts = runs.readings.copy(), runs.epoch.copy(), runs.starts.copy()
    regimes = runs.readings.shape[1] // max(runs.epoch.shape[1], 1)
    for known in frames.values():
        rows = slice(known.first, known.first + len(known.frame))
        readings[rows] *= np.repeat(known.turn, regimes, axis=1)
        epoch[rows] = known.label
        starts[list(known.joined)] = False
    return replace(runs, readings=readings, epoch=epoch, starts=starts)


def read_now(
    coefficients: Coefficients,
    rotor: Rotor,
    fitted: Runs,
    frames: Mapping[int, RotorFrames],
    doubt: Real | None = None,
) -> Coefficients:
    """Return coefficients learned from turned runs as each rotor reads now, with `references`.

    fitted: the runs that they were learned from. What the frame that holds now showed by itself
    does not turn with the angle; the rest does, and its doubt is added along that derivative.
    """
    if not frames:
        return coefficients
    views = Views.of(rotor, fitted, coefficients.noise, TypePrior(coefficients), doubt)
    rotors = dict(coefficients.rotors)
    for code, known in frames.items():
        serial = fitted.serials[code]
        if serial in rotors:
            view = views.of_rotor(code)
            apart = _apart(view, known)
            rotors[serial] = with_unknown_turn(
                _posterior_now(rotors[serial], view, known), coefficients.unseen, rotor, apart
            )
    return replace(coefficients, rotors=rotors, references=reference_rows(rotor, fitted, frames))


def reference_rows(
    rotor: Rotor, runs: Runs, frames: Mapping[int, RotorFrames]
) -> tuple[dict[str, Any], ...]:
    """Return the rows of the document's `reference`.

    angle_deg: of shaft for a moved reference, of the reading's own phase for a sensor; null when
    nothing tells it. gain_sd: of log gain. same_place: probability that a sensor stands where it
    did; angle and gain hold if it does.
    """
    return tuple(
        {
            "rotor": runs.serials[code],
            "job": f.event.job,
            "after_run": f.event.after_run,
            "sensor": None if f.event.sensor is None else rotor.sensors[f.event.sensor].name,
            "angle_deg": None if np.isnan(f.angle_deg) else f.angle_deg,
            "sd_deg": f.sd_deg,
            "known": f.known,
            "gain": None if f.refit is None else f.refit.gain,
            "gain_sd": None if f.refit is None else f.refit.gain_sd,
            "same_place": None if f.refit is None else f.refit.same_place,
        }
        for code in sorted(frames)
        for f in frames[code].found
    )


def moved_notes(rows: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Say in notes, for the rows of `reference`, on which rotors what was learned was kept.

    A rotor of which something was not kept is only named there, with its last such event.
    """
    moved = dict.fromkeys(str(row["rotor"]) for row in rows)
    open_ends = {str(row["rotor"]): row for row in rows if not row["known"]}  # the last one counts
    kept = [name for name in moved if name not in open_ends]
    lost = [f"{name} (job {r['job']} after run {r['after_run']})" for name, r in open_ends.items()]
    notes = []
    if kept:
        notes.append(
            f"reference or sensor moved on {', '.join(kept)}: what was learned before is kept, "
            "turned by the angle found"
        )
    if lost:
        notes.append(
            f"reference or sensor moved on {', '.join(lost)} by what is not known well enough: "
            "only pairs since then teach these rotors' own coefficients of the sensors concerned; "
            "earlier ones teach the type"
        )
    return tuple(notes)


def settled(one: Mapping[int, RotorFrames], other: Mapping[int, RotorFrames]) -> bool:
    """Return whether two answers are the same for all that follows."""
    if one.keys() != other.keys():
        return False
    for code, frames in one.items():
        before = other[code]
        if not np.array_equal(frames.label, before.label) or frames.joined != before.joined:
            return False
        if frames.type_frame != before.type_frame:
            return False
        for f, g in zip(frames.found, before.found, strict=True):
            if f.known and abs(f.angle_deg - g.angle_deg) > SETTLED_SDS * f.sd_deg:
                return False
    return True


def _apart(view: RotorView, known: RotorFrames) -> npt.NDArray[np.bool_]:
    """Return the sensors of which nothing read before the last event is learned with the rest.

    Shape (sensor,). How they read now is known from the runs since alone.
    """
    runs = view.of.runs
    now = runs.epoch_now[runs.rotor[view.rows[0]]]
    earlier = known.frame[:, None] + known.place < now  # events before each run
    return np.asarray((now > 0) & ~(earlier & (known.label == now)).any(axis=0))


def _posterior_now(posterior: Posterior, view: RotorView, known: RotorFrames) -> Posterior:
    """Return a posterior turned from the frame it was learned in into the last one."""
    runs, rotor = view.of.runs, view.of.rotor
    now = runs.epoch_now[runs.rotor[view.rows[0]]]
    mean, joint = posterior.mean.copy(), posterior.joint.copy()
    regimes, last = len(rotor.regimes), len(known.member) - 1
    earlier = np.flatnonzero(known.member[:last])
    to_last = known.variance[earlier, last]
    doubt = 0.5 * (to_last[:, None] + to_last - known.variance[np.ix_(earlier, earlier)])
    values, vectors = np.linalg.eigh(doubt)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    for s, sensor in enumerate(rotor.sensors):
        at = slice(s * regimes, (s + 1) * regimes)
        mine = known.label[:, s] == now[s]
        places = known.doubts.shape[1]
        part = known.frame[mine] * places + known.place[mine, s]
        sensed = view.counted(s, runs.readings, runs.starts).only(mine)
        told = gather(sensed, part, (last + 1) * places, view.delta(s))
        own = mean[at].reshape(-1)
        shown = told.b @ np.nan_to_num(joint[s]).T
        rest = np.where(np.isnan(own), 0.0, own) - shown.sum(axis=0)
        shown = shown.reshape(last + 1, places, -1)
        turning = shown.sum(axis=1)
        turning[known.type_frame] += rest
        along = sensor.order * root.T @ turning[earlier]
        extra = along.T @ along.conj()
        for place in np.flatnonzero(np.isfinite(known.doubts[s, : int(known.place[-1, s])])):
            by = shown[:, : place + 1].sum(axis=(0, 1))
            extra = extra + known.doubts[s, place] * np.outer(by, by.conj())
        factor = np.exp(-1j * sensor.order * np.deg2rad(known.lag_deg[known.type_frame]))
        mean[at] *= factor
        joint[s] = joint[s] + extra
    return replace(posterior, mean=mean, joint=joint)
