"""A history as arrays: every run in order with its readings, its moves, and where levels are cut.

The arrays are what learning, updating and walking forward work on. Nothing here estimates.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.effects import contrast_changes, contrasts, harmonic_sums
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["Runs", "history_of", "runs_of"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

FRAME_EVENTS = ("reference moved", "sensor moved")


@dataclass(frozen=True, eq=False)
class Runs:
    """The runs of a history: rotors one after another, each one's jobs and runs in time order.

    serials, jobs: names by code. rotor, job: (run,) codes. names: (run,) names of the runs.
    started: (run,) datetime64, NaT where not known.
    readings: (run, channel), complex lag, NaN where not read; repeats: (run, channel).
    spread: (run, channel), sd per component of one of the repeats, NaN where not given.
    heights: (run, regime, blade), NaN where a regime was not read whole.
    amounts: (run, blade, adjuster): moves since the run before in the same job.
    starts: (run,): True where the level starts afresh: a job's first run, the first after an event
    or after a pair that was excluded.
    epoch: (run, sensor): how often the sensor's frame has changed on this rotor before this run
    (`reference moved` changes it for every sensor, `sensor moved` for one and what is made of it).
    epoch_now: (rotor, sensor): the same after everything that is logged.
    kept: (run,): True where the pair that ends there was looked at and found right as entered.
    calm: (run,): the run-to-run change before each run has variance q / calm; None = q everywhere.
    Runs as logged have none; a robust fit finds it, and then repeats count what readings are worth.
    """

    serials: tuple[str, ...]
    jobs: tuple[str, ...]
    rotor: Whole
    job: Whole
    names: tuple[str, ...]
    started: npt.NDArray[np.datetime64]
    readings: Complex
    repeats: Real
    spread: Real
    heights: Real
    amounts: Real
    starts: npt.NDArray[np.bool_]
    epoch: Whole
    epoch_now: Whole
    kept: npt.NDArray[np.bool_]
    calm: Real | None = None

    def __len__(self) -> int:
        return len(self.names)

    @cached_property
    def pair(self) -> tuple[tuple[str, str] | None, ...]:
        """(job, after_run) of the pair that ends at each run; None where no pair ends."""
        return tuple(
            None if start else (self.jobs[job], before)
            for start, job, before in zip(
                self.starts, self.job, ("", *self.names)[: len(self)], strict=True
            )
        )

    @property
    def moved(self) -> Whole:
        """On how many blades each adjuster was moved before each run, (run, adjuster)."""
        return np.asarray((self.amounts != 0).sum(axis=1))

    def gusts(self, run_var: Real) -> Real:
        """Return what gusts add to q, (run, channel), negative where it was calm; run_var: q."""
        if self.calm is None:
            return np.zeros((len(self), len(run_var)))
        return np.asarray((1.0 / self.calm - 1.0)[:, None] * run_var)

    def counting(self, reading: Real | None, step: Real | None) -> Runs:
        """Return the runs with vibration that counts so much, both (run,), None = as it does."""
        repeats = self.repeats if reading is None else self.repeats * reading[:, None]
        return replace(self, repeats=repeats, calm=step)

    def only(self, chosen: npt.NDArray[np.bool_]) -> Runs:
        """Return the chosen runs, which must be the first runs of their jobs (what was known then).

        chosen: (run,). The frames are those of each rotor's last chosen run.
        """
        rows = {
            f.name: getattr(self, f.name)[chosen]
            for f in fields(self)
            if f.name not in ("serials", "jobs", "names", "epoch_now")
            and getattr(self, f.name) is not None
        }
        names = tuple(name for name, keep in zip(self.names, chosen, strict=True) if keep)
        epoch_now = np.zeros_like(self.epoch_now)
        np.maximum.at(epoch_now, rows["rotor"], rows["epoch"])
        return replace(self, names=names, epoch_now=epoch_now, **rows)

    def of_rotor(self, code: int) -> Runs:
        """Return one rotor's runs, with codes of their own."""
        mine = self.rotor == code
        rows = {
            f.name: getattr(self, f.name)[mine]
            for f in fields(self)
            if f.name not in ("serials", "jobs", "names", "epoch_now", "rotor", "job")
            and getattr(self, f.name) is not None
        }
        present, job = np.unique(self.job[mine], return_inverse=True)
        return replace(
            self,
            serials=(self.serials[code],),
            jobs=tuple(self.jobs[j] for j in present),
            names=tuple(name for name, keep in zip(self.names, mine, strict=True) if keep),
            rotor=np.zeros(int(mine.sum()), dtype=np.int64),
            job=job.astype(np.int64),
            epoch_now=self.epoch_now[[code]],
            **rows,
        )


