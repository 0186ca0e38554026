"""The coefficients as tables that a person reads, in each sensor's own phase convention.

Three tables: vibration, track, and one row for each rotor. Intervals hold 95 % and come from
`intervals`, the distances of rotors from their type from `distance`.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.coefficients.distance import distances_of, factors_of, own_weight, spread_var
from adapt.coefficients.intervals import (
    amplitude_interval,
    holds_zero,
    phase_half_width,
    phase_interval_deg,
)
from adapt.coefficients.values import Coefficients, Posterior, component_sd
from adapt.phasor import clock_text, from_lag, phase_deg
from adapt.rotor import Rotor

__all__ = ["rotors_summary_of", "summary_of", "track_summary_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

NORMAL = 1.959964  # the 97.5 % point of the normal law
ANY = "any"


def summary_of(
    coefficients: Coefficients, rotor: Rotor, only: Collection[str | None] | None = None
) -> pd.DataFrame:
    """Return every vibration coefficient as a person reads it, beside the chart's and the type's.

    rotor: its rotor file, for each sensor's phase convention and unit. only: the rotors wanted
    (None among them = the type); all when absent. Per adjuster unit on the first blade:

    rotor (None = the type), sensor, regime, adjuster; amplitude, sd per component [sensor unit],
    low and high: the amplitude's 95 % interval (from 0 where zero cannot be ruled out); phase_deg
    [0..360, the sensor's own convention], phase_low_deg, phase_high_deg: its 95 % interval in the
    sense of growing phase, 0 and 360 where any phase is possible; clock: h:mm, or "any";
    chart_amplitude, chart_phase_deg, chart_gain, chart_rotation_deg; pairs; type_gain,
    type_rotation_deg; from_fleet: distance from the type's, in sds per component of how rotors
    differ (for rotors without limit of runs, 95 % are within 2.45; few runs keep it near 0);
    weight: how much of it is the rotor's own data, 0 to 1. Gains are this coefficient over the
    chart's or the type's, rotations positive where it lags. NaN where nothing is known.
    """
    lead = np.array([rotor.sensor(s).phase == "lead" for s, _ in coefficients.channels])[:, None]
    chart = coefficients.chart
    drawn = np.full(coefficients.type_.mean.shape, np.nan + 0j) if chart is None else chart.mean
    differ = np.sqrt(spread_var(coefficients)[0] / 2.0)
    labels = _labels(coefficients.channels, coefficients.adjusters, ("sensor", "regime"))
    listed = _listed(coefficients, only)
    parts = []
    for name, known in listed or _type_alone(coefficients):
        sd = component_sd(known.cov)
        low, high = amplitude_interval(known.mean, sd)
        phase_low, phase_high = phase_interval_deg(known.mean, sd, lead)
        phase = _own_phase(known.mean, lead)
        columns = {
            "amplitude": np.abs(known.mean),
            "phase_deg": phase,
            "sd": sd,
            "low": low,
            "high": high,
            "phase_low_deg": phase_low,
            "phase_high_deg": phase_high,
            "clock": _clocks(phase, holds_zero(known.mean, sd)),
            "chart_amplitude": np.abs(drawn),
            "chart_phase_deg": _own_phase(drawn, lead),
            **_factors("chart", known.mean, drawn),
            "pairs": known.pairs,
            **_against_type(coefficients, name, known, differ),
        }
        parts.append(_part(name, labels, columns))
    table = pd.concat(parts, ignore_index=True)
    return table if listed else table[:0]


def track_summary_of(
    coefficients: Coefficients, rotor: Rotor, only: Collection[str | None] | None = None
) -> pd.DataFrame:
    """Return every track coefficient as a person reads it: no rows without track readings.

    rotor, only: as in `summary_of`. Per adjuster unit on a blade, before the blades' mean is
    removed: rotor, regime, adjuster; height, sd, low, high (95 %) and chart_height [track unit];
    pairs, type_gain, from_fleet [sds of how rotors differ; of rotors without limit of runs 95 % are
    within 1.96], weight.
    """
    parts = []
    chart = coefficients.chart
    nothing = np.full(coefficients.type_.track_mean.shape, np.nan)
    type_mean = coefficients.type_.track_mean
    differ = np.sqrt(spread_var(coefficients)[1])
    labels = _labels([(r,) for r in coefficients.regimes], coefficients.adjusters, ("regime",))
    listed = _listed(coefficients, only) if rotor.has_track else []
    for name, known in listed or _type_alone(coefficients):
        var = np.einsum("gaa->ga", known.track_cov)
        sd = np.sqrt(np.maximum(var, 0.0))
        own = name is not None
        columns = {
            "height": known.track_mean,
            "sd": sd,
            "low": known.track_mean - NORMAL * sd,
            "high": known.track_mean + NORMAL * sd,
            "chart_height": nothing if chart is None else chart.track_mean,
            "pairs": known.track_pairs,
            "type_gain": _over(known.track_mean, type_mean) if own else nothing,
            "from_fleet": _over(np.abs(known.track_mean - type_mean), differ) if own else nothing,
            "weight": own_weight(coefficients, known)[1] if own else nothing,
        }
        parts.append(_part(name, labels, columns))
    table = pd.concat(parts, ignore_index=True)
    return table if listed else table[:0]


def rotors_summary_of(
    coefficients: Coefficients, rotor: Rotor, only: Collection[str] | None = None
) -> pd.DataFrame:
    """Return one row for each rotor: is it unlike its type, how strongly does it answer?

    rotor: its rotor file, for the shape of the log. Columns: rotor, pairs (the most of any
    coefficient); distance from the type (1 = as rotors usually differ), numbers that it rests on,
    p_value corrected for the number of rotors; type_gain, chart_gain: overall answer over the
    type's and the chart's, with _low and _high; type_rotation_deg, chart_rotation_deg likewise,
    positive where the rotor lags, in -180 to 180 with _low and _high around it; weight: mean share
    of the rotor's own data. Gain and rotation of vibration, intervals of 95 %. NaN: not known.
    """
    serials = [s for s in coefficients.rotors if only is None or s in only]
    apart = distances_of(coefficients, serials)
    chart = coefficients.chart
    table: dict[str, Any] = {
        "rotor": pd.Series(serials, dtype=object),
        "pairs": [_most_pairs(coefficients.rotors[s], rotor) for s in serials],
        "distance": apart.distance,
        "numbers": apart.numbers.astype(int),
        "p_value": apart.p_value,
        **_overall("type", coefficients, serials, coefficients.type_.mean),
        **_overall("chart", coefficients, serials, None if chart is None else chart.mean),
        "weight": [_mean_weight(coefficients, coefficients.rotors[s]) for s in serials],
    }
    return pd.DataFrame(table)


def _listed(
    coefficients: Coefficients, only: Collection[str | None] | None
) -> list[tuple[str | None, Posterior]]:
    listed = ((None, coefficients.type_), *coefficients.rotors.items())
    return [(name, known) for name, known in listed if only is None or name in only]


def _type_alone(coefficients: Coefficients) -> list[tuple[str | None, Posterior]]:
    """Return the type, from which a table without rows takes its columns."""
    return [(None, coefficients.type_)]


def _labels(
    rows: Any, adjusters: tuple[str, ...], names: tuple[str, ...]
) -> dict[str, npt.NDArray[np.object_]]:
    """Return the label columns of one set of coefficients, adjusters within rows."""
    columns = zip(*rows, strict=True) if len(rows) else ((),) * len(names)
    held = {
        name: np.repeat(np.array(column, dtype=object), len(adjusters))
        for name, column in zip(names, columns, strict=True)
    }
    return {**held, "adjuster": np.tile(np.array(adjusters, dtype=object), len(rows))}


def _part(name: str | None, labels: dict[str, Any], columns: dict[str, Array]) -> pd.DataFrame:
    size = len(labels["adjuster"])
    whole = {"rotor": np.full(size, name, dtype=object), **labels}
    whole |= {key: np.asarray(values).reshape(size) for key, values in columns.items()}
    # Names stay objects, so that None stays None whatever the library makes of text.
    return pd.DataFrame({key: pd.Series(v, dtype=v.dtype) for key, v in whole.items()})


def _against_type(
    coefficients: Coefficients, name: str | None, known: Posterior, differ: Real
) -> dict[str, Array]:
    """Return how a rotor's own coefficients stand to the type's; NaN for the type itself."""
    type_mean = coefficients.type_.mean
    nothing = np.full(type_mean.shape, np.nan)
    if name is None:
        keys = ("type_gain", "type_rotation_deg", "from_fleet", "weight")
        return dict.fromkeys(keys, nothing)
    return {
        **_factors("type", known.mean, type_mean),
        "from_fleet": _over(np.abs(known.mean - type_mean), differ),
        "weight": own_weight(coefficients, known)[0],
    }


def _factors(against: str, mean: Array, other: Array) -> dict[str, Array]:
    factor = _over(mean, other)
    return {
        f"{against}_gain": np.abs(factor),
        f"{against}_rotation_deg": np.rad2deg(np.angle(factor)),
    }


def _overall(
    against: str, coefficients: Coefficients, serials: list[str], other: Array | None
) -> dict[str, Array]:
    """Return gain and rotation of whole rotors, with intervals."""
    if other is None:
        other = np.full(coefficients.type_.mean.shape, np.nan + 0j)
    found = factors_of(coefficients, serials, other)
    low, high = amplitude_interval(found.factor, found.sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.rad2deg(phase_half_width(np.abs(found.factor) / found.sd))
    half = np.where(holds_zero(found.factor, found.sd), 180.0, half)
    turn = np.rad2deg(np.angle(found.factor))
    return {
        f"{against}_gain": np.abs(found.factor),
        f"{against}_gain_low": low,
        f"{against}_gain_high": high,
        f"{against}_rotation_deg": turn,
        f"{against}_rotation_low": turn - half,
        f"{against}_rotation_high": turn + half,
    }


def _most_pairs(own: Posterior, rotor: Rotor) -> int:
    """Return the pairs of the coefficient that has most."""
    track = own.track_pairs if rotor.has_track else own.track_pairs[:0]
    return int(max(own.pairs.max(initial=0), track.max(initial=0)))


def _mean_weight(coefficients: Coefficients, own: Posterior) -> float:
    weight = own_weight(coefficients, own)[0]
    return float(np.nanmean(weight)) if np.isfinite(weight).any() else float("nan")


def _own_phase(mean: Array, lead: Array) -> Real:
    """Return phases [deg, 0..360) in each sensor's own convention, NaN where nothing is known."""
    own = np.where(lead, from_lag(mean, "lead"), mean)
    return np.where(np.isnan(mean), np.nan, phase_deg(np.where(np.isnan(mean), 1.0, own)))


def _clocks(phase: Real, any_: Array) -> npt.NDArray[np.object_]:
    """Return clock angles as text: "any" where any phase is possible, None where none is known."""
    texts = [
        None if np.isnan(p) else ANY if a else clock_text(float(p))
        for p, a in zip(phase.ravel(), any_.ravel(), strict=True)
    ]
    return np.array(texts, dtype=object)


def _over(value: Array, other: Array) -> Array:
    """Return value / other; NaN where other is zero or not known."""
    usable = np.isfinite(other) & (other != 0)
    return np.where(usable, value / np.where(usable, other, 1.0), np.nan)
