"""How the unexplained parts of the channels move together: gusts, weight, wind.

One correlation for run-to-run change and reading scatter alike, from the rows' residuals over all
rotors, shrunk towards none by what sampling alone would show (Schaefer and Strimmer, Statistical
Applications in Genetics and Molecular Biology 4 (2005) 32, target identity, from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.fitting.fleet import Fleet
from adapt.learning.fitting.noise import Variances
from adapt.learning.kernel.model import scaled_errors
from adapt.learning.rows.table import Table

__all__ = ["channel_correlation", "speaking_by_sensor", "speaking_share"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

CLIPPED = 3.0  # sds: a wrong entry is no correlation
FEWEST_ROWS = 3  # rows that two channels must share
CHUNK = 20000  # rows at a time


def channel_correlation(table: Table, variances: Variances, fleet: Fleet) -> Complex:
    """Return E[e_j conj(e_k)] of unit errors, (channel, channel), positive semi-definite."""
    channels = table.rows.live.shape[1]
    shared, product = np.zeros((channels, channels)), np.zeros((channels, channels), dtype=complex)
    rows, own = table.rows, fleet.own
    over = np.where(table.fixed, 0.0, 1.0 / table.scale)
    for first in range(0, len(rows.unit), CHUNK):
        live = rows.live[first : first + CHUNK].astype(float)
        z = np.zeros(live.shape, own.mean.dtype)
        scaled_errors(
            first, rows.unit, rows.live, rows.lam, rows.x, rows.d, over, own.mean, own.cov,
            variances.run_var, variances.reading_var, CLIPPED, z,
        )  # fmt: skip
        shared += live.T @ live
        product += z.T @ z.conj()
    product = product / np.maximum(shared, 1.0)
    size = np.sqrt(np.maximum(np.einsum("jj->j", product).real, 1e-300))
    raw = np.where(shared >= FEWEST_ROWS, product / (size[:, None] * size), 0.0)
    off = ~np.eye(len(raw), dtype=bool)
    square = np.abs(raw) ** 2
    by_chance = np.where(shared >= FEWEST_ROWS, (1.0 - np.minimum(square, 1.0)) ** 2, 0.0)
    by_chance = by_chance / np.maximum(shared, 1.0)
    power = square[off].sum()
    keep = 1.0 - min(1.0, by_chance[off].sum() / power) if power > 0 else 0.0
    shrunk = np.where(off, keep * raw, 1.0)
    values, vectors = np.linalg.eigh(0.5 * (shrunk + shrunk.conj().T))
    fixed = (vectors * np.maximum(values, 1e-6)) @ vectors.conj().T
    scale = np.sqrt(np.einsum("jj->j", fixed).real)
    result: Complex = np.asarray(fixed / (scale[:, None] * scale), dtype=complex)
    return result


def speaking_share(correlation: npt.NDArray[Any]) -> float:
    """Return the share of the channels that speaks for itself: channels / sum of |correlation|^2.

    1 when channels are independent, 1 / channels when all say the same.
    """
    return float(len(correlation) / (np.abs(correlation) ** 2).sum())


def speaking_by_sensor(correlation: npt.NDArray[Any], variances: Variances, groups: int) -> Real:
    """Return the share of each channel's word that counts where its sensor's regimes teach alike.

    correlation: (channel, channel). Regimes of one run share gusts, weight and wind. What they say
    of a share common to all of them has the variance that independent ones would have, times the
    design effect sum_gh a_g conj(a_h) P_gh / sum |a_g|^2 with a = L / sd (Kish, Survey Sampling,
    1965, for the name; magnitude adjustment of a composite likelihood: Ribatet, Cooley and Davison,
    Statistica Sinica 22 (2012) 813; both from memory). Its largest over the adjusters is taken, so
    that an interval is rather too wide. Shape (channel,), at most 1.
    """
    channels, adjusters = variances.spread.loading.shape
    regimes = channels // max(groups, 1)
    lean = variances.spread.loading / np.sqrt(variances.run_var + variances.reading_var)[:, None]
    lean = lean.reshape(groups, regimes, adjusters)
    at = np.arange(groups)
    own = correlation.reshape(groups, regimes, groups, regimes)[at, :, at, :]
    effect = np.einsum("sga,sgh,sha->sa", lean.conj(), own, lean).real
    power = np.maximum((np.abs(lean) ** 2).sum(axis=1), 1e-300)
    worst = np.maximum((effect / power).max(axis=1, initial=1.0), 1.0)
    return np.repeat(1.0 / worst, regimes)
