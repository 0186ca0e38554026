"""What a plan is expected to do to every reading, limited or not, in the readings' own units."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.effects import contrasts, harmonic_sums, track_changes
from adapt.planning.job.standing import Standing
from adapt.planning.plan import ChannelKey, ReadingForecast, TrackForecast
from adapt.planning.problem.values import Problem
from adapt.rotor import Rotor

__all__ = ["forecast_readings", "forecast_track"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]


def forecast_readings(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    problem: Problem,
    steps: Int,
    limit_set: str | None,
) -> tuple[ReadingForecast, ...]:
    """Return every sensor in every regime before and after the moves, in rotor file order."""
    level = standing.vibration
    amounts = problem.hardware.amounts(steps)
    amplitude, _ = problem.ratios(steps)
    chances = problem.amplitude_chances(steps)
    row_of = {key: i for i, key in enumerate(problem.vibration.keys)}
    noise = coefficients.noise
    forecasts = []
    for j, (sensor, regime) in enumerate(rotor.channels):
        x = harmonic_sums(rotor, amounts, rotor.sensor(sensor).order)
        moved = x != 0
        change = _known_sum(level.mean[j], x, moved)
        run = standing.read_in[j] or None
        after = sd = before = None
        if run is not None:
            before = complex(level.level_mean[j, 0])
            if run == standing.after_run:
                before = complex(standing.last[j])
            if change is not None:
                after = complex(level.level_mean[j, 0] + change)
                shared = np.where(moved | (level.slope[j, 0] != 0), x + level.slope[j, 0], 0.0)
                var = np.real(shared @ np.nan_to_num(level.cov[j]) @ shared.conj())
                var += _inexact_var(rotor, amounts, level.mean[j], level.cov[j])
                sd = float(
                    np.sqrt((var + level.own_var[j] + noise.run_var[j] + noise.reading_var[j]) / 2)
                )
        limit = rotor.limit_for(sensor, regime, limit_set)
        row = row_of.get(ChannelKey(sensor, regime))
        forecasts.append(
            ReadingForecast(
                sensor=sensor,
                regime=regime,
                before=before,
                after=after,
                change=change,
                sd=sd,
                limit=None if limit is None else limit.limit,
                ratio=None if row is None else float(amplitude[row]),
                chance=None if row is None else float(chances[row]),
                read_in=run,
            )
        )
    return tuple(forecasts)


def forecast_track(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    problem: Problem,
    steps: Int,
    limit_set: str | None,
) -> tuple[TrackForecast, ...]:
    """Return the track of every regime before and after the moves; none for a rotor without."""
    if standing.track is None:
        return ()
    level = standing.track
    lift = track_changes(problem.hardware.amounts(steps))
    basis = contrasts(len(rotor.blades))
    _, spread = problem.ratios(steps)
    chances = problem.spread_chances(steps)
    row_of = {key.regime: i for i, key in enumerate(problem.track.keys)}
    forecasts = []
    for g, regime in enumerate(rotor.regime_names):
        limit = rotor.limit_for(None, regime, limit_set)
        run = standing.track_read_in[g] or None
        row = row_of.get(regime)
        before = after = None
        if run is not None:
            before = level.level_mean[g] @ basis
            moved = (lift != 0).any(axis=0)
            if not (moved & np.isnan(level.mean[g])).any():
                after = before + lift @ np.nan_to_num(level.mean[g])
            if run == standing.after_run:
                before = standing.last_heights[g]
        forecasts.append(
            TrackForecast(
                regime=regime,
                before=_spread(before),
                after=_spread(after),
                heights_before=_by_blade(rotor, before),
                heights_after=_by_blade(rotor, after),
                limit=None if limit is None else limit.limit,
                ratio=None if row is None else float(spread[row]),
                chance=None if row is None else float(chances[row]),
                read_in=run,
            )
        )
    return tuple(forecasts)


def _inexact_var(
    rotor: Rotor, amounts: Real, mean: npt.NDArray[np.complex128], cov: npt.NDArray[Any]
) -> float:
    """Return what the moves add to a reading's variance because they are not made exactly."""
    power = np.nan_to_num(np.abs(mean) ** 2) + np.nan_to_num(np.diagonal(cov).real)
    sd = np.array([adjuster.amount_sd for adjuster in rotor.adjusters])
    return float((amounts != 0).sum(axis=0) @ (sd**2 * power))


def _known_sum(
    mean: npt.NDArray[np.complex128], x: npt.NDArray[np.complex128], moved: npt.NDArray[np.bool_]
) -> complex | None:
    """Return the effect of moves, or None when it rests on a coefficient that is not known."""
    if np.isnan(mean[moved]).any():
        return None
    return complex(np.sum(np.where(moved, np.nan_to_num(mean) * x, 0.0)))


def _spread(heights: Real | None) -> float | None:
    return None if heights is None else float(np.ptp(heights))


def _by_blade(rotor: Rotor, heights: Real | None) -> dict[str, float]:
    if heights is None:
        return {}
    return {blade: float(h) for blade, h in zip(rotor.blades, heights, strict=True)}
