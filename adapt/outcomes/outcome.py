"""The outcome of comparing predictions with what the aircraft did. Values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from adapt.coefficients import Coefficients
from adapt.outcomes.calibration import Brier

__all__ = ["Outcome"]


@dataclass(frozen=True, eq=False)
class Outcome:
    """Walk-forward predictions against what was read.

    predictions: one row for each method and channel of each run that could be predicted: method
        ("no change", "chart", "early fit", "learned"), rotor, job, run, started, sensor (None =
        track), regime, moved (whether a move was made since the channel was last read), adjusters
        (moved before the run, by name, " + " between), pairs (of moves that the rotor had made
        before), size (predicted change over the limit), before, predicted, read (complex, lag; NaN
        for track), error (of the difference as vectors, in the sensor's unit; for track the rms
        over the blades, in track_unit), amplitude_error (read less predicted; of the spread for
        track), phase_error_deg (read lags predicted; NaN where an amplitude is lost in scatter),
        limit (NaN = none), inside_limit (1, 0, or NaN), and where the method states them, else
        NaN: tail (the chance of a reading at least as far from the prediction), inside_95, chance
        (of being inside the limit); suspect (whether the whole log makes its pair a suspect entry).
    whole_runs: rotor, job, run, started, pairs, chance, chance_early (stated of the run as a whole,
        by learned and early fit; NaN where a limit cannot be told of), came_inside (1, 0, or NaN).
    summary: method, sensor (None = track), regime (None = all), runs, jobs, rms_error, rms_low,
        rms_high, skill (against no change: 1 - (rms / rms of no change)^2), skill_low, skill_high,
        skill_against_chart, against_chart_low, against_chart_high, adjusted_p (that it is no better
        or worse than the chart, adjusted over the channels), rms_amplitude_error,
        rms_phase_error_deg, coverage (share inside_95).
    breakdown: by ("adjuster", "rotor", "size", "time", "experience", "entries"), group, of
        ("vibration" or "track"), method, runs, jobs, error (rms, each reading over its channel's
        usual rms of no change), skill, skill_low, skill_high, skill_against_chart,
        against_chart_low, against_chart_high, coverage.
    coverage, reliability, by_experience: see `calibration`; brier: by "vibration", "track" and
        "run".
    chart_fit: sensor (None = track), regime, adjuster (None = all together), pairs, jobs, gain,
        gain_low, gain_high, rotation_deg, rotation_low, rotation_high (NaN for track), rotors that
        can tell, rotors_agree: of those, how many are nearer to this factor than to the chart.
    early_jobs: after how many jobs of the log the early fit was made. learned: from the whole log.
    jobs, runs: how many were predicted. jobs_left_out: set aside because of faults.
    """

    summary: pd.DataFrame
    breakdown: pd.DataFrame
    coverage: pd.DataFrame
    reliability: pd.DataFrame
    by_experience: pd.DataFrame
    brier: Mapping[str, Brier]
    chart_fit: pd.DataFrame
    predictions: pd.DataFrame
    whole_runs: pd.DataFrame
    jobs: int
    runs: int
    jobs_left_out: int
    early_jobs: int
    learned: Coefficients | None = None
    notes: tuple[str, ...] = ()
