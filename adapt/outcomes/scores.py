"""What errors amount to: rms, skill and coverage, over channels and broken down by what moved.

Skill = 1 - (rms / rms of no change)^2 of the vector errors; against the chart likewise. Intervals
are 95 %, from resampling whole jobs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.outcomes.columns import CHART, EARLY, LEARNED, NO_CHANGE
from adapt.outcomes.resampling import discoveries, ratio_of
from adapt.rotor import Rotor

__all__ = ["EXPERIENCE", "METHODS", "breakdown", "experience_of", "summary"]

Real = npt.NDArray[np.float64]

METHODS = (NO_CHANGE, CHART, EARLY, LEARNED)
EXPERIENCE = ("0", "1", "2 to 3", "4 to 7", "8 to 15", "16+")  # earlier pairs of the rotor
_FROM = (1, 2, 4, 8, 16)
SIZES = ("no move", "under 1/4", "1/4 to 1/2", "1/2 to 1", "over 1", "no limit")  # of the limit
_ENTRIES = {False: "nothing suspect", True: "held back as suspect"}
_QUARTERS_FOR = np.timedelta64(3 * 365, "D")  # a longer log is told by years

_SCORES = [
    "skill", "skill_low", "skill_high", "skill_against_chart", "against_chart_low",
    "against_chart_high",
]  # fmt: skip
_SUMMARY = [
    "method", "sensor", "regime", "runs", "jobs", "rms_error", "rms_low", "rms_high", *_SCORES,
    "adjusted_p", "rms_amplitude_error", "rms_phase_error_deg", "coverage",
]  # fmt: skip
_BREAKDOWN = ["by", "group", "of", "method", "runs", "jobs", "error", *_SCORES, "coverage"]


class _Sums:
    """Sums over jobs of the squared errors of some predictions, by method."""

    def __init__(self, part: pd.DataFrame, error: str) -> None:
        job, names = pd.factorize(part["job"])
        count = len(names)
        self._part = part
        self.number: dict[str, Any] = {}
        self.square: dict[str, Any] = {}
        for method in METHODS:
            at = (part["method"] == method).to_numpy()
            if at.any():
                self.number[method] = np.bincount(job[at], minlength=count).astype(float)
                values = part[error].to_numpy()[at] ** 2
                self.square[method] = np.bincount(job[at], values, minlength=count)

    def scores(self, method: str) -> dict[str, Any]:
        """Return mean square error and skill of a method, with intervals."""
        mean = ratio_of(self.square[method], self.number[method])
        skill = ratio_of(self.square[method], self.square[NO_CHANGE])
        row: dict[str, Any] = {
            "runs": int(self.number[method].sum()),
            "jobs": int((self.number[method] > 0).sum()),
            "error": np.sqrt(mean.value),
            "low": np.sqrt(mean.low),
            "high": np.sqrt(mean.high),
            "p": np.nan,
        }
        of_skill = skill.share_gone() if method != NO_CHANGE else (0.0, np.nan, np.nan)
        against = (np.nan, np.nan, np.nan)
        if CHART in self.square and method != CHART:
            other = ratio_of(self.square[method], self.square[CHART])
            against, row["p"] = other.share_gone(), other.p
        elif CHART in self.square:
            against = (0.0, np.nan, np.nan)
        row |= dict(zip(_SCORES, (*of_skill, *against), strict=True))
        inside = self._part.loc[self._part["method"] == method, "inside_95"]
        row["coverage"] = float(inside.mean()) if inside.notna().any() else np.nan
        return row

    def rms(self, method: str, column: str) -> float:
        """Return the rms of a column over a method's predictions, NaN where it has none."""
        values = self._part.loc[self._part["method"] == method, column].dropna()
        return float(np.sqrt((values**2).mean())) if len(values) else np.nan

    @property
    def methods(self) -> tuple[str, ...]:
        """The methods that there are."""
        return tuple(self.square)


def summary(predictions: pd.DataFrame, rotor: Rotor) -> pd.DataFrame:
    """Return the scores of each method by channel, and by sensor over its regimes; see `Outcome`.

    Whether a method is better than the chart is asked of every channel and method at once: the
    adjusted p-values keep the share of false answers, on average, to the level that they are held
    against. Rows over all regimes are not among those asked.
    """
    rows = []
    sensors: list[str | None] = [s.name for s in rotor.sensors]
    if rotor.has_track:
        sensors.append(None)
    for sensor in sensors:
        at = predictions["sensor"].isna() if sensor is None else predictions["sensor"] == sensor
        of_sensor = predictions[at]
        for regime in (None, *rotor.regime_names):
            part = of_sensor if regime is None else of_sensor[of_sensor["regime"] == regime]
            if part.empty:
                continue
            sums = _Sums(part, "error")
            for method in sums.methods:
                row = sums.scores(method)
                row |= {
                    "method": method,
                    "sensor": sensor,
                    "regime": regime,
                    "rms_error": row["error"],
                    "rms_low": row["low"],
                    "rms_high": row["high"],
                    "rms_amplitude_error": sums.rms(method, "amplitude_error"),
                    "rms_phase_error_deg": sums.rms(method, "phase_error_deg"),
                    "adjusted_p": row["p"],
                }
                rows.append(row)
    table = pd.DataFrame(rows, columns=_SUMMARY)
    asked = table["regime"].notna() & table["method"].isin([EARLY, LEARNED])
    p = table["adjusted_p"].to_numpy(dtype=float, copy=True)
    p[~asked] = np.nan
    table["adjusted_p"] = discoveries(p)
    return table


