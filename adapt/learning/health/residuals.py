"""Recursive residuals: each run's innovation given everything of that rotor before it.

A sensor's regimes are taken in together, run by run, from the prior of the rest of the fleet, at
the learned variances. If the rotor answers as it always did, whitened residuals are independent
with E|w|^2 = 1 for each channel (channels of one run still share gusts: `Noise.correlation`).

Source: Brown, Durbin and Evans, Techniques for testing the constancy of regression relationships
over time, Journal of the Royal Statistical Society B 37 (1975) 149, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, require_design
from adapt.learning.health.cases import Cases, cases_of, rotors_of, that_count
from adapt.learning.health.rows import Whitened, whiten, with_rest_of_fleet
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = ["Residuals", "Walk", "recursive_residuals", "walk"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

CHUNK = 64  # rotors at a time


@dataclass(frozen=True, eq=False)
class Residuals:
    """Recursive residuals of runs, NaN where a run has none in a channel.

    innovation: (run, channel), complex, in the sensor's unit: reading less its prediction from the
    runs before. sd: (run, channel), its standard deviation per component. whitened: (run, channel),
    complex, E|w|^2 = 1: given also the regimes of the same sensor that stand before it in the run.
    """

    innovation: Array
    sd: Real
    whitened: Array


@dataclass(frozen=True, eq=False)
class Walk:
    """What walking through the runs of cases gives.

    innovation, whitened: (case, run, sensor, regime), 0 where there is none; variance: likewise, of
    the innovation over the squared scale of its row. directions: (case, run, sensor, regime, part,
    adjuster), what whitened residuals would have in them if the moves of a part, of one adjuster at
    one sensor, had acted by 1 + g times as much, for each unit of g. begins: (part,), rows before
    which no case has anything of this part or a later one.
    """

    innovation: Array
    variance: Real
    whitened: Array
    directions: Array
    begins: Whole


def recursive_residuals(
    rotor: Rotor, runs: Runs, coefficients: Coefficients, renewed: Truth | None = None
) -> Residuals:
    """Return the recursive residuals of all runs at the learned variances.

    Pairs that did not teach the coefficients (held back as suspects, or later) have none, nor have
    readings in a frame that no longer holds or of hardware since changed. renewed: (run,), see
    `find_changes`.
    Raises BadInput when the coefficients are of another rotor file.
    """
    require_design(coefficients, rotor)
    runs = that_count(runs, coefficients, renewed)
    shape = runs.readings.shape
    innovation, whitened = (np.full(shape, np.nan + 0j, dtype=complex) for _ in range(2))
    sd = np.full(shape, np.nan)
    codes = rotors_of(runs, coefficients)
    for first in range(0, len(codes), CHUNK):
        cases = cases_of(rotor, runs, coefficients, codes[first : first + CHUNK])
        rows = whiten(cases)
        found = walk(with_rest_of_fleet(cases, rows), rows, directions=False)
        real = cases.row >= 0
        at = cases.row[real]
        live = rows.live[real].reshape(len(at), -1)
        for target, values in (
            (innovation, found.innovation * rows.scale),
            (whitened, found.whitened),
            (sd, np.sqrt(0.5 * found.variance) * rows.scale),
        ):
            target[at] = np.where(live, values[real].reshape(len(at), -1), np.nan)
    return Residuals(innovation, sd, whitened)


def walk(cases: Cases, rows: Whitened, directions: bool = True) -> Walk:
    """Walk through the runs of all cases at once: predict each, then take it in.

    cases: with the priors to start from; rows: of the same cases. A direction is built on the
    coefficients as they were known before its run, so that it owes nothing to the run's own error.
    Directions are kept in single precision, far finer than the scatter of any test.
    """
    count, length, sensors, regimes, adjusters = rows.x.shape
    parts = rows.parts.shape[1] if directions else 0
    size = regimes * adjusters
    mean = np.where(cases.known, cases.mean, 0.0)
    cov = cases.cov.copy()
    begins = _begins(rows.parts[:, :parts])
    followed = np.searchsorted(begins, np.arange(length), side="right") * adjusters
    leaned = np.zeros((count, sensors, size, parts * adjusters), dtype=np.complex64)
    innovation = np.zeros(rows.z.shape, dtype=complex)
    whitened = np.zeros_like(innovation)
    variance = np.ones(rows.z.shape)
    expected = np.zeros((count, length, sensors, regimes, parts * adjusters), dtype=np.complex64)
    eye = np.eye(regimes)
    unsure = eye / cases.speaking[..., None]
    whole = bool((cases.speaking == 1.0).all())
    for n in range(length):
        x = rows.x[:, n]
        reach = np.einsum("csxra,csra->csxr", cov.reshape(*cov.shape[:3], regimes, -1), x.conj())
        spread = np.einsum(
            "csra,csraq->csrq", x, reach.reshape(count, sensors, regimes, adjusters, regimes)
        )
        turn = np.linalg.inv(np.linalg.cholesky(spread + eye))
        # Regimes of a run share noise, so their word teaches less than it predicts.
        hear = turn if whole else np.linalg.inv(np.linalg.cholesky(spread + unsure))
        gain = reach @ np.swapaxes(hear, -1, -2).conj()
        error = rows.z[:, n] - np.einsum("csra,csra->csr", x, mean)
        white = np.einsum("csrq,csq->csr", turn, error)
        innovation[:, n], whitened[:, n] = error, white
        variance[:, n] = 1.0 + np.einsum("csrr->csr", spread).real
        if followed[n]:
            now = slice(0, int(followed[n]))
            part = np.moveaxis(rows.parts[:, : now.stop // adjusters, n], 1, 3).astype(np.complex64)
            part = part * mean.astype(np.complex64)[:, :, :, None, :]
            part = part.reshape(count, sensors, regimes, now.stop)
            absorbed = x.astype(np.complex64)[..., None, :] @ leaned[..., now].reshape(
                count, sensors, regimes, adjusters, now.stop
            )
            part -= absorbed[..., 0, :]
            told = turn.astype(np.complex64) @ part
            expected[:, n, :, :, now] = told
            heard = told if whole else hear.astype(np.complex64) @ part
            leaned[..., now] += gain.astype(np.complex64) @ heard
        mean = mean + (gain @ (hear @ error[..., None])).reshape(mean.shape)
        cov = cov - gain @ np.swapaxes(gain, -1, -2).conj()
    shape = (count, length, sensors, regimes, parts, adjusters)
    return Walk(innovation, variance, whitened, expected.reshape(shape), begins)


def _begins(parts: Array) -> Whole:
    """Return rows before which no case has anything of a part or a later one, (part,), rising."""
    length = parts.shape[2]
    some = (parts != 0).any(axis=(0, 3, 4, 5))
    first = np.where(some.any(axis=1), some.argmax(axis=1), length)
    return np.asarray(np.minimum.accumulate(first[::-1])[::-1], dtype=np.int64)
