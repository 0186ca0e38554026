"""Recursive residuals against statsmodels' RecursiveLS, on the real model that says the same.

Source: statsmodels (Seabold and Perktold, Proc. 9th Python in Science Conf. 2010),
`statsmodels.regression.recursive_ls.RecursiveLS`, attribute `resid_recursive` (standardised). A
complex row is two real ones; the prior is rows of unit variance before the first; the covariance of
readings that share runs is removed by the Cholesky factor of what it is by definition.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor
from scipy.linalg import cholesky, solve_triangular
from statsmodels.regression.recursive_ls import RecursiveLS

from adapt.coefficients import Coefficients
from adapt.learning.fitting.learner import fit
from adapt.learning.health import recursive_residuals
from adapt.learning.rows.runs import Runs, runs_of, vibration_moves

SENSORS, REGIMES, ADJUSTERS = 2, 3, 2


def real(matrix: np.ndarray) -> np.ndarray:
    """Return complex rows as pairs of real ones, columns as (real, imaginary) blocks of pairs."""
    rows, columns = matrix.shape
    result = np.empty((2 * rows, 2 * columns))
    result[0::2, 0::2], result[0::2, 1::2] = matrix.real, -matrix.imag
    result[1::2, 0::2], result[1::2, 1::2] = matrix.imag, matrix.real
    return result


def log_rows(
    runs: Runs, x: np.ndarray, members: np.ndarray, channel: int, q: float, r: float
) -> dict[int, tuple[np.ndarray, complex]]:
    """Return by run the whitened moves and change of one channel of one segment.

    Every reading against the first of the segment: covariance q min(steps) + r (1 + same run).
    """
    read = [k for k in members if not np.isnan(runs.readings[k, channel])]
    if len(read) < 2:
        return {}
    first, later = read[0], np.array(read[1:])
    steps = later - first
    cov = q * np.minimum.outer(steps, steps) + r * (1.0 + np.eye(len(later)))
    moved = np.array([x[first + 1 : k + 1].sum(axis=0) for k in later])
    change = runs.readings[later, channel] - runs.readings[first, channel]
    root = cholesky(cov, lower=True)
    white = solve_triangular(root, np.column_stack([moved, change]), lower=True)
    return {int(k): (row[:-1], complex(row[-1])) for k, row in zip(later, white, strict=True)}


def rows_of(
    f: Fleet, runs: Runs, c: Coefficients, code: int, sensor: int
) -> tuple[list[tuple[int, int]], np.ndarray, np.ndarray]:
    """Return a rotor's whitened rows at a sensor: (run, channel), design and values, in order."""
    x = vibration_moves(f.rotor, runs)[0]
    channels = range(sensor * REGIMES, (sensor + 1) * REGIMES)
    mine = np.flatnonzero(runs.rotor == code)
    bounds = [*np.flatnonzero(runs.starts[mine]), len(mine)]
    rows = {}
    for low, high in pairwise(bounds):
        for j in channels:
            found = log_rows(runs, x, mine[low:high], j, c.noise.run_var[j], c.noise.reading_var[j])
            rows |= {(k, j): row for k, row in found.items()}
    order = sorted(rows)
    design = np.zeros((len(order), REGIMES * ADJUSTERS), dtype=complex)
    for n, (k, j) in enumerate(order):
        at = (j - channels.start) * ADJUSTERS
        design[n, at : at + ADJUSTERS] = rows[k, j][0]
    return order, design, np.array([rows[key][1] for key in order])


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_recursive_residuals_are_those_of_recursive_least_squares(missing: float) -> None:
    rotor = invented_rotor(4, SENSORS, REGIMES, ADJUSTERS, track=False)
    f = fleet(np.random.default_rng(3), rotor, rotors=4, jobs=3, runs=5, missing=missing)
    runs = runs_of(f.rotor, f.history)
    c, _, _ = fit(f.rotor, runs, f.chart)
    c = replace(c, noise=replace(c.noise, speaking=None))
    code, size = 2, REGIMES * ADJUSTERS
    # The prior is that of an unseen rotor; the posterior is made here by plain least squares.
    expected: dict[tuple[int, int], complex] = {}
    mean, joint = c.unseen.mean.copy(), c.unseen.joint.copy()
    for sensor in range(SENSORS):
        order, design, values = rows_of(f, runs, c, code, sensor)
        channels = slice(sensor * REGIMES, (sensor + 1) * REGIMES)
        # Prior c ~ CN(mean, cov): rows of unit variance, L^-1 c = L^-1 mean.
        head = np.linalg.inv(np.linalg.cholesky(c.unseen.joint[sensor]))
        design = np.vstack([head, design])
        values = np.concatenate([head @ c.unseen.mean[channels].ravel(), values])
        endog = np.column_stack([values.real, values.imag]).ravel()
        residual = RecursiveLS(endog, real(design)).fit().resid_recursive[2 * size :]
        pairs = residual.reshape(-1, 2)
        expected |= {key: complex(a, b) for key, (a, b) in zip(order, pairs, strict=True)}
        mean[channels] = np.linalg.lstsq(design, values, rcond=None)[0].reshape(REGIMES, ADJUSTERS)
        joint[sensor] = np.linalg.inv(design.conj().T @ design)
    own = replace(c.unseen, mean=mean, joint=joint)
    c = replace(c, rotors={**c.rotors, runs.serials[code]: own})
    found = recursive_residuals(f.rotor, runs, c).whitened
    assert len(expected) == np.isfinite(found[runs.rotor == code]).sum() > 30
    for (k, j), value in expected.items():
        assert found[k, j] == pytest.approx(value, rel=1e-8, abs=1e-8)