def breakdown(predictions: pd.DataFrame, rotor: Rotor) -> pd.DataFrame:
    """Return the scores of each method by what moved, rotor, size of move, time and experience.

    Channels are pooled: each error stands over its channel's rms error of no change in runs with a
    move. See `Outcome`.
    """
    if predictions.empty:
        return pd.DataFrame(columns=_BREAKDOWN)
    table = predictions.assign(scaled=_scaled(predictions), channel=predictions["sensor"].isna())
    ways: dict[str, Callable[[pd.DataFrame], Iterator[tuple[str, pd.DataFrame]]]] = {
        "adjuster": lambda part: _by_adjuster(part, rotor),
        "rotor": lambda part: _by_column(part, part["rotor"]),
        "size": lambda part: _by_column(part, size_of(part), SIZES),
        "time": lambda part: _by_column(part, _times(part)),
        "entries": lambda part: _by_column(part, part["suspect"].map(_ENTRIES)),
        "experience": lambda part: _by_column(part, experience_of(part["pairs"]), EXPERIENCE),
    }
    rows = []
    for by, groups in ways.items():
        for is_track, of in ((False, "vibration"), (True, "track")):
            part = table[table["channel"] == is_track]
            if by != "adjuster" and by != "size":
                part = part[part["moved"]]
            for group, some in groups(part):
                sums = _Sums(some, "scaled")
                rows += [
                    {"by": by, "group": group, "of": of, "method": method, **sums.scores(method)}
                    for method in sums.methods
                ]
    return pd.DataFrame(rows, columns=_BREAKDOWN)


def experience_of(pairs: pd.Series) -> pd.Series:
    """Return a word for how many pairs a rotor had before, one of EXPERIENCE."""
    at = np.digitize(pairs.to_numpy(dtype=float), _FROM)
    return pd.Series(np.array(EXPERIENCE, dtype=object)[at], index=pairs.index)


def size_of(predictions: pd.DataFrame) -> pd.Series:
    """Return a word for how large a change was predicted, over the limit; one of SIZES."""
    at = 1 + np.digitize(predictions["size"].to_numpy(dtype=float), (0.25, 0.5, 1.0))
    at = np.where(predictions["size"].isna(), len(SIZES) - 1, at)
    at = np.where(predictions["moved"], at, 0)
    return pd.Series(np.array(SIZES, dtype=object)[at], index=predictions.index)


def _scaled(predictions: pd.DataFrame) -> pd.Series:
    """Return errors over the rms error of no change in the same channel, in runs with a move."""
    channel = predictions["sensor"].fillna("") + "\n" + predictions["regime"]
    still = predictions["method"] == NO_CHANGE
    square = predictions["error"] ** 2
    moved = square[still & predictions["moved"]].groupby(channel).mean() ** 0.5
    size = moved.reindex(channel.unique()).fillna(square[still].groupby(channel).mean() ** 0.5)
    return predictions["error"] / channel.map(size).replace(0.0, np.nan)


def _by_adjuster(part: pd.DataFrame, rotor: Rotor) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield the rows in which each adjuster was moved, alone or not, and those with no move."""
    for adjuster in rotor.adjuster_names:
        moved = part["adjusters"].map(lambda names, a=adjuster: a in names.split(" + "))
        some = part[moved & part["moved"]]
        if len(some):
            yield adjuster, some
    still = part[~part["moved"]]
    if len(still):
        yield "no move", still


def _by_column(
    part: pd.DataFrame, column: pd.Series, order: tuple[str, ...] | None = None
) -> Iterator[tuple[str, pd.DataFrame]]:
    for name in order or sorted(column.unique()):
        some = part[column == name]
        if len(some):
            yield name, some


def _times(part: pd.DataFrame) -> pd.Series:
    """Return the year of each row, or its quarter where the log is not long."""
    started = part["started"]
    dated = started.dropna()
    short = dated.empty or dated.max() - dated.min() <= _QUARTERS_FOR
    words = started.dt.year.astype("Int64").astype(str)
    if short:
        words = words + " Q" + started.dt.quarter.astype("Int64").astype(str)
    return words.where(started.notna(), "no date")
