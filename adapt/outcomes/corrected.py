"""The chart put right: what the whole log taught of the type, in the form of a chart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.coefficients.values import component_sd
from adapt.problems import AdaptError

__all__ = ["corrected_chart"]


def corrected_chart(learned: Coefficients | None) -> Chart:
    """Return the chart with what the log taught of the average rotor in place of its numbers.

    Where no pair moved an adjuster, or told of it through others, the chart stays as it is. sd: per
    component, of the average rotor's effect. For other logs and for paper: learned from again with
    the log that it came from, that log would count twice.

    Raises AdaptError when nothing was learned or there was no chart to put right.
    """
    if learned is None or learned.chart is None:
        raise AdaptError("no chart can be put right: the log has no runs, or no chart was given")
    chart, type_ = learned.chart, learned.type_
    track_var = np.einsum("gaa->ga", type_.track_cov)
    known = ~np.isnan(type_.mean)
    known_track = ~np.isnan(type_.track_mean)
    return replace(
        chart,
        mean=np.where(known, type_.mean, chart.mean),
        sd=np.where(known, component_sd(type_.cov), chart.sd),
        track_mean=np.where(known_track, type_.track_mean, chart.track_mean),
        track_sd=np.where(known_track, np.sqrt(np.maximum(track_var, 0.0)), chart.track_sd),
        source=f"{chart.source}, corrected",
        doubts=(),
    )
