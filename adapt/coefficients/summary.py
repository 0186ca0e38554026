"""The coefficients as a table that a person reads, in each sensor's own phase convention."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from adapt.coefficients.values import Coefficients, component_sd
from adapt.rotor import Rotor

__all__ = ["summary_of"]


def summary_of(coefficients: Coefficients, rotor: Rotor) -> pd.DataFrame:
    """Return every vibration coefficient as a person reads it, beside the chart's.

    rotor: its rotor file, for each sensor's phase convention and unit. Columns: rotor (None =
    the type), sensor, regime, adjuster, amplitude and sd per component [sensor unit for each
    adjuster unit], low and high (amplitude minus and plus 1.96 sds), phase_deg in the sensor's
    own convention, chart_amplitude, chartphase_deg_of, pairs.
    """
    rows = []
    for name, posterior in ((None, coefficients.type_), *coefficients.rotors.items()):
        sd = component_sd(posterior.cov)
        for j, (sensor, regime) in enumerate(coefficients.channels):
            lead = rotor.sensor(sensor).phase == "lead"
            for a, adjuster in enumerate(coefficients.adjusters):
                mean = complex(posterior.mean[j, a])
                drawn = complex(
                    np.nan if coefficients.chart is None else coefficients.chart.mean[j, a]
                )
                rows.append(
                    {
                        "rotor": name,
                        "sensor": sensor,
                        "regime": regime,
                        "adjuster": adjuster,
                        "amplitude": abs(mean),
                        "phase_deg": phase_deg_of(mean, lead),
                        "sd": sd[j, a],
                        "low": max(0.0, abs(mean) - 1.96 * sd[j, a]),
                        "high": abs(mean) + 1.96 * sd[j, a],
                        "chart_amplitude": abs(drawn),
                        "chartphase_deg_of": phase_deg_of(drawn, lead),
                        "pairs": int(posterior.pairs[j, a]),
                    }
                )
    return pd.DataFrame(rows)


def phase_deg_of(value: complex, lead: bool) -> float:
    if math.isnan(value.real):
        return math.nan
    return math.degrees(math.atan2(-value.imag if lead else value.imag, value.real)) % 360.0
