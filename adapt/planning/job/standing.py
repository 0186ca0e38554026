"""Where a job stands: the level of every channel and the rotor's coefficients after its last run.

The joint posterior comes from `adapt.level`; this module walks a job's runs, moves and events into
it and says when planning has to wait. What may be moved lives in `hardware`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.coefficients import Coefficients, Noise
from adapt.effects import channel_sums, contrast_changes, contrasts, move_amounts
from adapt.level import Level, follow_run, start
from adapt.log import History
from adapt.log.jobs import refuse_when_waiting, runs_of_job
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor

__all__ = ["Standing", "follow", "standing_of"]

Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Standing:
    """A job after its last run.

    vibration: axes channel (rotor file order), part 1. track: axes regime, contrasts; None when
    the rotor has no track. runs: names in order; read_in: run in which a channel was last read
    ("" = never), shape (channel,); track_read_in likewise (regime,).
    last: what was read in the run `read_in`, (channel,) complex; last_heights: (regime, blade).
    untaught: pairs of the job that the coefficients did not hold yet and that were taken in here.
    """

    rotor: str
    job: str
    after_run: str
    vibration: Level
    track: Level | None
    read_in: tuple[str, ...]
    track_read_in: tuple[str, ...]
    last: npt.NDArray[np.complex128]
    last_heights: Real
    conditions: Mapping[str, Any]
    untaught: int


def standing_of(rotor: Rotor, coefficients: Coefficients, history: History, job: str) -> Standing:
    """Follow a job to its last run and return where it stands.

    Raises BadInput when the job is unknown, set aside for faults, or has no readings; CannotBeMet
    when moves or an event were logged after its last run, so that the next run must come first, or
    when the reference or a sensor was moved in a later job of the rotor: this job's readings are
    then of another frame than the coefficients. After an earlier move of the reference or a
    sensor, the runs since are planned from.
    """
    runs = runs_of_job(history, job)
    names = [str(r) for r in runs["run"]]
    serial = str(runs["rotor"].iloc[0])
    events = history.events[history.events["job"] == job]
    moves = history.moves[history.moves["job"] == job]
    refuse_when_waiting(history, job)
    _refuse_left_frames(history, serial, job)
    _refuse_old_frames(rotor, coefficients, history, serial)

    heights, readings, reading_weight = _tables(rotor, history, job, names)
    for event, after, sensor in zip(
        events["kind"], events["after_run"], events["sensor"], strict=True
    ):
        # What was read in a frame that no longer holds says nothing about today's coefficients.
        hidden = [_turned_by(rotor, str(event), str(sensor), s) for s, _ in rotor.channels]
        readings[: names.index(after) + 1, hidden] = np.nan
    if np.isnan(readings).all() and np.isnan(heights).all():
        raise BadInput(f"job {job} has no readings that can be used: a plan needs at least one run")

    posterior = coefficients.of(serial)
    noise = coefficients.noise
    vibration = start(posterior.mean, posterior.joint)
    track = None
    if rotor.has_track:
        track = start(posterior.track_mean, posterior.track_joint, len(rotor.blades) - 1)
    untaught = 0
    for k in range(len(names)):
        amounts = np.zeros((len(rotor.blades), len(rotor.adjusters)))
        teach = True
        if k > 0:
            before = names[k - 1]
            made = moves[moves["after_run"] == before]
            amounts = move_amounts(
                rotor, list(made["blade"]), list(made["adjuster"]), list(made["amount"])
            )
            here = events[events["after_run"] == before]
            vibration, track = _cut(rotor, vibration, track, here)
            pair = (job, before)
            held = pair in coefficients.withheld or pair in history.left_out
            if held:  # a suspect pair says nothing about the level after it either
                vibration, track = _cut_all(vibration), track and _cut_all(track)
            teach = pair not in coefficients.taught and here.empty and not held
            untaught += teach
        vibration, track = follow(
            rotor,
            noise,
            (vibration, track),
            amounts,
            readings[k],
            heights[k],
            teach=teach,
            weight=reading_weight[k],
        )
    read_in = _last_read(names, vibration)
    track_read_in = _last_read(names, track) if track is not None else ("",) * len(rotor.regimes)
    return Standing(
        rotor=serial,
        job=job,
        after_run=names[-1],
        vibration=vibration,
        track=track,
        read_in=read_in,
        track_read_in=track_read_in,
        last=_pick(readings, names, read_in),
        last_heights=_pick(heights, names, track_read_in),
        conditions=_conditions(runs.iloc[-1]),
        untaught=untaught,
    )


def follow(
    rotor: Rotor,
    noise: Noise,
    levels: tuple[Level, Level | None],
    amounts: Real,
    readings: npt.NDArray[np.complex128],
    heights: Real,
    teach: bool,
    weight: npt.ArrayLike = 1.0,
) -> tuple[Level, Level | None]:
    """Return where vibration and track stand after moves and the run that follows them.

    amounts: (blade, adjuster) moved before the run. readings: (channel,) complex, heights: (regime,
    blade), NaN where not read. teach: whether the pair says something of the coefficients. weight:
    how many readings each averages, (channel,).
    """
    vibration, track = levels
    moved = (amounts != 0).sum(axis=0)
    vibration = follow_run(
        vibration,
        channel_sums(rotor, amounts)[:, None, :],
        readings[:, None],
        noise.reading_var / np.asarray(weight),
        noise.run_var_after(moved),
        teach,
        noise.speaking,
    )
    if track is not None:
        lift = contrast_changes(amounts)
        track = follow_run(
            track,
            np.broadcast_to(lift, (len(rotor.regimes), *lift.shape)),
            heights @ contrasts(len(rotor.blades)).T,
            noise.track_reading_var,
            noise.track_run_var_after(moved),
            teach,
            noise.track_speaking,
        )
    return vibration, track


def _refuse_old_frames(
    rotor: Rotor, coefficients: Coefficients, history: History, serial: str
) -> None:
    """Raise BadInput when a sensor's frame changed after these coefficients were learned."""
    if serial not in coefficients.rotors:
        return
    of_rotor = history.runs.loc[history.runs["rotor"] == serial, "job"].unique()
    events = history.events[history.events["job"].isin(of_rotor)]
    known = coefficients.origin.get("frames", {}).get(serial, {})
    for sensor in rotor.sensors:
        changes = sum(
            _turned_by(rotor, str(kind), str(moved), sensor.name)
            for kind, moved in zip(events["kind"], events["sensor"], strict=True)
        )
        if changes > int(known.get(sensor.name, 0)):
            raise BadInput(
                f"the phase reference or {sensor.name} was moved on {serial} after these "
                "coefficients were learned: learn again, or update them with this log"
            )


