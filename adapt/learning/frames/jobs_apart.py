"""How far the jobs of one rotor differ in their coefficients.

Blades do not answer exactly alike, and an answer depends a little on the level, so that each job,
which moves other blades at other levels, shows coefficients of its own: the rotor's + e, e ~ CN(0,
apart D). Nothing is lost by leaving that to the noise where many jobs are averaged; where two
stretches of one rotor are compared, as for the angle of a moved reference, it decides how sure the
answer is. The share is a mean over a grid, weighed by the likelihood of the fleet's runs.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from adapt.learning.frames.rotor_view import Views
from adapt.learning.frames.stretches import segments, summed

__all__ = ["jobs_apart"]

Real = npt.NDArray[np.float64]

SHARES = (0.0, 0.005, 0.01, 0.02, 0.04, 0.08, 0.16, 0.32)  # of D, equally likely before the data
MOST_ROTORS = 40  # evenly drawn from a larger fleet


def jobs_apart(views: Views, share: float) -> float:
    """Return the share of D.

    views: of the runs that coefficients were learned from. share: what log likelihoods are
    multiplied by because channels are not independent.
    """
    codes = np.unique(views.runs.rotor)
    some = np.unique(np.linspace(0, len(codes) - 1, min(len(codes), MOST_ROTORS)).astype(int))
    height = np.zeros(len(SHARES))
    for code in codes[some].tolist():
        height += _heights(views, code)
    weight = np.exp(share * (height - height.max()))
    return float((weight * np.array(SHARES)).sum() / weight.sum())


def _heights(views: Views, code: int) -> Real:
    """Return the log likelihood of one rotor's runs at each share, as its sensors stand now."""
    view, runs = views.of_rotor(code), views.runs
    height = np.zeros(len(SHARES))
    for s in range(len(views.rotor.sensors)):
        label = runs.epoch[view.rows, s]
        sensed = view.sensed(s, runs.readings, runs.starts).only(label == label.max())
        parts = segments(sensed, np.zeros(len(sensed.starts), dtype=np.int64), 1)
        if sum(bool(part.shown.h.any()) for part in parts) < 2:
            continue
        believed = view.believed(s, runs)
        free = ~believed.fixed
        told = summed(parts, 1, view.delta(s), np.array(SHARES)[:, None, None])
        height += told.log_det + told.m[:, 0, 0].real
        heard = told.b[:, 0] + believed.heard
        v = np.array([believed.solved(h) for h in told.h])
        height += np.einsum("ix,ixy,iy->i", heard.conj(), v, heard).real
        if free.any():
            height += np.linalg.slogdet(v[:, free][:, :, free])[1]
    return height
