"""Hardware that was changed: what was learned before is kept, with more doubt.

A new blade or damper, or another airframe, makes another machine of the same rotor: its
coefficients are c_after = c_before + e, e ~ CN(0, share D), with D how rotors of the type differ.
The shares are common practice, no source; the runs that follow decide. Integrated out, e leaves of
the earlier information (H, b)

    H (1 + Delta H)^-1  and  (1 + H Delta)^-1 b,   Delta = share D

which joins what later runs tell; over several events the discount is repeated from the earliest on.
(The sum of two normals: Anderson and Moore, Optimal Filtering (Prentice-Hall 1979), section 6.3,
from memory.) Levels are cut at the event; that is the business of `runs`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.rows.runs import Runs
from adapt.log import History

__all__ = [
    "AIRFRAME_SHARE", "HARDWARE_SHARE", "chained", "discounted", "doubts_of", "kept_notes",
    "stretches_of",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

HARDWARE_SHARE = 0.25  # of D: one blade or damper of several is another one
AIRFRAME_SHARE = 0.5  # of D: another airframe under the same rotor (mounts, sensors' places)


def discounted(h: Array, b: Array, delta: Array) -> tuple[Array, Array]:
    """Return the information of an earlier stretch in terms of today's coefficients.

    h: (..., adjuster, adjuster); b: (..., adjuster); delta: (..., adjuster, adjuster), covariance
    of what changed since. Works alike for one channel and for all regimes of a sensor together.
    """
    through = np.linalg.inv(np.eye(h.shape[-1]) + h @ delta)
    less = through @ h
    less = 0.5 * (less + np.swapaxes(less, -1, -2).conj())
    return less, np.einsum("...ab,...b->...a", through, b)


def chained(h: Array, b: Array, share: npt.ArrayLike, spread: Array) -> tuple[Array, Array]:
    """Return what stretches told together of today's coefficients, the earliest stretch first.

    h: (stretch, ..., adjuster, adjuster); b: (stretch, ..., adjuster). share: (stretch, ...), by
    which share of D the coefficients changed after each stretch (0 where nothing did; after the
    last one: since then); it broadcasts, (stretch, unit, 1) beside (stretch, unit, channel).
    spread: D, (..., adjuster, adjuster).
    """
    shares = np.asarray(share, dtype=float)
    total_h, total_b = np.zeros_like(h[0]), np.zeros_like(b[0])
    for more_h, more_b, changed in zip(h, b, shares, strict=True):
        total_h, total_b = total_h + more_h, total_b + more_b
        if changed.any():
            delta = changed[..., None, None] * spread
            total_h, total_b = discounted(total_h, total_b, delta)
    return total_h, total_b


def stretches_of(runs: Runs, before: Real, now: Real) -> tuple[Whole, Real]:
    """Return in which stretch each run stands, (run,), and the shares for `chained`.

    before, now: as `doubts_of` gives them. Stretches of a rotor count from 0; the second answer is
    (stretch, rotor): by which share coefficients changed after each, the last one's since then.
    """
    counted = np.cumsum(before > 0)
    first = np.full(len(runs.serials), len(runs))
    np.minimum.at(first, runs.rotor, np.arange(len(runs)))
    base = np.append(counted, 0)[first]
    stretch = np.asarray(counted - base[runs.rotor], dtype=np.int64)
    share = np.zeros((int(stretch.max(initial=0)) + 1, len(runs.serials)))
    changes = np.flatnonzero((before > 0) & (stretch > 0))
    share[stretch[changes] - 1, runs.rotor[changes]] = before[changes]
    last = np.zeros(len(runs.serials), dtype=np.int64)
    np.maximum.at(last, runs.rotor, stretch)
    share[last, np.arange(len(last))] += now
    return stretch, share


def doubts_of(runs: Runs, history: History) -> tuple[Real, Real]:
    """Return by which share of D coefficients may have changed: (run,) before it, (rotor,) since.

    `hardware changed` counts once for each event; a rotor on another aircraft than at its run
    before counts as AIRFRAME_SHARE. An event after a rotor's last run stands in the second array.
    """
    before, now = np.zeros(len(runs) + 1), np.zeros(len(runs.serials))
    row = {
        (runs.jobs[job], name): k
        for k, (job, name) in enumerate(zip(runs.job, runs.names, strict=True))
    }
    events = history.events
    for job, after, kind in zip(events["job"], events["after_run"], events["kind"], strict=True):
        at = row.get((str(job), str(after)))
        if kind != "hardware changed" or at is None:
            continue
        if at + 1 < len(runs) and runs.rotor[at + 1] == runs.rotor[at]:
            before[at + 1] += HARDWARE_SHARE
        else:
            now[runs.rotor[at]] += HARDWARE_SHARE
    for at, *_ in _changes_of_aircraft(runs, history):
        before[at] += AIRFRAME_SHARE
    return before[: len(runs)], now


def kept_notes(runs: Runs, history: History) -> tuple[str, ...]:
    """Say what is kept of coefficients where hardware or the airframe under a rotor changed."""
    notes = []
    events = history.events
    changed = set(events["job"][events["kind"] == "hardware changed"].astype(str))
    serials = dict.fromkeys(
        runs.serials[r]
        for r, j in zip(runs.rotor, runs.job, strict=True)
        if runs.jobs[j] in changed
    )
    if serials:
        notes.append(
            f"hardware changed on {', '.join(serials)}: what was learned before is kept with more "
            f"doubt ({HARDWARE_SHARE:.0%} of how rotors of the type differ, in variance)"
        )
    for at, was, now in _changes_of_aircraft(runs, history):
        notes.append(
            f"rotor {runs.serials[runs.rotor[at]]} went from aircraft {was} to {now} (job "
            f"{runs.jobs[runs.job[at]]}): coefficients belong to a rotor on its airframe, so what "
            f"was learned before is kept with more doubt ({AIRFRAME_SHARE:.0%} of how rotors of "
            "the type differ, in variance)"
        )
    notes += [
        f"aircraft {aircraft} has had several rotors ({', '.join(rotors)}): each keeps its own "
        "coefficients, none is passed on to the next"
        for aircraft, rotors in _rotors_by_aircraft(runs, history).items()
        if len(rotors) > 1
    ]
    return tuple(notes)


def _aircraft(runs: Runs, history: History) -> list[str]:
    """Return the aircraft of every run, "" where it is not named."""
    if "aircraft" not in history.runs:
        return [""] * len(runs)
    table = history.runs
    named = {
        (str(job), str(run)): "" if aircraft is None or aircraft != aircraft else str(aircraft)
        for job, run, aircraft in zip(table["job"], table["run"], table["aircraft"], strict=True)
    }
    return [
        named.get((runs.jobs[job], name), "")
        for job, name in zip(runs.job, runs.names, strict=True)
    ]


def _changes_of_aircraft(runs: Runs, history: History) -> list[tuple[int, str, str]]:
    """Return (run, aircraft before, aircraft) where a rotor is first seen on another aircraft."""
    found, last = [], {int(r): "" for r in np.unique(runs.rotor)}
    for at, (rotor, aircraft) in enumerate(zip(runs.rotor, _aircraft(runs, history), strict=True)):
        if not aircraft:
            continue
        was = last[int(rotor)]
        if was and was != aircraft:
            found.append((at, was, aircraft))
        last[int(rotor)] = aircraft
    return found


def _rotors_by_aircraft(runs: Runs, history: History) -> dict[str, list[str]]:
    """Return the serials seen on each named aircraft, in the order of the log."""
    seen: dict[str, list[str]] = {}
    for rotor, aircraft in zip(runs.rotor, _aircraft(runs, history), strict=True):
        serials = seen.setdefault(aircraft, []) if aircraft else []
        if runs.serials[rotor] not in serials:
            serials.append(runs.serials[rotor])
    return seen
