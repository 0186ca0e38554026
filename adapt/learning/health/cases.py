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
from adapt.effects import blade_phasors
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = [
    "Cases", "Whitened", "cases_of", "parts_by_blade", "parts_since", "rotors_of", "that_count",
    "whiten", "with_rest_of_fleet",
]  # fmt: skip

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

VAGUE = 1e-6  # least precision of a prior, as a share of the rotor's own posterior precision


@dataclass(frozen=True, eq=False)
class Cases:
    """Cases as arrays; a channel is (sensor, regime).

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


@dataclass(frozen=True, eq=False)
class Whitened:
    """Readings as independent rows of unit variance given the coefficients, in time order.

    live: (case, run, sensor, regime). z: likewise. scale: likewise, the sd that was divided out.
    parts: (case, part, run, sensor, regime, adjuster): what the moves of a part came to; all moves
    are the first part.
    """

    live: Truth
    z: Array
    scale: Real
    parts: Array

    @property
    def x(self) -> Array:
        """(case, run, sensor, regime, adjuster): z = x c + unit error."""
        return np.asarray(self.parts[:, 0])


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
    """Return the codes of the rotors in the runs of which the coefficients know their own."""
    return np.array(
        [code for code in np.unique(runs.rotor) if runs.serials[code] in coefficients.rotors],
        dtype=np.int64,
    )


def cases_of(rotor: Rotor, runs: Runs, coefficients: Coefficients, codes: Whole) -> Cases:
    """Return rotors by code as cases, with their own posterior for a prior as yet.

    codes: (case,), rotors that have runs and a posterior of their own.
    """
    sensors, regimes = len(rotor.sensors), len(rotor.regimes)
    adjusters, blades = len(rotor.adjusters), len(rotor.blades)
    first = np.searchsorted(runs.rotor, codes)
    count = np.searchsorted(runs.rotor, codes, side="right") - first
    place = np.arange(int(count.max(initial=0)))
    row = np.where(place < count[:, None], first[:, None] + place, -1)
    pad = row < 0
    shape = (*row.shape, sensors, regimes)
    readings = runs.readings[row].reshape(shape)
    old = runs.epoch[row] < runs.epoch_now[codes][:, None, :]
    readings = np.where((pad[:, :, None] | old)[..., None], np.nan, readings)
    noise = coefficients.noise
    turn = np.array([blade_phasors(rotor, s.order) for s in rotor.sensors])
    amounts = np.where(pad[:, :, None, None], 0.0, runs.amounts[row])
    own = [coefficients.of(runs.serials[code]) for code in codes]
    mean = np.array([p.mean for p in own]).reshape(len(codes), sensors, regimes, adjusters)
    size = regimes * adjusters
    cov = np.array([p.joint for p in own]).reshape(len(codes), sensors, size, size)
    variance = np.einsum("csxx->csx", cov).real.reshape(mean.shape)
    known = np.isfinite(mean) & (variance > 0)
    return Cases(
        code=codes,
        row=row,
        starts=runs.starts[row] | pad,
        readings=readings,
        reading_var=noise.reading_var.reshape(sensors, regimes) / runs.repeats[row].reshape(shape),
        run_var=(noise.run_var_after(runs.moved) + runs.gusts(noise.run_var))[row].reshape(shape),
        moves=amounts[:, :, None] * turn.reshape(sensors, blades, 1),
        mean=mean,
        cov=cov,
        known=known,
        speaking=(
            np.ones((sensors, regimes))
            if noise.speaking is None
            else noise.speaking.reshape(sensors, regimes)
        ),
    )


def parts_since(cases: Cases, since: Whole) -> Array:
    """Return the moves from some runs on, (case, part, run, sensor, adjuster).

    since: (case, part), run from which moves count; one beyond the last run leaves none.
    """
    whole = cases.moves.sum(axis=3)
    later = np.arange(whole.shape[1]) >= since[:, :, None]
    return np.asarray(later[..., None, None] * whole[:, None])


def parts_by_blade(cases: Cases) -> Array:
    """Return each blade's moves alone, (case, blade, run, sensor, adjuster)."""
    return np.moveaxis(cases.moves, 3, 1)


