"""The frames of one rotor: how far its references turned, and what became of its moved sensors.

References come first, each sensor's stretches between its own movements speaking for themselves;
then each movement of a sensor, with the references' angles as found. What readings say of angles:
`stretches` and `angles`; of a single sensor: `refitted`. What is done with the answer: `frames`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.frames.angles import Angles, Word, angles_of, common_period
from adapt.learning.frames.events import FrameEvent, touches
from adapt.learning.frames.refitted import Refit, weigh_refit
from adapt.learning.frames.rotor_view import RotorView
from adapt.learning.frames.stretches import gather
from adapt.learning.rows.runs import Runs

__all__ = ["KNOWN_PLACE", "KNOWN_SD_DEG", "Found", "RotorFrames", "Search"]

Array = npt.NDArray[Any]
Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

KNOWN_SD_DEG = 20.0  # an angle with a larger sd is not known: frames stay apart
KNOWN_PLACE = 0.9  # how probable it must be that a sensor stands in its place


@dataclass(frozen=True)
class Found:
    """What was found of one event: angle_deg lag (nan when nothing tells it), sd_deg, known.

    Of the shaft for a reference; of a sensor that stands in its place, of its own reading's phase,
    and refit says the rest.
    """

    event: FrameEvent
    angle_deg: float
    sd_deg: float
    known: bool
    refit: Refit | None = None


@dataclass(frozen=True, eq=False)
class RotorFrames:
    """What is known of the frames of one rotor; its own runs stand from row `first` on.

    turn: (run, sensor), factor that brings a reading into the frame that it is learned in; label:
    (run, sensor), the set of coefficients that it teaches, as `Runs.epoch`. joined: rows of all
    runs at which levels carry on though an event cut them.
    frame: (run,), references moved before each run; type_frame: the frame in which the rotor is
    learned now; member: (frame,), those learned together with the last. lag_deg: (frame,), of each
    against the last [deg of shaft]; variance: (frame, frame), of the differences [rad^2].
    place: (run, sensor), movements of the sensor before each run; doubts: (sensor, place), variance
    of the log factor from each place to the next, inf where they stay apart.
    """

    first: int
    found: tuple[Found, ...]
    turn: Complex
    label: Whole
    joined: tuple[int, ...]
    frame: Whole
    type_frame: int
    member: Truth
    lag_deg: Real
    variance: Real
    place: Whole
    doubts: Real


class Search:
    """The search for one rotor's frames."""

    def __init__(
        self,
        view: RotorView,
        fitted: Runs,
        events: list[FrameEvent],
        held: frozenset[int],
        share: float,
        apart: float,
    ) -> None:
        """Prepare it.

        fitted: the runs that the type was learned from. held: runs whose pair is held back. share:
        what log likelihoods are multiplied by. apart: see `jobs_apart`.
        """
        self._view, self._events, self._share, self._apart = view, events, share, apart
        self._rotor, runs = view.of.rotor, view.of.runs
        self._regimes = len(self._rotor.regimes)
        rows = view.rows
        self._moved = sorted({e.row for e in events if e.sensor is None})
        self._frame = np.searchsorted(self._moved, rows, side="right")
        sensors = range(len(self._rotor.sensors))
        self._places = [
            sorted({
                e.row for e in events
                if e.sensor is not None and touches(self._rotor, e.sensor, s)
            })
            for s in sensors
        ]  # fmt: skip
        self._place = np.stack([np.searchsorted(p, rows, side="right") for p in self._places], 1)
        self._over = sorted({e.row for e in events if e.alone} - held)
        self._starts = runs.starts.copy()
        self._starts[self._over] = False
        self._believed = [view.believed(s, fitted) for s in sensors]

    def all(self) -> RotorFrames:
        """Return what all events of the rotor did."""
        runs, rows = self._view.of.runs, self._view.rows
        first, last = int(rows[0]), len(self._moved)
        angles = self._angles()
        variance = angles.variance()
        group, type_of = _grouped(variance, angles.type_weight)
        toward = np.array([angles.angle_deg(f, int(type_of[f])) for f in range(last + 1)])
        order = np.array([s.order for s in self._rotor.sensors])
        turn = np.exp(1j * order * np.deg2rad(toward)[self._frame][:, None])

        readings = runs.readings.copy()
        readings[rows] *= np.repeat(turn, self._regimes, axis=1)
        found = [
            self._of_reference(e, angles) if e.sensor is None
            else self._of_sensor(e, e.sensor, readings, group[self._frame])
            for e in self._events
        ]  # fmt: skip
        doubts = np.full((len(order), self._place.max(initial=0) + 1), np.inf)
        factors = np.ones(doubts.shape, dtype=complex)
        for f in found:
            if f.refit is None or not f.known or f.event.sensor is None:
                continue
            at = f.event.sensor, self._places[f.event.sensor].index(f.event.row)
            doubts[at] = np.deg2rad(f.sd_deg) ** 2 + f.refit.gain_sd**2
            factors[at] = f.refit.gain * np.exp(1j * np.deg2rad(f.angle_deg))
        link = _links(doubts)
        label = np.empty_like(self._place)
        for s in range(len(order)):
            place = self._place[:, s]
            onward = _onward(factors[s], link[s])
            turn[:, s] *= onward[place]
            label[:, s] = _labels(group[self._frame], link[s][place], runs.epoch[rows, s])
        joined = tuple(
            row for row in self._over
            if first < row <= rows[-1] and (label[row - first] == label[row - 1 - first]).all()
        )  # fmt: skip
        return RotorFrames(
            first=first,
            found=tuple(found),
            turn=turn,
            label=label,
            joined=joined,
            frame=self._frame,
            type_frame=int(type_of[last]),
            member=group == group[last],
            lag_deg=np.array([angles.angle_deg(last, f) for f in range(last + 1)]),
            variance=variance,
            place=self._place,
            doubts=doubts,
        )

    def _angles(self) -> Angles:
        """Return the law of the references' angles."""
        view, frames = self._view, len(self._moved) + 1
        period = common_period([s.order for s in self._rotor.sensors])
        if frames == 1:
            return Angles(np.ones((1, 1), dtype=complex), period, np.ones(1))
        words: dict[int, Word] = {}
        for s, sensor in enumerate(self._rotor.sensors):
            among, type_ = (
                np.zeros((frames, frames), dtype=complex),
                np.zeros(frames, dtype=complex),
            )
            whole = view.sensed(s, view.of.runs.readings, self._starts)
            for place in np.unique(self._place[:, s]):
                chosen = self._place[:, s] == place
                told = gather(
                    whole.only(chosen),
                    self._frame[chosen],
                    frames,
                    view.delta(s),
                    apart=self._apart,
                )
                v = self._believed[s].solved(told.h)
                among += told.m + told.b.conj() @ v @ told.b.T
                type_ += told.b @ (self._believed[s].heard.conj() @ v)
            had = words.get(sensor.order, Word(sensor.order, 0.0 * among, 0.0 * type_))
            words[sensor.order] = Word(
                sensor.order, had.among + self._share * among, had.type_ + self._share * type_
            )
        return angles_of(list(words.values()), frames, period)

    def _of_reference(self, event: FrameEvent, angles: Angles) -> Found:
        frame = self._moved.index(event.row)
        angle, sd = angles.angle_deg(frame, frame + 1), angles.sd_deg(frame, frame + 1)
        nothing = sd >= angles.widest_deg * (1.0 - 1e-9)
        return Found(event, np.nan if nothing else angle, sd, sd <= KNOWN_SD_DEG)

    def _of_sensor(self, event: FrameEvent, s: int, readings: Complex, group: Whole) -> Found:
        """Weigh what became of a sensor; readings: references put right within each group."""
        view, before = self._view, self._places[s].index(event.row)
        place = self._place[:, s]
        about = (place == before) | (place == before + 1)
        here = group[min(int(np.searchsorted(view.rows, event.row)), len(group) - 1)]
        kept = readings.copy()
        kept[view.rows[group != here]] = np.nan
        own = view.sensed(s, kept, self._starts).only(about)
        after = np.asarray(place[about] == before + 1, dtype=np.int64)
        believed = self._believed[s]
        told = gather(own, after, 2, view.delta(s), apart=self._apart)
        mean = believed.solved(told.h) @ (believed.heard + told.b.sum(axis=0))
        refit = weigh_refit(
            own, after, event.row in self._over, believed, view.of.prior.broad(s, mean),
            self._share, view.delta(s), self._apart,
        )  # fmt: skip
        sure = refit.same_place >= KNOWN_PLACE and refit.sd_deg <= KNOWN_SD_DEG
        return Found(event, refit.angle_deg, refit.sd_deg, sure, refit)


