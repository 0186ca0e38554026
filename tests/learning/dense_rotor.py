"""One rotor's readings at one sensor as one big normal law, written out from the model.

Slow on purpose: every reading a row, levels as columns, the walk built run by run. Nothing of the
learner is used but the variances that it found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from invented_fleet import Fleet

from adapt.coefficients import Coefficients
from adapt.effects import harmonic_sums
from adapt.log import History


@dataclass(frozen=True, eq=False)
class Readings:
    """y: (reading,); x: (reading, regime * adjuster), of the moves since the segment's first run.

    noise: (reading, reading), of walk and scatter; level: (reading, level) of 0 and 1; run:
    (reading,), the rotor's runs counted through its log; segment: (reading,).
    """

    y: np.ndarray
    x: np.ndarray
    noise: np.ndarray
    level: np.ndarray
    run: np.ndarray
    segment: np.ndarray


def readings_of(
    f: Fleet, log: History, c: Coefficients, serial: str, sensor: int, cuts: set[tuple[str, str]]
) -> Readings:
    """Return a rotor's readings at a sensor; levels start afresh after the runs named in `cuts`."""
    regimes, adjusters = f.rotor.regime_names, f.rotor.adjuster_names
    name, order = f.rotor.sensors[sensor].name, f.rotor.sensors[sensor].order
    table = log.readings[log.readings.sensor == name]
    told = {(r.job, r.run, r.regime): (r.value, r.repeats) for r in table.itertuples()}
    rows = []  # run, segment, steps since its start, regime, y, repeats, summed moves
    segment, steps, summed, last = -1, 0, np.zeros(len(adjusters), dtype=complex), None
    for run, r in enumerate(log.runs[log.runs.rotor == serial].itertuples()):
        if last is None or last[0] != r.job or last in cuts:
            segment, steps, summed = segment + 1, 0, np.zeros(len(adjusters), dtype=complex)
        else:
            amounts = np.zeros((len(f.rotor.blades), len(adjusters)))
            made = log.moves[(log.moves.job == r.job) & (log.moves.after_run == last[1])]
            for m in made.itertuples():
                amounts[f.rotor.blades.index(m.blade), adjusters.index(m.adjuster)] += m.amount
            steps, summed = steps + 1, summed + harmonic_sums(f.rotor, amounts, order)
        last = (r.job, r.run)
        for g, regime in enumerate(regimes):
            if (r.job, r.run, regime) in told:
                rows.append((run, segment, steps, g, *told[r.job, r.run, regime], summed))
    x = np.zeros((len(rows), len(regimes) * len(adjusters)), dtype=complex)
    noise = np.zeros((len(rows), len(rows)))
    for i, (_, one, far, g, _, repeats, summed) in enumerate(rows):
        x[i, g * len(adjusters) : (g + 1) * len(adjusters)] = summed
        j = sensor * len(regimes) + g
        noise[i, i] += c.noise.reading_var[j] / repeats
        for k, (_, other, also_far, h, *_) in enumerate(rows):
            if (one, g) == (other, h):
                noise[i, k] += c.noise.run_var[j] * min(far, also_far)
    keys = sorted({(row[1], row[3]) for row in rows})
    level = np.array([[(row[1], row[3]) == key for key in keys] for row in rows], dtype=float)
    return Readings(
        np.array([row[4] for row in rows]), x, noise, level, np.array([row[0] for row in rows]),
        np.array([row[1] for row in rows]),
    )  # fmt: skip


def log_density(r: Readings, factor: np.ndarray, mean: np.ndarray, cov: np.ndarray) -> float:
    """Return the log density of readings that are `factor` (reading,) times those of the model.

    mean, cov: of the coefficients. Levels flat, factors of modulus 1.
    """
    y = r.y / factor - r.x @ mean
    total = r.noise + r.x @ cov @ r.x.conj().T
    return flat_levels(y, total, r.level)


def flat_levels(y: np.ndarray, cov: np.ndarray, level: np.ndarray) -> float:
    """Return the log density of y ~ CN(level l, cov) with l flat, but for powers of pi."""
    inverse = np.linalg.inv(cov)
    inner = level.conj().T @ inverse @ level
    q = inverse - inverse @ level @ np.linalg.solve(inner, level.conj().T @ inverse)
    return float(-np.linalg.slogdet(cov)[1] - np.linalg.slogdet(inner)[1] - (y.conj() @ q @ y).real)


def type_without(
    f: Fleet, log: History, c: Coefficients, serial: str, sensor: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of a rotor's coefficients from the chart and the other rotors.

    At the variances and the spread of rotors that were learned (unseen less type).
    """
    regimes = len(f.rotor.regimes)
    spread = (c.unseen.joint - c.type_.joint)[sensor]
    at = slice(sensor * regimes, (sensor + 1) * regimes)
    information = np.diag(1.0 / (2.0 * f.chart.sd[at].ravel() ** 2)).astype(complex)
    right = information @ f.chart.mean[at].ravel()
    for other in log.runs.rotor.unique():
        if other == serial:
            continue
        r = readings_of(f, log, c, other, sensor, set())
        inverse = np.linalg.inv(r.noise + r.x @ spread @ r.x.conj().T)
        inner = r.level.T @ inverse @ r.level
        q = inverse - inverse @ r.level @ np.linalg.solve(inner, r.level.T @ inverse)
        information = information + r.x.conj().T @ q @ r.x
        right = right + r.x.conj().T @ q @ r.y
    cov = np.linalg.inv(information)
    return cov @ right, cov + spread