def whiten(cases: Cases, parts: Array | None = None) -> Whitened:
    """Return unit rows: each reading less what its level was thought to be, over its sd.

    parts: (case, part, run, sensor, adjuster), moves to follow beside all of them. The level filter
    is that of `adapt.level`, with the coefficients kept apart. A move of an adjuster of which
    nothing is known cuts the level.
    """
    count, length, sensors, regimes = cases.readings.shape
    adjusters = cases.moves.shape[4]
    moved = cases.moves.sum(axis=3)[:, None]
    moved = moved if parts is None else np.concatenate([moved, parts], axis=1)
    moved = moved[:, :, :, :, None, :] * cases.known[:, None, None]
    unknown = np.asarray(~np.isfinite(cases.mean))
    cut = ((np.abs(cases.moves).sum(axis=3)[:, :, :, None] > 0) & unknown[:, None]).any(axis=4)
    read = np.asarray(~np.isnan(cases.readings))
    values = np.where(read, cases.readings, 0.0)

    rows = np.zeros((count, moved.shape[1], length, sensors, regimes, adjusters), dtype=complex)
    z = np.zeros(read.shape, dtype=complex)
    scale = np.ones(read.shape)
    live = np.zeros(read.shape, dtype=bool)
    offset = np.zeros((count, sensors, regimes), dtype=complex)
    slope = np.zeros((count, rows.shape[1], sensors, regimes, adjusters), dtype=complex)
    own_var = np.full(offset.shape, np.inf)
    for n in range(length):
        fresh_start = cases.starts[:, n, None, None]
        own_var = np.where(fresh_start | cut[:, n], np.inf, own_var + cases.run_var[:, n])
        slope += moved[:, :, n]
        begun = np.isinf(own_var)
        total = np.where(begun, 1.0, own_var) + cases.reading_var[:, n]
        follow = read[:, n] & ~begun & (total > 0)
        total = np.where(total > 0, total, 1.0)
        innovation = values[:, n] - offset
        live[:, n], scale[:, n] = follow, np.sqrt(total)
        z[:, n] = np.where(follow, innovation / scale[:, n], 0.0)
        rows[:, :, n] = np.where(follow, 1.0 / scale[:, n], 0.0)[:, None, ..., None] * slope
        gain = np.where(follow, np.where(begun, 0.0, own_var) / total, 0.0)
        gain = np.where(read[:, n] & begun, 1.0, gain)
        offset = offset + gain * np.where(read[:, n], innovation, 0.0)
        kept = np.where(begun, 0.0, 1.0 - gain)
        slope *= kept[:, None, ..., None]
        own_var = np.where(
            read[:, n], np.where(begun, 1.0, gain) * cases.reading_var[:, n], own_var
        )
    return Whitened(live, z, scale, rows)


def with_rest_of_fleet(cases: Cases, rows: Whitened) -> Cases:
    """Return cases whose prior is what the rest of the fleet says of each rotor: type plus spread.

    A rotor's posterior is that prior times the likelihood of its own rows, so taking the rows'
    information off the posterior's leaves the prior. Where nothing but the rotor's own runs informs
    a direction, its precision is a millionth of the posterior's.
    """
    count, sensors, regimes, adjusters = cases.mean.shape
    size = regimes * adjusters
    known = cases.known.reshape(count, sensors, size)
    both = known[..., :, None] & known[..., None, :]
    eye = np.eye(size)
    cov = np.where(both, cases.cov, 0.0) + eye * ~known[..., None]
    scale = np.sqrt(np.einsum("csxx->csx", cov).real)
    precision = np.linalg.inv(cov / (scale[..., :, None] * scale[..., None, :]))
    mean = np.where(known, cases.mean.reshape(known.shape), 0.0) / scale
    x = rows.x * scale.reshape(count, 1, sensors, regimes, adjusters)
    heard_as = x.conj() * cases.speaking[..., None]
    told = np.einsum("cnsra,cnsrb->csrab", heard_as, x)
    information = np.zeros_like(precision).reshape(
        count, sensors, regimes, adjusters, regimes, adjusters
    )
    at = np.arange(regimes)
    information[:, :, at, :, at, :] = np.moveaxis(told, 2, 0)
    left = precision - information.reshape(precision.shape)
    left = 0.5 * (left + np.swapaxes(left, -1, -2).conj())
    heard = np.einsum("cnsra,cnsr->csra", heard_as, rows.z).reshape(known.shape)
    right = np.einsum("csxy,csy->csx", precision, mean) - heard
    values, vectors = np.linalg.eigh(left)
    least = VAGUE * np.einsum("csxx->csx", precision).real.mean(axis=2)
    values = np.maximum(values, least[..., None])
    prior = (vectors / values[..., None, :]) @ np.swapaxes(vectors, -1, -2).conj()
    before = np.einsum("csxy,csy->csx", prior, right) * scale
    prior = np.where(both, prior * (scale[..., :, None] * scale[..., None, :]), 0.0)
    nothing = np.where(np.isfinite(cases.mean), 0.0, np.nan)
    before = np.where(cases.known, before.reshape(cases.mean.shape), nothing)
    return replace(cases, mean=before, cov=prior)
