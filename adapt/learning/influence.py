"""How much single pairs weigh: each pair's leverage, and how far coefficients move without it.

For a specialist who asks which runs a rotor's coefficients rest on. From coefficients and their log
alone, at the variances that were learned; nothing is fitted again and nothing is held back.

With P the posterior covariance of a rotor's coefficients at one sensor and m their mean, Q the
inverse covariance of a segment's differences (neighbours share a run), and k the differences that
span one pair, what the pair says beside the rest of its segment is

    z = Q_kk^-1 (Q X)_k,   e = Q_kk^-1 (Q y)_k - z m,   variance v = Q_kk^-1

(' = conjugate transpose). Leverage is the mean of (z P z') / v: 1 where the coefficients follow
this pair alone, 0 where it counts for nothing. Taking it out moves the mean by

    m_without - m = -P z' (v - z P z')^-1 e

exactly as if the level had been cut there and the fleet solved again with the same variances, the
same weights of single runs (of a robust fit), the same shares of the type in L and D, and the same
angle of a moved reference. Cook's distance is the square of that move in terms of P, for each
coefficient.
Source: Cook and Weisberg, Residuals and Influence in Regression (Chapman and Hall 1982), section
3.5, with a prior and a known covariance of the rows; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.coefficients import Coefficients, Posterior, require_design
from adapt.learning.robust.kept_weights import weights_in
from adapt.learning.rows.pairs import MOVED
from adapt.learning.rows.runs import Runs, history_of, runs_of
from adapt.learning.sensed import Sensed, differences, sensed
from adapt.rotor import Rotor

__all__ = ["influence"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

COLUMNS = (
    "rotor", "job", "after_run", "sensor", "leverage", "distance", "regime", "adjuster", "real",
    "imag", "sds",
)  # fmt: skip
ALONE = 1e-9  # 1 - leverage: below this the pair is all that is known, and nothing is left without


def influence(
    coefficients: Coefficients, rotor: Rotor, log: Any, serial: str | None = None
) -> pd.DataFrame:
    """Return how much every pair that taught weighs, at each sensor, the heaviest first.

    log: the log that the coefficients were learned from (or its path, or its history). serial: one
    rotor; all of the log when absent. Columns: rotor, job, after_run, sensor (None = track),
    leverage (0..1), distance (Cook's, at the learned variances: about 1 moves every coefficient by
    its own standard deviation), and the coefficient that would move most without the pair: regime,
    adjuster, real and imag of its move (lag) [unit of the reading for one unit of the adjuster],
    sds: the size of that move in standard deviations of one component. distance and what follows
    are NaN where nothing would be known without the pair.
    Left out: pairs that did not teach (held back, or newer), pairs before a frame or hardware
    change (they speak of the rotor as it was), and readings whose moves rest on a coefficient that
    is not known.
    Raises BadInput when the log cannot be read or the coefficients are of another rotor file.
    """
    require_design(coefficients, rotor)
    history = history_of(rotor, log)
    runs = runs_of(rotor, history)
    changed = history.events[history.events["kind"] == "hardware changed"]
    changes = set(zip(changed["job"].astype(str), changed["after_run"].astype(str), strict=True))
    weights = weights_in(coefficients.origin, runs)
    tables = sensed(rotor, runs, coefficients.noise, weights)
    rows: list[tuple[Any, ...]] = []
    for code in np.unique(runs.rotor):
        name = runs.serials[code]
        if serial is not None and name != serial:
            continue
        mine = np.flatnonzero(runs.rotor == code)
        known = coefficients.of(name)
        for low, high in _segments(runs, mine, coefficients, changes):
            for table in tables:
                rows += _of_segment(table, rotor, runs, known, low, high)
    found = pd.DataFrame(rows, columns=list(COLUMNS))
    found = found.astype(dict.fromkeys(("leverage", "distance", "real", "imag", "sds"), float))
    order = ["distance", "leverage"]
    return found.sort_values(order, ascending=False, kind="stable", ignore_index=True)


def _segments(
    runs: Runs,
    mine: npt.NDArray[np.int64],
    coefficients: Coefficients,
    changes: set[tuple[str, str]],
) -> Iterator[tuple[int, int]]:
    """Yield the segments of a rotor that teach what it is now: first run and one past the last."""
    taught = np.array([runs.pair[k] in coefficients.taught for k in mine], dtype=bool)
    starts = runs.starts[mine] | ~taught
    last = max(
        (n for n, k in enumerate(mine) if (runs.jobs[runs.job[k]], runs.names[k]) in changes),
        default=-1,
    )
    bounds = np.append(np.flatnonzero(starts), len(mine))
    for low, high in pairwise(bounds.tolist()):
        if high - low > 1 and low > last:
            yield int(mine[low]), int(mine[high - 1]) + 1


def _of_segment(
    sensor: Sensed, rotor: Rotor, runs: Runs, posterior: Posterior, low: int, high: int
) -> Iterator[tuple[Any, ...]]:
    """Yield a row of the table for each pair of a segment."""
    if sensor.earlier[low:high].any():
        return
    mean, cov = _known_of(sensor, posterior)
    known = ~np.isnan(mean)
    m, p = np.where(known, mean, 0.0), np.where(known[:, None] & known, cov, 0.0)
    sd = np.sqrt(np.maximum(np.diag(p).real, 0.0) / (1 if sensor.at is None else 2))
    free = max(int((sd > 0).sum()), 1)
    told = [_alone(sensor, low, high, regime, known) for regime in range(sensor.read.shape[1])]
    adjusters = len(rotor.adjusters)
    name = None if sensor.at is None else rotor.sensors[sensor.at].name
    for run in range(low + 1, high):
        z = np.concatenate([t.z[t.spans(run)] for t in told])
        if not len(z):
            continue
        v = np.concatenate([t.v[t.spans(run)] for t in told])
        error = np.concatenate([t.y[t.spans(run)] for t in told]) - z @ m
        inside = z @ p @ z.conj().T
        leverage = float(np.mean(np.diag(inside).real / v))
        label = (runs.serials[runs.rotor[run]], runs.jobs[runs.job[run]], runs.names[run - 1], name)
        root = 1.0 / np.sqrt(v)
        left = np.eye(len(v)) - root[:, None] * inside * root
        if np.linalg.eigvalsh(left)[0] < ALONE:
            yield (*label, leverage, np.nan, None, None, np.nan, np.nan, np.nan)
            continue
        pull = root * np.linalg.solve(left, root * error)
        change = -p @ z.conj().T @ pull
        distance = float((pull.conj() @ inside @ pull).real / free)
        sds = np.where(sd > 0, np.abs(change) / np.where(sd > 0, sd, 1.0), 0.0)
        most = int(sds.argmax())
        where = rotor.regime_names[most // adjusters], rotor.adjuster_names[most % adjusters]
        moved = complex(change[most])
        yield (*label, leverage, distance, *where, moved.real, moved.imag, float(sds[most]))


def _known_of(sensor: Sensed, posterior: Posterior) -> tuple[Array, Array]:
    """Return mean and covariance of a sensor's coefficients, regime by regime."""
    if sensor.at is None:
        return posterior.track_mean.ravel(), posterior.track_joint[0]
    mean = posterior.mean.reshape(len(posterior.joint), -1)
    return mean[sensor.at], posterior.joint[sensor.at]


