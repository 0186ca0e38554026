"""A sensor that was moved: refitted in the same place, or fitted elsewhere?

In the same place it reads one complex factor times what it read before, gain and angle near 1 and
0 deg; elsewhere its coefficients and levels are others. Both are weighed by their evidence, all
regimes of the sensor together: the factor is integrated on a grid of gains and angles, everything
else exactly (`stretches`; scatter and run-to-run change are those of the sensor as it reads, so
that a gain is not guessed from how rough the readings are).

How far a refitted sensor is off, and how often it goes back to its place: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from adapt.learning.frames.stretches import Segment, Sensed, Stretch, gather, segments, summed
from adapt.learning.frames.type_prior import Believed

__all__ = ["ANGLE_SD_DEG", "GAIN_SD", "SAME_PLACE", "Refit", "weigh_refit"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

SAME_PLACE = 0.5  # how often a sensor that was moved goes back to where it was
GAIN_SD = 0.10  # of the logarithm of the gain of a sensor refitted in its place
ANGLE_SD_DEG = 10.0  # [deg of the reading's own phase]
WIDEST = 6.0  # sds that the angles' grid reaches
GAINS, ANGLES = 33, 1441


@dataclass(frozen=True)
class Refit:
    """What became of a moved sensor.

    same_place: probability that it stands where it did. The rest holds if it does: after = before
    times gain, and angle more lag [deg of the reading's own phase]; gain_sd is that of log gain.
    """

    same_place: float
    gain: float
    gain_sd: float
    angle_deg: float
    sd_deg: float


def weigh_refit(
    sensed: Sensed,
    after: Whole,
    carried_on: bool,
    believed: Believed,
    elsewhere: Believed,
    share: float,
    delta: Array,
    apart: float = 0.0,
) -> Refit:
    """Weigh the two.

    sensed: the sensor's runs before and after. after: (run,), 0 before the event, 1 after it.
    carried_on: whether nothing else happened between the two runs about the event, so that a
    sensor in its place reads the same level, but for the factor. believed: in the coefficients
    before; elsewhere: in those of a sensor fitted anywhere. share: what log likelihoods are
    multiplied by because channels are not independent. delta, apart: as in `gather`.
    """
    begins = int(np.argmax(after)) if after.any() else len(after)
    whole = _starting(sensed, begins, not carried_on)
    anew = _starting(sensed, begins, True)
    log_gain = GAIN_SD * 4.0 * np.linspace(-1.0, 1.0, GAINS)
    theta = np.deg2rad(ANGLE_SD_DEG) * WIDEST * np.linspace(-1.0, 1.0, ANGLES)
    density = _density(whole, after, believed, share, delta, apart, log_gain, theta)
    by_gain = np.exp(logsumexp(density, axis=1) - logsumexp(density))
    peak = int(np.argmax(by_gain))
    if by_gain[max(peak - 1, 0) : peak + 2].sum() > 0.9:  # sharper than the grid
        near = 3.0 * (log_gain[1] - log_gain[0])
        log_gain = log_gain[peak] + near * np.linspace(-1.0, 1.0, 2 * GAINS)
        density = _density(whole, after, believed, share, delta, apart, log_gain, theta)
    cell = (log_gain[1] - log_gain[0]) * (theta[1] - theta[0])
    same = float(logsumexp(density)) + np.log(cell)
    other = share * (
        _alone(anew.only(after == 0), believed, delta, apart)
        + _alone(anew.only(after == 1), elsewhere, delta, apart)
        + _own_log_det(elsewhere)
        + (_new_levels(sensed, begins) if carried_on else 0.0)
    )
    odds = same + np.log(SAME_PLACE) - other - np.log1p(-SAME_PLACE)
    mass = np.exp(density - density.max())
    mass /= mass.sum()
    gain_mean, gain_sd = _moments(mass.sum(axis=1), log_gain)
    angle_mean, angle_sd = _moments(mass.sum(axis=0), theta)
    return Refit(
        same_place=float(1.0 / (1.0 + np.exp(-np.clip(odds, -700.0, 700.0)))),
        gain=float(np.exp(gain_mean)),
        gain_sd=gain_sd,
        angle_deg=float(np.rad2deg(angle_mean)),
        sd_deg=float(np.rad2deg(angle_sd)),
    )


def _starting(sensed: Sensed, begins: int, afresh: bool) -> Sensed:
    starts = sensed.starts.copy()
    if 0 < begins < len(starts):
        starts[begins] = afresh
    return Sensed(sensed.readings, sensed.moves, sensed.scatter, sensed.step, starts, sensed.doubt)


def _density(
    sensed: Sensed,
    after: Whole,
    believed: Believed,
    share: float,
    delta: Array,
    apart: float,
    log_gain: Real,
    theta: Real,
) -> Real:
    """Return log likelihood plus log prior of every gain and angle, (gain, angle)."""
    turn = np.exp(1j * theta)
    found = np.empty((len(log_gain), len(theta)))
    parts = segments(sensed, after, 2)
    for i, gain in enumerate(np.exp(log_gain).tolist()):
        told = summed([_at_gain(part, sensed, after, gain) for part in parts], 2, delta, apart)
        v, still = _joined(told, believed)
        still += 2.0 * float((believed.heard.conj() @ v @ told.b[0]).real)
        pull = told.m[1, 0] + told.b[1].conj() @ v @ told.b[0]
        pull = pull + (believed.heard.conj() @ v @ told.b[1]).conj()
        found[i] = still + 2.0 * (pull * turn).real
    sd = np.deg2rad(ANGLE_SD_DEG)
    prior = -0.5 * (log_gain[:, None] / GAIN_SD) ** 2 - 0.5 * (theta / sd) ** 2
    return share * found + prior - np.log(2.0 * np.pi * GAIN_SD * sd)


def _at_gain(segment: Segment, sensed: Sensed, after: Whole, gain: float) -> Segment:
    """Return what a segment shows when the sensor's gain is another one after the event."""
    rows = segment.rows
    if not after[rows].any():
        return segment
    if not after[rows].all():
        inside = np.zeros(len(after), dtype=bool)
        inside[rows] = True
        only = segments(sensed.only(inside), after[rows], 2, np.array([1.0, gain]))
        return replace(segment, shown=only[0].shown)
    shown = segment.shown
    return replace(segment, shown=replace(shown, h=gain**2 * shown.h, b=gain * shown.b))


def _joined(told: Stretch, believed: Believed) -> tuple[Array, float]:
    """Return V, and what the log likelihood has besides the terms between frames."""
    v = believed.solved(told.h)
    free = ~believed.fixed
    log_det = float(np.linalg.slogdet(v[np.ix_(free, free)])[1]) if free.any() else 0.0
    still = float(told.log_det) + log_det + float(np.diag(told.m).real.sum())
    still += float(np.einsum("fx,xy,fy->", told.b.conj(), v, told.b).real)
    still += float((believed.heard.conj() @ v @ believed.heard).real)
    return v, still


def _alone(sensed: Sensed, believed: Believed, delta: Array, apart: float) -> float:
    """Return the log evidence of runs by themselves, on the same footing as `_density`."""
    told = gather(sensed, np.zeros(len(sensed.starts), dtype=np.int64), 1, delta, apart=apart)
    v, still = _joined(told, believed)
    still += 2.0 * float((believed.heard.conj() @ v @ told.b[0]).real)
    return still


def _own_log_det(believed: Believed) -> float:
    """Return the log determinant of a diagonal belief; the other one stands on both sides."""
    precision = np.diag(believed.precision).real[~believed.fixed]
    return float(np.log(precision[precision > 0]).sum())


def _new_levels(sensed: Sensed, begins: int) -> float:
    """Return what a level of its own costs: a new one is of the size that readings have."""
    stop = np.flatnonzero(sensed.starts[begins + 1 :])
    high = begins + 1 + int(stop[0]) if len(stop) else len(sensed.starts)
    low = int(np.flatnonzero(sensed.starts[:begins])[-1]) if sensed.starts[:begins].any() else 0
    found = 0.0
    for values, all_values in zip(sensed.readings.T, sensed.readings.T, strict=True):
        late = values[begins:high]
        late = late[~np.isnan(late)]
        early = values[low:begins]
        if len(late) and not np.isnan(early).all():
            size = float(np.nanmean(np.abs(all_values) ** 2))
            found -= np.log(size) + float(np.abs(late[0]) ** 2) / size
    return found


def _moments(mass: Real, at: Real) -> tuple[float, float]:
    mean = float((mass * at).sum())
    return mean, float(np.sqrt(max((mass * (at - mean) ** 2).sum(), 0.0)))
