"""Intervals from resampling whole jobs: readings of one job depend on each other, jobs hardly.

Source: Efron and Tibshirani, An Introduction to the Bootstrap (1993), ch. 6 and 14, from memory;
sds from the central 90 % of the resamples, and Student's t with one degree of freedom less than
jobs in place of the normal law, because jobs can be few.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import false_discovery_control, norm, t

__all__ = [
    "LEAST_JOBS",
    "MOST_SPREAD",
    "Ratio",
    "discoveries",
    "job_draws",
    "ratio_of",
    "spread_of",
]

Real = npt.NDArray[np.float64]
Sums = npt.NDArray[Any]
Scale = Literal["log", "plain", "share"]

LEAST_JOBS = 5  # fewer give no interval
RESAMPLES = 1000
SEED = 20260101
LEVEL = 0.95
MOST_SPREAD = 7.0  # of a log ratio: a factor of a thousand either way says nothing


@dataclass(frozen=True)
class Ratio:
    """A ratio of two sums over jobs, with its 95 % interval; NaN where jobs are too few.

    p: of the hypothesis that it is 1, two-sided.
    """

    value: float
    low: float
    high: float
    p: float

    def share_gone(self) -> tuple[float, float, float]:
        """Return 1 - ratio with its interval: of mean squares, the skill."""
        return 1.0 - self.value, 1.0 - self.high, 1.0 - self.low


@lru_cache(maxsize=8)
def job_draws(jobs: int) -> Real:
    """Return how often each job is drawn, (resample, job); seeded, the same for a number of jobs.

    >>> float(job_draws(7).sum(axis=1).max())
    7.0
    """
    rng = np.random.default_rng(SEED)
    return rng.multinomial(jobs, np.full(jobs, 1.0 / jobs), RESAMPLES).astype(float)


def ratio_of(top: Sums, bottom: Sums, scale: Scale = "log") -> Ratio:
    """Return sum(top) / sum(bottom) over jobs, (job,) each; jobs with nothing below are left out.

    scale: of the interval: "log" for ratios of mean squares, "plain" for means, "share" for shares
    of a count, kept within 0 and 1.

    >>> ratio_of(np.full(9, 2.0), np.full(9, 4.0))
    Ratio(value=0.5, low=0.5, high=0.5, p=0.0)
    """
    has = bottom > 0
    a, b = top[has], bottom[has]
    jobs = len(a)
    if not jobs:
        return Ratio(np.nan, np.nan, np.nan, np.nan)
    value = float(a.sum() / b.sum())
    if jobs < LEAST_JOBS or (scale == "log" and value <= 0.0):
        return Ratio(value, np.nan, np.nan, np.nan)
    draws = job_draws(jobs)
    drawn = (draws @ a) / (draws @ b)
    wide = float(t.ppf(0.5 + LEVEL / 2.0, jobs - 1))
    if scale != "log":
        reach = wide * float(spread_of(drawn))
        low, high = (0.0, 1.0) if scale == "share" else (-np.inf, np.inf)
        return Ratio(value, max(value - reach, low), min(value + reach, high), np.nan)
    with np.errstate(divide="ignore"):
        sd = float(spread_of(np.log(drawn)))
    if not wide * sd < MOST_SPREAD:
        return Ratio(value, np.nan, np.nan, np.nan)
    factor = float(np.exp(wide * sd))
    distance = abs(np.log(value))
    p = 1.0 if distance == 0.0 else 0.0 if sd == 0.0 else 2.0 * float(t.sf(distance / sd, jobs - 1))
    return Ratio(value, value / factor, value * factor, p)


def spread_of(values: Real) -> Real:
    """Return sds that a few degenerate resamples do not carry away, over the first axis.

    NaN where no resample has a value.
    """
    finite = np.where(np.isfinite(values), values, np.nan)
    none = np.isnan(finite).all(axis=0)
    low, high = np.nanpercentile(np.where(none, 0.0, finite), [5, 95], axis=0)
    return np.asarray(np.where(none, np.nan, (high - low) / (2.0 * norm.ppf(0.95))))


def discoveries(p: Real) -> Real:
    """Return p-values adjusted for how many were looked at, NaN staying NaN.

    Those at or under 0.05 are wrong in at most 5 % on average (Benjamini and Hochberg 1995; holds
    for channels that are positively dependent, Benjamini and Yekutieli 2001).
    """
    adjusted = np.full(p.shape, np.nan)
    told = ~np.isnan(p)
    if told.any():
        adjusted[told] = false_discovery_control(p[told], method="bh")
    return adjusted