def history_of(rotor: Rotor, log: Any) -> History:
    """Return a history as it is, or a log (or its path) as checked for this rotor design."""
    if isinstance(log, History):
        return log
    from adapt.log import check

    history: History = check(rotor, log)
    return history


def runs_of(rotor: Rotor, history: History) -> Runs:
    """Return the runs of a history as arrays.

    Rows for sensors, regimes, blades or adjusters that the rotor file does not know are the
    checker's business: here they would raise KeyError.
    """
    table = history.runs
    serials, rotor_of = _codes(table["rotor"])
    order = np.argsort(rotor_of, kind="stable")
    table = table.iloc[order]
    rotor_of = rotor_of[order]
    jobs, job_of = _codes(table["job"])
    # A job whose runs do not stand together still has one level: keep its runs together.
    first_row = np.full(len(jobs), len(table))
    np.minimum.at(first_row, job_of, np.arange(len(table)))
    order = np.argsort(first_row[job_of], kind="stable")
    table, rotor_of, job_of = table.iloc[order], rotor_of[order], job_of[order]
    names = tuple(str(x) for x in table["run"])
    count = len(names)
    row = {(jobs[j], name): i for i, (j, name) in enumerate(zip(job_of, names, strict=True))}
    last_of_job = np.zeros(len(jobs), dtype=np.int64)
    last_of_job[job_of] = np.arange(count)
    new_job = np.ones(count, dtype=bool)
    new_job[1:] = job_of[1:] != job_of[:-1]

    channels = {channel: i for i, channel in enumerate(rotor.channels)}
    readings = np.full((count, len(channels)), np.nan + 0j, dtype=complex)
    repeats = np.ones((count, len(channels)))
    spread = np.full((count, len(channels)), np.nan)
    read = history.readings
    if len(read):
        at = _rows(row, read["job"], read["run"])
        column = _rows(channels, read["sensor"], read["regime"])
        readings[at, column] = read["value"].to_numpy(dtype=complex)
        repeats[at, column] = np.maximum(read["repeats"].fillna(1).to_numpy(dtype=float), 1.0)
        spread[at, column] = read["spread"].to_numpy(dtype=float)

    starts, epoch, epoch_now = _frames(
        rotor, history, row, rotor_of, job_of, new_job, last_of_job, len(serials)
    )
    starts |= _ends_of(history.left_out, row, new_job)
    return Runs(
        serials=serials,
        jobs=jobs,
        rotor=rotor_of,
        job=job_of,
        names=names,
        started=table["started"].to_numpy(dtype="datetime64[ns]"),
        readings=readings,
        repeats=repeats,
        spread=spread,
        heights=_heights(rotor, history, row, count),
        amounts=_amounts(rotor, history, row, new_job),
        starts=starts,
        epoch=epoch,
        epoch_now=epoch_now,
        kept=_ends_of(history.kept, row, new_job),
    )


def track_contrasts(runs: Runs) -> Real:
    """Return every run's height contrasts, (run, regime, contrast), NaN where not read."""
    blades = runs.heights.shape[2]
    result: Real = np.einsum("kb,rgb->rgk", contrasts(blades), runs.heights)
    return result


def vibration_moves(rotor: Rotor, runs: Runs) -> Complex:
    """Return X of the moves before each run for each order, shape (order, run, adjuster).

    Orders stand as in `orders`.
    """
    listed, _ = orders(rotor)
    return np.array([harmonic_sums(rotor, runs.amounts, n) for n in listed]).reshape(
        len(listed), len(runs), len(rotor.adjusters)
    )


def track_moves(runs: Runs) -> Real:
    """Return what unit coefficients do to each contrast, shape (run, contrast, adjuster)."""
    return contrast_changes(runs.amounts)


def orders(rotor: Rotor) -> tuple[tuple[int, ...], Whole]:
    """Return the different orders of the sensors, and which one each channel has, (channel,)."""
    listed = tuple(dict.fromkeys(s.order for s in rotor.sensors))
    of_channel = [listed.index(rotor.sensor(s).order) for s, _ in rotor.channels]
    return listed, np.array(of_channel, dtype=np.int64)


def _codes(names: pd.Series) -> tuple[tuple[str, ...], Whole]:
    """Return the different names in order of appearance, and each row's code."""
    codes, labels = pd.factorize(names.astype(str))
    return tuple(str(x) for x in labels), np.asarray(codes, dtype=np.int64)


