"""Whether stated intervals and chances hold: coverage, reliability, Brier score.

A stated chance is right when, of the occasions it was stated, as many came true. Sources: Brier,
Monthly Weather Review 78 (1950); its parts: Murphy, Journal of Applied Meteorology 12 (1973); both
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.outcomes.resampling import SEED, job_draws, ratio_of, spread_of

__all__ = ["BINS", "Brier", "band", "bin_of", "brier", "by_experience", "coverage", "reliability"]

Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Sums = npt.NDArray[Any]

BINS = (0.0, 0.02, 0.1, 0.25, 0.4, 0.55, 0.7, 0.8, 0.9, 0.97, 1.0)
LEVELS = (0.5, 0.8, 0.9, 0.95, 0.99)
DRAWS = 4000

_COVERAGE = ["of", "experience", "level", "readings", "jobs", "share", "low", "high"]
_RELIABILITY = [
    "of", "stated_from", "stated_to", "number", "jobs", "stated", "came_true", "low", "high",
]  # fmt: skip
_BY_EXPERIENCE = [
    "of", "experience", "number", "jobs", "stated", "came_true", "low", "high", "brier", "if_right",
]  # fmt: skip


@dataclass(frozen=True)
class Brier:
    """The mean square of stated chance minus what came (1 or 0), lower is better.

    score = reliability - resolution + uncertainty + rest (of chances within one bin). if_right:
    what it would be on average were every chance right. low, high: 95 % of the score, from
    resampled jobs, NaN where they are few. number: of chances.
    """

    number: int
    score: float
    low: float
    high: float
    if_right: float
    reliability: float
    resolution: float
    uncertainty: float
    rest: float


def bin_of(stated: npt.ArrayLike) -> Whole:
    """Return the number of the bin that each stated chance falls in.

    >>> bin_of([0.0, 0.5, 1.0]).tolist()
    [0, 4, 9]
    """
    return np.clip(np.digitize(np.asarray(stated), BINS) - 1, 0, len(BINS) - 2)


def band(stated: Real, at: Whole, draws: int = DRAWS) -> tuple[Whole, Real, Real]:
    """Return bins, and low and high of a simultaneous 95 % band of the shares that come true.

    stated: (occasion,), at: (occasion,) the bin of each; occasions are taken as independent. The
    quantile is that of the largest standardised deviation, simulated.
    """
    rng = np.random.default_rng(SEED)
    bins, place = np.unique(at, return_inverse=True)
    number = np.bincount(place).astype(float)
    mean = np.bincount(place, stated) / number
    sd = np.sqrt(np.bincount(place, stated * (1.0 - stated))) / number
    sd = np.maximum(sd, 1e-9)
    largest = np.empty(draws)
    for draw in range(draws):
        came = rng.random(len(stated)) < stated
        share = np.bincount(place, came) / number
        largest[draw] = np.abs((share - mean) / sd).max()
    reach = float(np.quantile(largest, 0.95))
    return bins, np.maximum(mean - reach * sd, 0.0), np.minimum(mean + reach * sd, 1.0)


def brier(stated: Real, came: npt.NDArray[np.bool_], job: Whole | None = None) -> Brier:
    """Return the Brier score of stated chances, (occasion,) each, with its parts.

    job: (occasion,) what is resampled as a whole; None = each by itself.
    """
    at = bin_of(stated)
    miss = (stated - came) ** 2
    score, overall = float(miss.mean()), float(came.mean())
    reliability = resolution = 0.0
    for b in np.unique(at):
        here = at == b
        share = came[here].mean()
        reliability += float(here.mean() * (stated[here].mean() - share) ** 2)
        resolution += float(here.mean() * (share - overall) ** 2)
    uncertainty = overall * (1.0 - overall)
    place = np.arange(len(stated)) if job is None else np.unique(job, return_inverse=True)[1]
    within = ratio_of(np.bincount(place, miss), np.bincount(place), scale="share")
    return Brier(
        number=len(stated),
        score=score,
        low=within.low,
        high=within.high,
        if_right=float((stated * (1.0 - stated)).mean()),
        reliability=reliability,
        resolution=resolution,
        uncertainty=uncertainty,
        rest=score - (reliability - resolution + uncertainty),
    )


def coverage(predictions: pd.DataFrame) -> pd.DataFrame:
    """Return how often readings fell inside regions stated for them, by level and experience.

    predictions: of one method, with of ("vibration" or "track"), experience, job and tail (the
    chance of a reading at least as far from the prediction, NaN where none was stated). Columns:
    of, experience (None = all), level, readings, jobs, share, low, high (95 %, resampled jobs).
    """
    rows = []
    told = predictions[predictions["tail"].notna()]
    for of, part in told.groupby("of", sort=False):
        groups = [(None, part), *part.groupby("experience", sort=True, observed=True)]
        for experience, some in groups:
            job = pd.factorize(some["job"])[0]
            number = np.bincount(job).astype(float)
            for level in LEVELS:
                inside = np.bincount(job, some["tail"].to_numpy() >= 1.0 - level)
                share = ratio_of(inside.astype(float), number, scale="share")
                rows.append(
                    (of, experience, level, len(some), len(number), share.value, share.low,
                     share.high)
                )  # fmt: skip
    return pd.DataFrame(rows, columns=_COVERAGE)


def reliability(chances: pd.DataFrame) -> pd.DataFrame:
    """Return what came true by what was stated.

    chances: of ("vibration", "track" or "run"), job, chance, came_true; rows without a chance are
    left out. low, high: 95 % of the share, from resampled jobs; NaN where they are few.
    """
    rows = []
    told = chances[chances["chance"].notna() & chances["came_true"].notna()]
    for of, part in told.groupby("of", sort=False):
        stated = part["chance"].to_numpy(dtype=float)
        came = part["came_true"].to_numpy(dtype=float)
        at = bin_of(stated)
        job, names = pd.factorize(part["job"])
        for b in np.unique(at):
            here = at == b
            number = np.bincount(job[here], minlength=len(names)).astype(float)
            right = np.bincount(job[here], came[here], minlength=len(names))
            low, high = _within(right, number)
            rows.append(
                (of, BINS[b], BINS[b + 1], int(here.sum()), int((number > 0).sum()),
                 float(stated[here].mean()), float(came[here].mean()), low, high)
            )  # fmt: skip
    return pd.DataFrame(rows, columns=_RELIABILITY)


def by_experience(chances: pd.DataFrame) -> pd.DataFrame:
    """Return what was stated and what came true by how many pairs the rotor had before.

    chances: as for `reliability`, with experience. brier, if_right: see `Brier`.
    """
    rows = []
    told = chances[chances["chance"].notna() & chances["came_true"].notna()]
    for (of, experience), part in told.groupby(["of", "experience"], sort=False):
        stated = part["chance"].to_numpy(dtype=float)
        came = part["came_true"].to_numpy(dtype=float)
        job, names = pd.factorize(part["job"])
        low, high = _within(np.bincount(job, came), np.bincount(job))
        score = brier(stated, came > 0.5)
        rows.append(
            (of, experience, len(part), len(names), float(stated.mean()), float(came.mean()), low,
             high, score.score, score.if_right)
        )  # fmt: skip
    return pd.DataFrame(rows, columns=_BY_EXPERIENCE)


def _within(right: Sums, number: Sums) -> tuple[float, float]:
    """Return a 95 % interval of sum(right) / sum(number) over jobs.

    The normal law on a share that is never quite 0 or 1 (Agresti and Coull 1998, from memory), as
    many times as wide as resampled jobs scatter more than single occasions do.
    """
    has = number > 0
    jobs, count = int(has.sum()), float(number.sum())
    if jobs < 5:
        return np.nan, np.nan
    share = (right.sum() + 2.0) / (count + 4.0)
    single = np.sqrt(share * (1.0 - share) / (count + 4.0))
    draws = job_draws(jobs)
    drawn = (draws @ right[has]) / (draws @ number[has])
    sd = max(single, float(spread_of(drawn)))
    return max(share - 1.96 * sd, 0.0), min(share + 1.96 * sd, 1.0)
