"""The noise that readings are expected to have before the log shows it.

What the rotor file states (`reading_sd`, `run_to_run_sd`, of track `track_reading_sd` and
`track_run_to_run_sd`), else a share of the limit, else a number of the trade. How much the log then
moves it stands in `noise`; for track, whose few early rows say little of each regime, here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.learning.fitting.noise import NOISE_WEIGHT, Center, Variances
from adapt.learning.rows.pairs import Rows
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = [
    "FALLBACK_SHARE",
    "expected_noise",
    "expected_track_noise",
    "track_noise",
    "typical_size",
]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]

FALLBACK_SHARE = 0.05  # of the limit, per component: noise expected when nothing else is known
FALLBACK_NOISE = {"ips": 0.01, "mm/s": 0.25, "g": 0.01}  # per component, when there is no limit
# Of one blade's height, when track has no limit (common practice, no source).
FALLBACK_TRACK = {"mm": 1.0, "cm": 0.1, "in": 0.04, "inch": 0.04, "inches": 0.04}
FALLBACK_OF_HEIGHTS = 0.2  # of the rms of heights, in any other unit
# Degrees of freedom with which a regime's track noise is expected to be that of all regimes: one
# tracker reads them all, so their sds are taken to agree within about a fifth.
TRACK_WEIGHT = 12.0


def expected_noise(rotor: Rotor) -> tuple[Center, Truth]:
    """Return the noise expected of each channel, and where the rotor file states all of it."""
    limits = [x.limit for x in rotor.limits if x.sensor is not None]
    run_var, reading_var, stated = [], [], []
    for name, regime in rotor.channels:
        sensor = rotor.sensor(name)
        limit = rotor.limit_for(name, regime)
        if limit is not None:
            fallback = FALLBACK_SHARE * limit.limit
        elif any(
            rotor.sensor(x.sensor or "").unit == sensor.unit for x in rotor.limits if x.sensor
        ):
            fallback = FALLBACK_SHARE * float(np.median(limits))
        else:
            fallback = FALLBACK_NOISE[sensor.unit]
        run_sd, reading_sd, both = _stated(sensor.run_to_run_sd, sensor.reading_sd, fallback)
        run_var.append(2.0 * run_sd**2)
        reading_var.append(2.0 * reading_sd**2)
        stated.append(both)
    return Center(np.array(run_var), np.array(reading_var)), np.array(stated, dtype=bool)


def expected_track_noise(rotor: Rotor, runs: Runs, chart: Chart | None) -> tuple[Center, Truth]:
    """Return the same for the heights of each regime, real.

    Without a limit in a regime that of the other regimes stands in, and without any the unit's
    number; in a unit without one, a share of the rms of the heights read, or else of the chart's.
    """
    limits = [rotor.limit_for(None, name) for name in rotor.regime_names]
    known = [x.limit for x in limits if x is not None]
    if known:
        usual = FALLBACK_SHARE * float(np.median(known))
    else:
        usual = FALLBACK_TRACK.get(str(rotor.track_unit).casefold(), 0.0) or (
            FALLBACK_OF_HEIGHTS * _size_of_heights(runs, chart)
        )
    run_sd, reading_sd, stated = [], [], []
    for limit in limits:
        fallback = usual if limit is None else FALLBACK_SHARE * limit.limit
        run, reading, both = _stated(rotor.track_run_to_run_sd, rotor.track_reading_sd, fallback)
        run_sd.append(run)
        reading_sd.append(reading)
        stated.append(both)
    return (
        Center(np.array(run_sd) ** 2, np.array(reading_sd) ** 2),
        np.array(stated, dtype=bool),
    )


def track_noise(variances: Variances, rows: Rows, stated: Truth) -> Variances:
    """Return the variances with the noise of each regime as it is expected of a next run.

    With T = q + 2 r a scaled inverse chi-square beforehand, a regime's n rows of mean square s
    beside w degrees of freedom about T0 have the mode (w T0 + n s) / (w + n), found by the search
    at w = NOISE_WEIGHT, and the mean (w T0 + n s) / (w + n - 2): what a next run's variance is
    expected to be while T itself is uncertain (Gelman and others, Bayesian Data Analysis, 3rd ed.,
    section 2.6, from memory). Given here at w = TRACK_WEIGHT. What the rotor file states stays as
    it was found.
    """
    center = variances.center
    if center is None:
        return variances
    moved = (rows.moved.sum(axis=0) > 0).sum(axis=1)
    free = np.maximum(rows.live.sum(axis=0) - moved, 0.0)
    found, about = NOISE_WEIGHT + free, TRACK_WEIGHT - NOISE_WEIGHT
    total = TRACK_WEIGHT + free - 2.0

    def mean(now: Real, before: Real) -> Real:
        return np.where(stated, now, (found * now + about * before) / total)

    return replace(
        variances,
        run_var=mean(variances.run_var, center.run_var),
        reading_var=mean(variances.reading_var, center.reading_var),
    )


def typical_size(values: Array) -> Real:
    """Return the rms of each column over what was read, 0 where nothing was."""
    square = np.where(np.isnan(values), 0.0, np.abs(values) ** 2)
    count = np.maximum((~np.isnan(values)).sum(axis=0), 1)
    result: Real = np.sqrt(square.sum(axis=0) / count)
    return result


def _stated(run: float | None, reading: float | None, fallback: float) -> tuple[float, float, bool]:
    """Return run-to-run and reading sd, one standing in for the other, and whether both are known.

    fallback: for both, where neither is.
    """
    known = [s for s in (reading, run) if s is not None]
    other = known[0] if known else fallback
    return (
        other if run is None else run,
        other if reading is None else reading,
        len(known) == 2,
    )


def _size_of_heights(runs: Runs, chart: Chart | None) -> float:
    """Return the rms of the heights read, or of the chart's effects of one unit, or 1."""
    read = typical_size(runs.heights.reshape(-1, 1))[0]
    if read > 0:
        return float(read)
    effects = np.zeros(0) if chart is None else chart.track_mean[chart.track_mean != 0]
    return float(np.sqrt(np.mean(effects**2))) if effects.size else 1.0
