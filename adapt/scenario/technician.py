"""A technician who balances with the paper chart, one regime at a time: how the history was made.

Not a planner: it looks at the worst reading only, and at nothing that its changes do elsewhere.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.rotor import Rotor

__all__ = ["technician"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


def technician(
    rotor: Rotor,
    chart: Chart,
    readings: Complex,
    track: Real | None,
    fitted: Real,
    rng: np.random.Generator,
    turned_deg: float = 0.0,
    second_look: bool = False,
) -> Real:
    """Return the moves of a person with a paper chart, shape (blade, adjuster), in whole steps.

    Takes the reading that is worst against its limit and cures that regime alone, or on a careful
    day that sensor in all its regimes, by the chart, with one or two changes that the hardware
    allows; cures track first when that is worst. What the changes do to the other sensors is not
    looked at, unless it is a second look, which takes in all of them. All zero when nothing is over
    its limit. For evenly spaced blades and readings of order 1.

    readings: (sensor, regime), NaN where not read; track: (regime, blade), NaN where not read, or
    None; fitted: (blade, adjuster). turned_deg: by how much the phase reference was turned since
    the chart was drawn.
    """
    over = _over_limit(rotor, readings)
    heights = np.zeros((len(rotor.regimes), 1)) if track is None else track
    limits = [rotor.limit_for(None, regime) for regime in rotor.regime_names]
    limit = np.array([np.inf if x is None else x.limit for x in limits])
    track_over = np.nan_to_num((heights.max(axis=1) - heights.min(axis=1)) / limit)
    low, high = _room(rotor, fitted)
    if max(over.max(), track_over.max()) <= 1.0:
        return np.zeros_like(low)
    if track_over.max() > over.max():
        return _cure_track(rotor, chart, heights, int(track_over.argmax()), low, high)
    worst = over == over.max()
    if second_look:
        looked_at = over > 0.0
    elif rng.random() < 0.6:
        looked_at = (over > 0.0) & worst.any(axis=1, keepdims=True)
    else:
        looked_at = worst
    per_limit = over[looked_at] / np.abs(readings[looked_at])
    turn = np.exp(1j * np.deg2rad(turned_deg))
    per_unit = chart.mean.reshape(*readings.shape, -1)[looked_at] * turn * per_limit[:, None]
    crowded = _crowding(rotor, fitted)
    haste = 0.1 if second_look else 1.0
    liking = haste * rng.uniform(0.3, 1.6, len(rotor.adjusters))
    return _cure(rotor, per_unit, readings[looked_at] * per_limit, low, high, crowded, liking)


def _cure_track(
    rotor: Rotor, chart: Chart, heights: Real, regime: int, low: Real, high: Real
) -> Real:
    """Return one change that brings the blade farthest out to the others' height, by the chart."""
    moves = np.zeros_like(low)
    adjuster = int(np.abs(chart.track_mean[regime]).argmax())
    about_mean = heights[regime] - heights[regime].mean()
    blade = int(np.abs(about_mean).argmax())
    amount = -about_mean[blade] / chart.track_mean[regime, adjuster]
    at = np.array([blade]), np.array([adjuster])
    moves[at] = _whole(rotor, at[1], amount, low[at], high[at])
    return moves


def _cure(
    rotor: Rotor,
    per_unit: Complex,
    readings: Complex,
    low: Real,
    high: Real,
    crowded: Real,
    liking: Real,
) -> Real:
    """Return one or two changes that bring these readings down by the chart, at least effort.

    per_unit: (reading, adjuster); readings: (reading,); both as shares of the limits. Labour
    counts, and so does what the person likes to do, (adjuster,); and a change away from the end of
    a range is liked better than one towards it.
    """
    n = len(rotor.blades)
    usual = np.array([a.largest_move or np.ptp(a.fitted_range) for a in rotor.adjusters])
    labour = np.array([a.minutes or 15.0 for a in rotor.adjusters]) / 60.0
    half = np.array([np.ptp(a.fitted_range) for a in rotor.adjusters]) / 2
    cost = labour * liking
    known = [a for a in range(len(rotor.adjusters)) if np.isfinite(per_unit[:, a]).all()]
    places = np.array([(b, a) for a in known for b in range(n)], dtype=np.intp).reshape(-1, 2)
    effects = per_unit[:, places[:, 1]] * np.exp(2j * np.pi * places[:, 0] / n)
    wanted = np.concatenate([-readings.real, -readings.imag])
    best, moves = np.inf, np.zeros_like(low)
    for changes in range(1, min(2, len(places)) + 1):
        chosen = np.array(list(combinations(range(len(places)), changes)))
        b, a = places[chosen, 0], places[chosen, 1]
        effect = effects[:, chosen].transpose(1, 0, 2)
        amounts = np.linalg.pinv(np.concatenate([effect.real, effect.imag], axis=1), 1e-6) @ wanted
        done = _whole(rotor, a, amounts, low[b, a], high[b, a])
        left = np.abs(readings + (effect @ done[..., None])[..., 0]).max(axis=1)
        towards_end = np.abs(crowded[b, a] + done / half[a]) ** 3 - np.abs(crowded[b, a]) ** 3
        effort = cost[a] * (0.4 + np.abs(done) / usual[a]) + 0.1 * np.maximum(0.0, towards_end)
        total = left / np.abs(readings).max() + effort.sum(axis=1)
        total[~done.any(axis=1)] = np.inf
        first = int(total.argmin())
        if total[first] < best:
            best, moves = total[first], np.zeros_like(low)
            moves[b[first], a[first]] = done[first]
    return moves


def _whole(
    rotor: Rotor, adjuster: npt.NDArray[np.intp], amount: Real, low: Real, high: Real
) -> Real:
    """Return amounts in whole steps, from low to high; all arguments of one shape."""
    step = np.array([a.step for a in rotor.adjusters])[adjuster]
    least, most = -np.floor(-low / step + 1e-6), np.floor(high / step + 1e-6)
    return np.asarray(np.clip(np.round(amount / step), least, most) * step)


def _room(rotor: Rotor, fitted: Real) -> tuple[Real, Real]:
    """Return the lowest and the highest move that each place takes, shape (blade, adjuster)."""
    low, high = np.zeros_like(fitted), np.zeros_like(fitted)
    for a, adjuster in enumerate(rotor.adjusters):
        most = adjuster.largest_move if adjuster.largest_move is not None else np.inf
        takes = np.array([adjuster.fits(b) for b in rotor.blades])
        low[:, a] = takes * np.clip(adjuster.fitted_range[0] - fitted[:, a], -most, 0.0)
        high[:, a] = takes * np.clip(adjuster.fitted_range[1] - fitted[:, a], 0.0, most)
    return low, high


def _crowding(rotor: Rotor, fitted: Real) -> Real:
    """Return how near each place is to an end of its range, -1 (low) to 1, (blade, adjuster)."""
    low, high = np.array([a.fitted_range for a in rotor.adjusters]).T
    return np.asarray((2 * fitted - low - high) / (high - low))


def _over_limit(rotor: Rotor, readings: Complex) -> Real:
    """Return reading / limit, shape (sensor, regime); 0 where there is no limit or no reading."""
    over = np.zeros(readings.shape)
    for s, sensor in enumerate(rotor.sensors):
        for r, regime in enumerate(rotor.regimes):
            limit = rotor.limit_for(sensor.name, regime.name)
            if limit is not None and np.isfinite(readings[s, r]):
                over[s, r] = abs(readings[s, r]) / limit.limit
    return over
