"""Rotors side by side for the tests of health: runs padded to one length, priors from the fleet.

A case is a rotor, or a rotor as it would be if something were otherwise (a pair left out, moves
that answered by another factor). Only what was read in today's frame of a sensor counts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.effects import blade_phasors, contrasts
from adapt.learning.rows.runs import Runs, track_contrasts
from adapt.rotor import Rotor

__all__ = ["Cases", "cases_of", "rotors_of", "that_count", "track_cases_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Cases:
    """Cases as arrays; a channel is (sensor, regime).

    Of track, the contrasts of the blades' heights stand for sensors; they are real, and share their
    coefficients: mean, cov, known and speaking then have one sensor.

    code: (case,), rotor code. row: (case, run), row in the runs, -1 = padding. starts: likewise.
    readings: (case, run, sensor, regime), NaN where not read in today's frame. reading_var,
    run_var: likewise, the latter of the step to each run. moves: (case, run, sensor, blade,
    adjuster), complex: each turned by its blade's passing. mean: (case, sensor, regime, adjuster),
    cov: (case, sensor, regime * adjuster, same), of the coefficients before the first run; known:
    where they are anything at all, (case, sensor, regime, adjuster). speaking: (sensor, regime),
    the share of a reading's word that teaches, as in `Noise`.
    """

    code: Whole
    row: Whole
    starts: Truth
    readings: Array
    reading_var: Real
    run_var: Real
    moves: Array
    mean: Array
    cov: Array
    known: Truth
    speaking: Real

    def __len__(self) -> int:
        return len(self.code)

    def only(self, chosen: Whole) -> Cases:
        """Return some cases, repeated as often as they are named, without needless padding."""
        longest = int((self.row[chosen] >= 0).sum(axis=1).max(initial=0))
        at = (chosen, slice(0, longest))
        return replace(
            self,
            code=self.code[chosen],
            row=self.row[at],
            starts=self.starts[at],
            readings=self.readings[at],
            reading_var=self.reading_var[at],
            run_var=self.run_var[at],
            moves=self.moves[at],
            mean=self.mean[chosen],
            cov=self.cov[chosen],
            known=self.known[chosen],
        )


def that_count(runs: Runs, coefficients: Coefficients, renewed: Truth | None) -> Runs:
    """Return the runs cut where a pair did not teach, and without readings of earlier hardware.

    What a rotor's runs say is taken off its posterior to find its prior, so only what is in there
    whole may be looked at. renewed: (run,), see `find_changes`.
    """
    taught = np.array([pair in coefficients.taught for pair in runs.pair], dtype=bool)
    readings = runs.readings
    if renewed is not None and renewed.any():
        last = np.full(len(runs.serials), -1)
        np.maximum.at(last, runs.rotor[renewed], np.flatnonzero(renewed))
        earlier = np.arange(len(runs)) < last[runs.rotor]
        readings = np.where(earlier[:, None], np.nan, readings)
    return replace(runs, starts=runs.starts | ~taught, readings=readings)


def rotors_of(runs: Runs, coefficients: Coefficients) -> Whole:
    """Return the codes of rotors with pairs of runs, of which the coefficients know their own."""
    paired = np.unique(runs.rotor[~runs.starts])
    return np.array(
        [code for code in paired if runs.serials[code] in coefficients.rotors],
        dtype=np.int64,
    )


def cases_of(rotor: Rotor, runs: Runs, coefficients: Coefficients, codes: Whole) -> Cases:
    """Return rotors by code as cases, with their own posterior for a prior as yet.

    codes: (case,), rotors that have runs and a posterior of their own.
    """
    sensors, regimes = len(rotor.sensors), len(rotor.regimes)
    blades = len(rotor.blades)
    row, pad = _rows(runs, codes)
    shape = (*row.shape, sensors, regimes)
    readings = runs.readings[row].reshape(shape)
    old = runs.epoch[row] < runs.epoch_now[codes][:, None, :]
    readings = np.where((pad[:, :, None] | old)[..., None], np.nan, readings)
    noise = coefficients.noise
    turn = np.array([blade_phasors(rotor, s.order) for s in rotor.sensors])
    amounts = np.where(pad[:, :, None, None], 0.0, runs.amounts[row])
    own = [coefficients.of(runs.serials[code]) for code in codes]
    run_var = (noise.run_var_after(runs.moved) + runs.gusts(noise.run_var))[row]
    return _cases(
        codes=codes,
        row=row,
        starts=runs.starts[row] | pad,
        readings=readings,
        reading_var=noise.reading_var.reshape(sensors, regimes) / runs.repeats[row].reshape(shape),
        run_var=run_var.reshape(shape),
        moves=amounts[:, :, None] * turn.reshape(sensors, blades, 1),
        mean=[p.mean for p in own],
        joint=[p.joint for p in own],
        speaking=noise.speaking,
        shape=(sensors, regimes, len(rotor.adjusters)),
    )


def track_cases_of(rotor: Rotor, runs: Runs, coefficients: Coefficients, codes: Whole) -> Cases:
    """Return the same of track: a reading is a contrast of the blades' heights in a regime.

    A rotor without track readings has none; a moved reference or sensor of vibration is nothing to
    track.
    """
    regimes, blades = len(rotor.regimes), len(rotor.blades)
    row, pad = _rows(runs, codes)
    readings = np.swapaxes(track_contrasts(runs)[row], 2, 3)
    readings = np.where(pad[:, :, None, None], np.nan, readings)
    noise = coefficients.noise
    usable = np.isfinite(noise.track_reading_var) & np.isfinite(noise.track_run_var)
    readings = np.where(usable, readings, np.nan)
    amounts = np.where(pad[:, :, None, None], 0.0, runs.amounts[row])
    own = [coefficients.of(runs.serials[code]) for code in codes]
    run_var = np.where(usable, noise.track_run_var_after(runs.moved), 0.0)[row]
    return _cases(
        codes=codes,
        row=row,
        starts=runs.starts[row] | pad,
        readings=readings,
        reading_var=np.broadcast_to(np.where(usable, noise.track_reading_var, 1.0), readings.shape),
        run_var=np.broadcast_to(run_var[:, :, None], readings.shape),
        moves=amounts[:, :, None] * contrasts(blades)[:, :, None],
        mean=[p.track_mean for p in own],
        joint=[p.track_joint for p in own],
        speaking=noise.track_speaking,
        shape=(1, regimes, len(rotor.adjusters)),
    )


def _rows(runs: Runs, codes: Whole) -> tuple[Whole, Truth]:
    """Return the rows of each rotor's runs, (case, run), and where there is none."""
    first = np.searchsorted(runs.rotor, codes)
    count = np.searchsorted(runs.rotor, codes, side="right") - first
    place = np.arange(int(count.max(initial=0)))
    row = np.where(place < count[:, None], first[:, None] + place, -1)
    return row, row < 0


def _cases(
    codes: Whole,
    row: Whole,
    starts: Truth,
    readings: Array,
    reading_var: Real,
    run_var: Real,
    moves: Array,
    mean: list[Array],
    joint: list[Array],
    speaking: Real | None,
    shape: tuple[int, int, int],
) -> Cases:
    """Return cases with posteriors by rotor; shape: sensor, regime and adjuster of these."""
    sensors, regimes, adjusters = shape
    means = np.array(mean).reshape(len(codes), *shape)
    size = regimes * adjusters
    cov = np.array(joint).reshape(len(codes), sensors, size, size)
    variance = np.einsum("csxx->csx", cov).real.reshape(means.shape)
    return Cases(
        code=codes,
        row=row,
        starts=starts,
        readings=readings,
        reading_var=reading_var,
        run_var=run_var,
        moves=moves,
        mean=means,
        cov=cov,
        known=np.isfinite(means) & (variance > 0),
        speaking=(
            np.ones(shape[:2]) if speaking is None else np.asarray(speaking).reshape(shape[:2])
        ),
    )
