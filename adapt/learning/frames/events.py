"""Which events of a log changed what the phases of a rotor's sensors mean, and where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.learning.rows.runs import Runs
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["FrameEvent", "frame_events", "seen_events", "touches"]

Truth = npt.NDArray[np.bool_]

REFERENCE, SENSOR = "reference moved", "sensor moved"


@dataclass(frozen=True)
class FrameEvent:
    """A reference or a sensor that was moved.

    rotor: its code. row: the first run after it, of the rotor or (after its last run) one past its
    rows. sensor: its place in the rotor file, None for all. alone: whether nothing but frame events
    happened between the runs about it, within one job, and nobody left that pair out.
    """

    rotor: int
    row: int
    job: str
    after_run: str
    sensor: int | None
    alone: bool


def frame_events(rotor: Rotor, runs: Runs, history: History) -> tuple[FrameEvent, ...]:
    """Return the frame events of a history, rotor by rotor in time order, each place once."""
    row = {
        (runs.jobs[job], name): k
        for k, (job, name) in enumerate(zip(runs.job, runs.names, strict=True))
    }
    sensors = {sensor.name: i for i, sensor in enumerate(rotor.sensors)}
    table = history.events
    cut = {
        (str(job), str(after))
        for job, after, kind in zip(table["job"], table["after_run"], table["kind"], strict=True)
        if kind not in (REFERENCE, SENSOR)
    } | set(history.left_out)
    found: dict[tuple[int, int, int], FrameEvent] = {}
    for job, after, kind, sensor in zip(
        table["job"], table["after_run"], table["kind"], table["sensor"], strict=True
    ):
        key = str(job), str(after)
        if kind not in (REFERENCE, SENSOR) or key not in row:
            continue
        at = row[key]
        same_job = at + 1 < len(runs) and bool(runs.job[at + 1] == runs.job[at])
        moved = None if kind == REFERENCE else sensors[str(sensor)]
        event = FrameEvent(int(runs.rotor[at]), at + 1, *key, moved, same_job and key not in cut)
        found.setdefault((event.rotor, event.row, -1 if moved is None else moved), event)
    return tuple(found[key] for key in sorted(found))


def seen_events(events: Sequence[FrameEvent], runs: Runs, chosen: Truth) -> tuple[FrameEvent, ...]:
    """Return the events that `runs.only(chosen)` knows of: those with a chosen run after them."""
    at = np.append(0, np.cumsum(chosen))
    last = np.full(len(runs.serials), -1)
    np.maximum.at(last, runs.rotor[chosen], np.flatnonzero(chosen))
    return tuple(replace(e, row=int(at[e.row])) for e in events if e.row <= last[e.rotor])


def touches(rotor: Rotor, moved: int, sensor: int) -> bool:
    """Return whether moving one sensor changes what another (or a combination with it) reads."""
    name = rotor.sensors[moved].name
    return moved == sensor or name in (rotor.sensors[sensor].combination or {})
