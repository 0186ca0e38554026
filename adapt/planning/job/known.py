"""Which adjusters can be planned with: their effect on everything that has a limit is known."""

from __future__ import annotations

import numpy as np

from adapt.coefficients import Coefficients
from adapt.planning.job.hardware import Hardware
from adapt.planning.job.scope import Scope, limited
from adapt.planning.job.standing import Standing
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["leave_out_unknown"]


def leave_out_unknown(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    scope: Scope,
) -> tuple[Hardware, tuple[str, ...]]:
    """Return the hardware that can be planned with, and a note for each adjuster left out.

    Without a chart an adjuster that was never moved cannot be planned with and is left out. A chart
    that lacks a row for a limited reading is bad input: somebody meant it to be whole.

    Raises BadInput for that, and when no adjuster is left.
    """
    lacking: dict[str, list[str]] = {}
    unknown = np.zeros(len(rotor.adjusters), dtype=bool)
    for key in limited(rotor, standing, scope).keys:
        if key.sensor is None:
            assert standing.track is not None
            mean = standing.track.mean[rotor.regime_names.index(key.regime)].astype(complex)
        else:
            mean = standing.vibration.mean[rotor.channels.index((key.sensor, key.regime))]
        unknown |= np.isnan(mean)
        for a in np.unique(hardware.adjuster[np.isnan(mean)[hardware.adjuster]]):
            place = f"{key.sensor or 'track'} in {key.regime}"
            lacking.setdefault(rotor.adjusters[a].name, []).append(place)
    if not lacking:
        return hardware, ()
    places = "; ".join(f"{name} on {', '.join(where)}" for name, where in lacking.items())
    if coefficients.chart is not None:
        raise BadInput(
            f"the chart has no row for limited readings, nor has the log taught them: {places}. "
            "Add the chart rows, or log runs before and after moves of that adjuster"
        )
    keep = ~unknown[hardware.adjuster]
    if not keep.any():
        raise BadInput(
            f"what the adjusters do to limited readings is not known: {places}. Give a chart, or "
            "log runs before and after moves of them"
        )
    return hardware.only(keep), tuple(
        f"{name} is left out of the plan: what it does to {', '.join(where)} is not known (no "
        "chart was given, and the log has no runs that show it)"
        for name, where in lacking.items()
    )