@dataclass(frozen=True, eq=False)
class _Alone:
    """What each difference of one regime says beside the rest of its segment.

    z: (row, coefficient), y: (row,), v: (row,); first, last: (row,), the runs that it lies between.
    """

    z: Array
    y: Array
    v: Real
    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]

    def spans(self, run: int) -> Truth:
        """Return which rows span the pair that ends at a run."""
        return np.asarray((self.first < run) & (run <= self.last))


def _alone(sensor: Sensed, low: int, high: int, regime: int, known: Truth) -> _Alone:
    """Return a regime's differences of one segment; known: (coefficient,)."""
    told = differences(sensor, low, high, regime)
    regimes, parts = sensor.read.shape[1:]
    adjusters = sensor.moves.shape[2]
    pairs = len(told.first)
    inverse = np.linalg.inv(told.v)
    own = 1.0 / np.diag(inverse)
    z = own[:, None, None] * np.einsum("kl,lpa->kpa", inverse, told.x)
    says = own[:, None] * np.einsum("kl,lp->kp", inverse, told.y)
    place = slice(regime * adjusters, (regime + 1) * adjusters)
    whole = np.zeros((pairs, parts, regimes * adjusters), dtype=z.dtype)
    whole[..., place] = z
    sure = ~(np.abs(whole[..., ~known]) > MOVED).any(axis=(1, 2))
    return _Alone(
        z=whole[sure].reshape(-1, regimes * adjusters),
        y=says[sure].reshape(-1),
        v=np.repeat(own[sure], parts),
        first=np.repeat(told.first[sure], parts),
        last=np.repeat(told.last[sure], parts),
    )
