"""What one job's runs teach by themselves: coefficients from its trial weights, no chart, no fleet.

The coefficients have a flat prior, so they are generalised least squares on the job's runs with
run-to-run change and reading scatter (`adapt.learning`); later correction runs refine them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.coefficients import Coefficients
from adapt.coefficients.reviewed import reviewed
from adapt.effects import channel_sums
from adapt.learning.fitting.expected import expected_noise
from adapt.learning.fitting.learner import fit
from adapt.learning.rows.runs import Runs, runs_of
from adapt.level import follow_run, predict_run, start
from adapt.log import History
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor

__all__ = ["LastRun", "OwnRuns", "last_run", "of_job", "own_runs"]

Real = npt.NDArray[np.float64]

FRAMES = ("reference moved", "sensor moved")
# Sd of a coefficient before its first trial weight, times the largest reading for each unit moved:
# so large that it stands for "not known", so small that double precision keeps the rest.
NOT_KNOWN = 1e4
FORETOLD = 10.0  # times the largest reading: what is less sure than that is not foretold
MISFIT_CHANCE = 0.01  # that the worst channel of a run is so far off by noise alone


@dataclass(frozen=True, eq=False)
class OwnRuns:
    """A job by itself: its history, its coefficients, and what they rest on.

    moved: the adjusters that were moved between runs. notes: what was left out, and why.
    """

    history: History
    coefficients: Coefficients
    moved: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class LastRun:
    """Whether a job's last run fits what the runs before it said.

    tested: channels that the earlier runs foretell; 0 = none, so nothing can be said. chance: that
    noise alone puts the worst of them so far off. fits: chance at least 1 in 100. sensor, regime:
    the worst. off: how far, in sds of the prediction (per component).
    """

    run: str
    tested: int
    chance: float
    fits: bool
    sensor: str
    regime: str
    off: float


def of_job(rotor: Rotor, history: History, job: str) -> tuple[History, tuple[str, ...]]:
    """Return the history of one job alone, and what had to be left out of it.

    Readings of a sensor from before its phase reference or the sensor itself was moved are left
    out: their phases mean something else. Raises BadInput where the job is set aside or not there.
    """
    if job in history.set_aside:
        faults = [p for p in history.faults if p.job == job]
        raise BadInput(faults or f"job {job} is set aside because of faults in the log")
    own = {
        name: frame[frame["job"] == job]
        for name in (
            "runs", "readings", "track", "moves", "fitted", "events", "excluded", "reviews",
            "corrections",
        )
        for frame in [getattr(history, name)]
    }  # fmt: skip
    if own["runs"].empty:
        jobs = list(dict.fromkeys(str(j) for j in history.runs["job"]))
        shown = ", ".join(jobs[-6:]) or "none"
        raise BadInput(f"job {job} is not in the log; the last of its jobs: {shown}")
    own["readings"], notes = _in_this_frame(rotor, own["runs"], own["readings"], own["events"])
    alone = replace(
        history,
        **own,
        kept=frozenset(pair for pair in history.kept if pair[0] == job),
        left_out=frozenset(pair for pair in history.left_out if pair[0] == job),
    )
    hardware = own["events"][own["events"]["kind"] == "hardware changed"]
    if len(hardware):
        notes.append(
            "Hardware was changed within the job: what trial weights did before may not hold now."
        )
    serial = str(own["runs"]["rotor"].iloc[0])
    jobs = list(dict.fromkeys(history.runs.loc[history.runs["rotor"] == serial, "job"]))
    if jobs[-1] != job:
        notes.append(f"A later job of this rotor is in the log ({jobs[-1]}).")
    return alone, tuple(notes)


def own_runs(rotor: Rotor, history: History, job: str) -> OwnRuns:
    """Return what the runs of one job teach by themselves.

    Raises BadInput for a job that cannot be used, CannotBeMet when it has no pair of runs with a
    move between them: a trial weight must be fitted, run, and logged as a move.
    """
    alone, notes = of_job(rotor, history, job)
    runs = runs_of(rotor, alone)
    read = ~np.isnan(runs.readings)
    pairs = ~runs.starts[1:, None] & read[1:] & read[:-1]
    any_moved = (runs.amounts != 0).any(axis=1)
    moved = [
        name
        for a, name in enumerate(rotor.adjuster_names)
        if any_moved[1:, a][pairs.any(axis=1)].any()
    ]
    if not moved:
        raise CannotBeMet(
            f"job {job} has no two runs with a move between them: read the rotor as it is, fit a "
            "trial weight, log it as a move, run again, and log that run"
        )
    coefficients, _, _ = fit(rotor, runs, source=history.source)
    origin = {**coefficients.origin, "reviewed": reviewed(alone)}
    return OwnRuns(alone, replace(coefficients, origin=origin), tuple(moved), notes)


def last_run(rotor: Rotor, own: OwnRuns) -> LastRun:
    """Return whether the job's last run fits what its earlier runs foretell.

    Coefficients are taken from the runs before the last alone, flat prior. Noise: as the rotor file
    states it, else as those runs show it. The worst channel is judged, with its chance corrected
    for how many there are (Bonferroni): channels of one run share noise.
    """
    runs = runs_of(rotor, own.history)
    name = runs.names[-1]
    nothing = LastRun(name, 0, 1.0, True, "", "", 0.0)
    if len(runs) < 3 or runs.starts[-1]:
        return nothing
    reading_var, run_var = _noise_before_last(rotor, runs)
    noise = own.coefficients.noise
    inexact = noise.run_var_after(runs.moved) - noise.run_var
    size = np.nanmax(np.abs(runs.readings), initial=0.0)
    unit = np.abs(runs.amounts).max(axis=(0, 1))
    wide = NOT_KNOWN * size / np.where(unit > 0, unit, 1.0)
    channels, regimes = len(rotor.channels), len(rotor.regimes)
    prior = np.tile(np.diag(np.tile(wide**2, regimes)), (len(rotor.sensors), 1, 1))
    state = start(np.zeros((channels, len(wide)), dtype=complex), prior.astype(complex))
    for k in range(len(runs) - 1):
        if runs.starts[k] and k:
            state = replace(state, own_var=np.full(channels, np.inf))
        moves = channel_sums(rotor, runs.amounts[k])[:, None, :]
        var = reading_var / runs.repeats[k]
        state = follow_run(state, moves, runs.readings[k][:, None], var, run_var + inexact[k])
    moves = channel_sums(rotor, runs.amounts[-1])[:, None, :]
    mean, cov = predict_run(state, moves, reading_var / runs.repeats[-1], run_var + inexact[-1])
    error, var = runs.readings[-1] - mean[:, 0], cov[:, 0, 0].real
    foretold = ~np.isnan(error) & (var < (FORETOLD * size) ** 2)
    if not foretold.any():
        return nothing
    far = np.where(foretold, np.abs(error) ** 2 / np.where(foretold, var, 1.0), -np.inf)
    worst, tested = int(np.argmax(far)), int(foretold.sum())
    # |e|^2 / v is exponential where e is circular normal of variance v.
    chance = min(1.0, tested * float(np.exp(-far[worst])))
    sensor, regime = rotor.channels[worst]
    off = float(np.sqrt(2.0 * far[worst]))
    return LastRun(name, tested, chance, chance >= MISFIT_CHANCE, sensor, regime, off)


def _noise_before_last(rotor: Rotor, runs: Runs) -> tuple[Real, Real]:
    """Return r and q, (channel,), that do not know of the last run."""
    expected, stated = expected_noise(rotor)
    if stated.all():
        return expected.reading_var, expected.run_var
    earlier = fit(rotor, runs.only(np.arange(len(runs)) < len(runs) - 1))[0].noise
    return (
        np.where(stated, expected.reading_var, earlier.reading_var),
        np.where(stated, expected.run_var, earlier.run_var),
    )


def _in_this_frame(
    rotor: Rotor, runs: pd.DataFrame, readings: pd.DataFrame, events: pd.DataFrame
) -> tuple[pd.DataFrame, list[str]]:
    """Return the readings that are of the frame of the last run, and notes of what is left out."""
    place = {name: k for k, name in enumerate(runs["run"])}
    keep = np.ones(len(readings), dtype=bool)
    at = readings["run"].map(place).to_numpy()
    notes: list[str] = []
    for kind, after, moved in zip(
        events["kind"], events["after_run"], events["sensor"], strict=True
    ):
        if kind not in FRAMES:
            continue
        touched = {
            s.name
            for s in rotor.sensors
            if kind == "reference moved"
            or s.name == moved
            or moved in (s.combination or {})
        }  # fmt: skip
        keep &= ~((at <= place[after]) & readings["sensor"].isin(touched).to_numpy())
        what = "phase reference" if kind == "reference moved" else str(moved)
        notes.append(f"Readings up to run {after} are left out: the {what} was moved after it.")
    return readings[keep], notes