def _grouped(variance: Real, type_weight: Real) -> tuple[Whole, Whole]:
    """Return the group of every frame (its last one), and which of it reads as the type does."""
    frames = len(variance)
    group = np.full(frames, -1)
    for base in range(frames - 1, -1, -1):
        if group[base] < 0:
            near = variance[base] <= np.deg2rad(KNOWN_SD_DEG) ** 2
            group[(group < 0) & near & (np.arange(frames) <= base)] = base
    type_of = np.empty(frames, dtype=np.int64)
    for base in np.unique(group):
        inside = np.flatnonzero(group == base)
        type_of[inside] = inside[np.argmax(type_weight[inside])]
    return group, type_of


def _links(doubts: Real) -> Whole:
    """Return the last place that each place is linked to by known factors, (sensor, place)."""
    link = np.tile(np.arange(doubts.shape[1]), (len(doubts), 1))
    for place in range(doubts.shape[1] - 2, -1, -1):
        known = np.isfinite(doubts[:, place])
        link[known, place] = link[known, place + 1]
    return link


def _onward(factors: Complex, link: Whole) -> Complex:
    """Return the factor from each place to the last that it is linked to, (place,)."""
    onward = np.ones(len(link), dtype=complex)
    for place in range(len(link) - 2, -1, -1):
        if link[place] > place:
            onward[place] = factors[place] * onward[place + 1]
    return onward


def _labels(group: Whole, link: Whole, epoch: Whole) -> Whole:
    """Return the latest epoch of the runs that are learned together with each run, (run,)."""
    key = group * (link.max(initial=0) + 1) + link
    latest = np.zeros(key.max(initial=0) + 1, dtype=np.int64)
    np.maximum.at(latest, key, epoch)
    return np.asarray(latest[key])