def _rows(row: dict[tuple[str, str], int], first: pd.Series, second: pd.Series) -> Whole:
    """Return the row number of every pair of names; names stand in many rows, pairs in several."""
    (one, names), (other, others) = pd.factorize(first), pd.factorize(second)
    pair, kinds = pd.factorize(one.astype(np.int64) * max(len(others), 1) + other)
    named, width = [str(x) for x in names], len(others)
    also = [str(x) for x in others]
    at = [row[named[kind // width], also[kind % width]] for kind in kinds.tolist()]
    return np.array(at, dtype=np.int64)[pair]


def _heights(rotor: Rotor, history: History, row: dict[tuple[str, str], int], count: int) -> Real:
    """Return blade heights, (run, regime, blade), whole regimes only."""
    regimes = {name: i for i, name in enumerate(rotor.regime_names)}
    blades = {name: i for i, name in enumerate(rotor.blades)}
    heights = np.full((count, len(regimes), len(blades)), np.nan)
    track = history.track
    if rotor.has_track and len(track):
        at = _rows(row, track["job"], track["run"])
        regime = track["regime"].astype(str).map(regimes).to_numpy(dtype=np.int64)
        blade = track["blade"].astype(str).map(blades).to_numpy(dtype=np.int64)
        heights[at, regime, blade] = track["height"].to_numpy(dtype=float)
        heights[np.isnan(heights).any(axis=2)] = np.nan
    return heights


def _amounts(
    rotor: Rotor,
    history: History,
    row: dict[tuple[str, str], int],
    new_job: npt.NDArray[np.bool_],
) -> Real:
    """Return summed moves before each run, (run, blade, adjuster), without those after a last."""
    blades = {name: i for i, name in enumerate(rotor.blades)}
    adjusters = {name: i for i, name in enumerate(rotor.adjuster_names)}
    count = len(new_job)
    amounts = np.zeros((count + 1, len(blades), len(adjusters)))
    moves = history.moves
    if len(moves):
        to = _rows(row, moves["job"], moves["after_run"]) + 1
        blade = moves["blade"].astype(str).map(blades).to_numpy(dtype=np.int64)
        adjuster = moves["adjuster"].astype(str).map(adjusters).to_numpy(dtype=np.int64)
        np.add.at(amounts, (to, blade, adjuster), moves["amount"].to_numpy(dtype=float))
    amounts = amounts[:count]
    amounts[new_job] = 0.0
    return amounts


def _ends_of(
    pairs: frozenset[tuple[str, str]],
    row: dict[tuple[str, str], int],
    new_job: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Return which runs end one of these pairs (job, after_run), shape (run,)."""
    ends = np.zeros(len(new_job) + 1, dtype=bool)
    ends[[row[pair] + 1 for pair in pairs]] = True
    return ends[:-1] & ~new_job


def _frames(
    rotor: Rotor,
    history: History,
    row: dict[tuple[str, str], int],
    rotor_of: Whole,
    job_of: Whole,
    new_job: npt.NDArray[np.bool_],
    last_of_job: Whole,
    rotors: int,
) -> tuple[npt.NDArray[np.bool_], Whole, Whole]:
    """Return starts, epoch and epoch_now: what the events do to levels and frames."""
    count = len(new_job)
    starts = np.append(new_job, True)
    change = np.zeros((count + 1, len(rotor.sensors)), dtype=np.int64)
    epoch_now = np.zeros((rotors, len(rotor.sensors)), dtype=np.int64)
    events = history.events
    for job, after, kind, sensor in zip(
        events["job"], events["after_run"], events["kind"], events["sensor"], strict=True
    ):
        at = row[(str(job), str(after))]
        if at < last_of_job[job_of[at]]:
            starts[at + 1] = True
        if kind in FRAME_EVENTS:
            touched = [kind == "reference moved" or _made_of(rotor, i, sensor) for i in
                       range(len(rotor.sensors))]  # fmt: skip
            epoch_now[rotor_of[at]] += touched
            # Later jobs of the rotor stand after it in row order; the next rotor starts from 0.
            change[at + 1] += touched
    first_of_rotor = np.searchsorted(rotor_of, np.arange(rotors))
    running = np.cumsum(change[:count], axis=0)
    # An event after a rotor's very last run falls on the next rotor's first row: it is no part of
    # that rotor's epochs, which count from its own first row on.
    base = running[first_of_rotor] if count else running
    epoch = running - base[rotor_of] if count else running
    return starts[:count], epoch, epoch_now


def _made_of(rotor: Rotor, sensor: int, moved: object) -> bool:
    """Return whether a sensor is the moved one or a combination that includes it."""
    declared = rotor.sensors[sensor]
    return declared.name == moved or moved in (declared.combination or {})
