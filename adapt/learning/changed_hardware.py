"""Coefficients of rotors whose hardware was changed: what was learned before counts for less.

A fit takes a rotor as one machine throughout. Here the posterior of each rotor on which a blade, a
damper or the airframe was changed is found again: what the rest of the fleet says of it, with its
own stretches chained as `replaced` says. Track coefficients are kept as they are (height for one
unit is a matter of geometry); their doubt grows by what changed since the last run.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Posterior
from adapt.learning.frames.rotor_view import RotorView, Views
from adapt.learning.frames.stretches import gather
from adapt.learning.frames.type_prior import TypePrior
from adapt.learning.rows.runs import Runs
from adapt.rotor import Rotor

__all__ = ["as_changed", "with_doubt"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]


def as_changed(
    coefficients: Coefficients, rotor: Rotor, fitted: Runs, doubt: Real, doubt_now: Real
) -> Coefficients:
    """Return coefficients in which changes of hardware count.

    fitted: the runs that they were learned from. doubt: (run,), doubt_now: (rotor,): by which share
    of how rotors differ coefficients may have changed before each run, and since the last.
    """
    total = doubt_now + np.bincount(fitted.rotor, doubt, len(fitted.serials))
    if not (total > 0).any():
        return coefficients
    prior = TypePrior(coefficients)
    certain = Views.of(rotor, fitted, coefficients.noise, prior, None)
    doubtful = Views.of(rotor, fitted, coefficients.noise, prior, doubt)
    rotors = dict(coefficients.rotors)
    for code in np.flatnonzero(total > 0).tolist():
        serial = fitted.serials[code]
        if serial not in rotors:
            continue
        posterior = rotors[serial]
        if doubt[fitted.rotor == code].any():
            posterior = _chained(posterior, certain.of_rotor(code), doubtful.of_rotor(code), fitted)
        rotors[serial] = with_doubt(posterior, coefficients, float(doubt_now[code]))
    doubts = {fitted.serials[code]: float(total[code]) for code in np.flatnonzero(total > 0)}
    return replace(coefficients, rotors=rotors, origin={**coefficients.origin, "hardware": doubts})


def with_doubt(posterior: Posterior, coefficients: Coefficients, share: float) -> Posterior:
    """Return a posterior that has grown by a share of how rotors of the type differ."""
    if share <= 0:
        return posterior
    unseen, type_ = coefficients.unseen, coefficients.type_
    return replace(
        posterior,
        joint=posterior.joint + share * (unseen.joint - type_.joint),
        track_joint=posterior.track_joint + share * (unseen.track_joint - type_.track_joint),
    )


def _chained(
    posterior: Posterior, certain: RotorView, doubtful: RotorView, fitted: Runs
) -> Posterior:
    """Return the posterior with the rotor's stretches chained; sensors one by one.

    certain: how the fit saw the rotor, for what the rest of the fleet says; doubtful: as it is.
    """
    mean, joint = posterior.mean.copy(), posterior.joint.copy()
    regimes = len(mean) // max(len(joint), 1)
    now = fitted.epoch_now[fitted.rotor[certain.rows[0]]]
    for sensor in range(len(joint)):
        span = slice(sensor * regimes, (sensor + 1) * regimes)
        believed = certain.believed(sensor, fitted)
        mine = fitted.epoch[doubtful.rows, sensor] == now[sensor]
        seen = doubtful.counted(sensor, fitted.readings, fitted.starts).only(mine)
        frame = np.zeros(int(mine.sum()), dtype=np.int64)
        told = gather(seen, frame, 1, doubtful.delta(sensor))
        own = np.nan_to_num(mean[span].reshape(-1))
        cov = believed.solved(told.h)
        found = cov @ (believed.heard + told.b[0])
        known = ~np.isnan(mean[span].reshape(-1))
        mean[span] = np.where(known, np.where(believed.fixed, own, found), np.nan).reshape(
            regimes, -1
        )
        both = known[:, None] & known
        joint[sensor] = np.where(both, cov, np.nan)
    return replace(posterior, mean=mean, joint=joint)
