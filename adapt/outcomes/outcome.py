"""The outcome of comparing predictions with what the aircraft did. Values only."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = ["Outcome"]


@dataclass(frozen=True, eq=False)
class Outcome:
    """Walk-forward predictions against what was read.

    predictions: method, rotor, job, run, sensor (None = track), regime, predicted, read (complex,
        lag; for track the heights' contrast errors are in `error` only), error (vector error,
        absolute), inside_95 (bool or NaN).
    summary: method, sensor (None = track), regime (None = all), runs, rms_error, skill,
        skill_against_chart, coverage.
    chart_fit: sensor, regime, adjuster (None = all together), pairs, gain, gain_low, gain_high,
        rotation_deg, rotation_low, rotation_high.
    """

    summary: pd.DataFrame
    chart_fit: pd.DataFrame
    predictions: pd.DataFrame
    jobs: int
    runs: int
    jobs_left_out: int
    notes: tuple[str, ...] = ()
