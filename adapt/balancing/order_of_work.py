"""The order in which a rotor is put right, and where a job stands in it, by what its log says.

Look first; steady readings; track before balance, because what moves the track moves the balance
with it; balance on the ground; then in flight; then close. Common practice of the trade, no source;
the aircraft's maintenance manual comes before it. What to do at each step is worded in `reports`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from adapt.learning.fitting.expected import expected_noise
from adapt.log import History
from adapt.log.jobs import runs_of_job
from adapt.rotor import Rotor
from adapt.rotor.limit_sets import require_limit_set

__all__ = ["Found", "OrderOfWork", "Step", "order_of_work"]

Name = Literal["look", "read", "track", "balance on the ground", "balance in flight", "close"]
State = Literal["always", "done", "now", "later", "not told"]

_INSIDE = 1.0 + 1e-9


@dataclass(frozen=True)
class Found:
    """What the log says of one channel: its latest reading against its limit.

    sensor None = track. amplitude: in the sensor's unit, or the track spread; None = never read
    since the last event. run: in which it was read. moved_since: whether hardware that changes it
    was moved between that run and the last, so that it stands no longer.
    """

    sensor: str | None
    regime: str
    amplitude: float | None
    limit: float
    run: str | None
    moved_since: bool = False

    @property
    def inside(self) -> bool:
        """Whether it was read with the hardware as it was in the last run, inside its limit."""
        if self.amplitude is None or self.moved_since:
            return False
        return self.amplitude <= self.limit * _INSIDE


@dataclass(frozen=True)
class Step:
    """One step of the work. state "not told": the log cannot say; see for yourself.

    found: the channels that it looks at, worst first.
    """

    name: Name
    state: State
    found: tuple[Found, ...] = ()


@dataclass(frozen=True)
class OrderOfWork:
    """Where a job stands.

    waiting: moves or an event stand after the last run, so that the next run comes first.
    steady: how far readings of runs with nothing changed between them are apart, root mean square,
    in what the expected noise lets them be apart; None = no such runs.
    mixed: runs after which weights and what moves the track were moved together. early: runs after
    which weights were moved while the track was over its limit or not read.
    """

    rotor: str
    job: str
    runs: tuple[str, ...]
    steps: tuple[Step, ...]
    waiting: bool
    steady: float | None
    mixed: tuple[str, ...]
    early: tuple[str, ...]

    @property
    def next(self) -> Step | None:
        """The step to do now; None when all are done or the log cannot tell."""
        return next((s for s in self.steps if s.state == "now"), None)


def order_of_work(
    rotor: Rotor, history: History, job: str, limits: str | None = None
) -> OrderOfWork:
    """Return where a job stands in the order of work.

    limits: the named set of limits. Raises BadInput for a job that the log does not hold or whose
    entries have faults, and for an unknown set of limits.
    """
    work = _job(rotor, history, job, limits)
    ground = [r.name for r in rotor.regimes if r.on_ground]
    flight = [r.name for r in rotor.regimes if not r.on_ground]
    waiting = work.names[-1] in work.moved | work.events.keys()
    groups: dict[Name, list[Found]] = {
        "track": work.track_found(),
        "balance on the ground": work.vibration_found(ground),
        "balance in flight": work.vibration_found(flight),
    }
    return OrderOfWork(
        work.serial,
        job,
        work.names,
        tuple(_steps(rotor, groups, waiting)),
        waiting,
        work.steady(),
        tuple(n for n, (weights, others) in work.moved.items() if weights and others),
        tuple(n for n, (weights, _) in work.moved.items() if weights and work.out_of_track(n)),
    )


def _steps(rotor: Rotor, groups: Mapping[Name, list[Found]], waiting: bool) -> list[Step]:
    """Return the steps in order; the first that is not done is the one for now."""
    steps = [Step("look", "always"), Step("read", "now" if waiting else "done")]
    open_before = waiting
    limited = any(groups[name] for name in groups if name != "track")
    for name, found in groups.items():
        if not found:
            if name == "track" and not all(a.is_weight for a in rotor.adjusters):
                steps.append(Step(name, "not told"))
            if name == "balance in flight" and not limited:
                steps.append(Step(name, "not told"))
            continue
        inside = all(f.inside for f in found)
        state: State = "later" if open_before else "done" if inside else "now"
        open_before = open_before or not inside
        steps.append(Step(name, state, tuple(sorted(found, key=_worst_first))))
    # With no limit on vibration nothing is known to be inside: never call the work done.
    steps.append(Step("close", "later" if open_before else "now" if limited else "not told"))
    return steps


def _worst_first(found: Found) -> float:
    return -np.inf if found.amplitude is None else -found.amplitude / found.limit


@dataclass(frozen=True, eq=False)
class _Job:
    """One job's rows, with runs by their place.

    moved: run -> whether weights, and whether other hardware, were moved after it. events: run ->
    the sensors whose amplitudes it may change; None = all that is read.
    """

    rotor: Rotor
    serial: str
    names: tuple[str, ...]
    readings: pd.DataFrame
    track: pd.DataFrame
    moved: Mapping[str, tuple[bool, bool]]
    events: Mapping[str, set[str | None]]
    limits: str | None

    def since(self, sensor: str | None, until: int) -> int:
        """Return the place of the first run whose readings of a sensor (None: track) still count.

        until: runs from this place on, and what stands after the last one before it, are not seen.
        """
        after = [n for n, changed in self.events.items() if None in changed or sensor in changed]
        places = [self.names.index(n) + 1 for n in after]
        return max((place for place in places if place < until), default=0)

    def vibration_found(self, regimes: Sequence[str]) -> list[Found]:
        """Return the latest reading of every channel that has a limit, in these regimes."""
        found = []
        for sensor, regime in self.rotor.channels:
            limit = self.rotor.limit_for(sensor, regime, self.limits)
            if regime in regimes and limit is not None:
                own = (self.readings["sensor"] == sensor) & (self.readings["regime"] == regime)
                run, rows = self._latest(self.readings[own], sensor, len(self.names))
                amplitude = abs(rows["value"].iloc[0]) if run is not None else None
                moved = self._moved_since(run, len(self.names), only_track=False)
                found.append(Found(sensor, regime, amplitude, limit.limit, run, moved))
        return found

    def track_found(self, until: str | None = None) -> list[Found]:
        """Return the latest track of every regime that has a limit, up to and with a run."""
        last = len(self.names) if until is None else self.names.index(until) + 1
        found = []
        for regime in self.rotor.regime_names if self.rotor.has_track else ():
            limit = self.rotor.limit_for(None, regime, self.limits)
            if limit is not None:
                own = self.track[self.track["regime"] == regime]
                run, rows = self._latest(own, None, last)
                spread = float(np.ptp(rows["height"])) if run is not None else None
                moved = self._moved_since(run, last, only_track=True)
                found.append(Found(None, regime, spread, limit.limit, run, moved))
        return found

    def out_of_track(self, run: str) -> bool:
        """Return whether the track was over a limit, or not read, in this run or before it."""
        found = self.track_found(until=run)
        return bool(found) and not all(f.inside for f in found)

    def steady(self) -> float | None:
        """Return how far readings are apart where nothing was changed, as OrderOfWork.steady."""
        center = expected_noise(self.rotor)[0]
        sd = dict(
            zip(self.rotor.channels, np.sqrt(2 * center.reading_var + center.run_var), strict=True)
        )
        apart: list[float] = []
        for before, after in pairwise(self.names):
            if before in self.moved or before in self.events:
                continue
            pair = self.readings[self.readings["run"] == before].merge(
                self.readings[self.readings["run"] == after], on=["sensor", "regime"]
            )
            channels = zip(pair["sensor"], pair["regime"], strict=True)
            scale = np.array([sd[channel] for channel in channels])
            apart += list(np.abs(pair["value_y"] - pair["value_x"]) / scale)
        return float(np.sqrt(np.mean(np.square(apart)))) if apart else None

    def _moved_since(self, run: str | None, until: int, only_track: bool) -> bool:
        """Return whether hardware was moved between a run and the last one before a place.

        only_track: whether weights do not count.
        """
        if run is None:
            return False
        between = self.names[self.names.index(run) : until - 1]
        return any(any(self.moved.get(n, (False, False))[only_track:]) for n in between)

    def _latest(
        self, rows: pd.DataFrame, sensor: str | None, until: int
    ) -> tuple[str | None, pd.DataFrame]:
        """Return the last run before a place that has any rows that count, and these rows."""
        for name in reversed(self.names[self.since(sensor, until) : until]):
            own = rows[rows["run"] == name]
            if len(own):
                return name, own
        return None, rows[:0]


def _job(rotor: Rotor, history: History, job: str, limits: str | None) -> _Job:
    require_limit_set(rotor, limits)
    runs = runs_of_job(history, job)

    def own(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["job"] == job]

    weights = {a.name for a in rotor.adjusters if a.is_weight}
    moved = {
        str(run): (bool(set(names) & weights), bool(set(names) - weights))
        for run, names in own(history.moves).groupby("after_run", sort=False)["adjuster"]
    }
    events: dict[str, set[str | None]] = {}
    for run, kind, sensor in own(history.events)[["after_run", "kind", "sensor"]].itertuples(
        index=False
    ):
        # A turned reference leaves amplitudes as they are.
        changed = {"reference moved": set(), "sensor moved": {str(sensor)}}.get(kind, {None})
        events.setdefault(str(run), set()).update(changed)
    return _Job(
        rotor,
        str(runs["rotor"].iloc[0]),
        tuple(str(run) for run in runs["run"]),
        own(history.readings),
        own(history.track),
        moved,
        events,
        limits,
    )