def _refuse_left_frames(history: History, serial: str, job: str) -> None:
    """Raise CannotBeMet when phases mean something else since a later job of the rotor."""
    jobs = list(dict.fromkeys(history.runs.loc[history.runs["rotor"] == serial, "job"]))
    later = history.events[history.events["job"].isin(jobs[jobs.index(job) + 1 :])]
    moved = later[later["kind"].isin(("reference moved", "sensor moved"))]
    if moved.empty:
        return
    first = moved.iloc[0]
    what = "phase reference" if first["kind"] == "reference moved" else str(first["sensor"])
    raise CannotBeMet(
        f"the {what} was moved on {serial} in job {first['job']}, after job {job}: what was read "
        f"in job {job} no longer fits the coefficients, which are those of the rotor as it reads "
        f"now. Plan from a later job, {jobs[-1]} is its last"
    )


def _turned_by(rotor: Rotor, event: str, moved: str, sensor: str) -> bool:
    """Return whether an event changes the frame of a sensor (or of what it is made of)."""
    if event == "reference moved":
        return True
    return event == "sensor moved" and (
        moved == sensor or moved in (rotor.sensor(sensor).combination or {})
    )


def _cut_all(level: Level) -> Level:
    return replace(
        level, own_var=np.full_like(level.own_var, np.inf), age=np.full_like(level.age, -1)
    )


def _cut(
    rotor: Rotor, vibration: Level, track: Level | None, events: pd.DataFrame
) -> tuple[Level, Level | None]:
    """Forget the levels that an event between two runs makes worthless; coefficients stay."""
    for kind, sensor in zip(events["kind"], events["sensor"], strict=True):
        hit = np.ones(len(rotor.channels), dtype=bool)
        if kind == "sensor moved":
            hit = np.array([_turned_by(rotor, kind, sensor, s) for s, _ in rotor.channels])
        vibration = replace(
            vibration,
            own_var=np.where(hit, np.inf, vibration.own_var),
            age=np.where(hit, -1, vibration.age),
        )
        if track is not None and kind not in ("sensor moved", "reference moved"):
            track = _cut_all(track)
    return vibration, track


def _tables(
    rotor: Rotor, history: History, job: str, names: list[str]
) -> tuple[Real, npt.NDArray[np.complex128], Real]:
    """Heights (run, regime, blade), readings (run, channel) and how many readings each averages."""
    run_at = {name: k for k, name in enumerate(names)}
    channel_at = {channel: j for j, channel in enumerate(rotor.channels)}
    readings = np.full((len(names), len(rotor.channels)), np.nan, dtype=complex)
    weight = np.ones(readings.shape)
    rows = history.readings[history.readings["job"] == job]
    k = [run_at[r] for r in rows["run"]]
    j = [channel_at[c] for c in zip(rows["sensor"], rows["regime"], strict=True)]
    readings[k, j] = rows["value"].to_numpy()
    weight[k, j] = rows["repeats"].to_numpy(dtype=float)

    heights = np.full((len(names), len(rotor.regimes), len(rotor.blades)), np.nan)
    rows = history.track[history.track["job"] == job]
    k = [run_at[r] for r in rows["run"]]
    g = [rotor.regime_names.index(r) for r in rows["regime"]]
    b = [rotor.blades.index(blade) for blade in rows["blade"]]
    heights[k, g, b] = rows["height"].to_numpy(dtype=float)
    return heights, readings, np.nan_to_num(weight, nan=1.0)


def _last_read(names: list[str], level: Level) -> tuple[str, ...]:
    """Name the run in which each channel was last read ("" = not since the level was cut)."""
    return tuple("" if age < 0 else names[len(names) - 1 - age] for age in level.age)


def _pick(values: npt.NDArray[Any], names: list[str], read_in: tuple[str, ...]) -> Any:
    """Take each channel's values from the run in which it was last read."""
    run_at = {name: k for k, name in enumerate(names)}
    picked = np.full(values.shape[1:], np.nan, dtype=values.dtype)
    for j, name in enumerate(read_in):
        if name:
            picked[j] = values[run_at[name], j]
    return picked


def _conditions(run: pd.Series) -> dict[str, Any]:
    kept = ("aircraft", "started", "gross_weight", "wind_kt", "oat_c", "rpm", "note")
    return {name: run[name] for name in kept if name in run and not _blank(run[name])}


def _blank(value: Any) -> bool:
    return bool(value is None or value is pd.NaT or value == "" or value != value)
