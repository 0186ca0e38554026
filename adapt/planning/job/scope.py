"""Which limits a plan is held against, and how much each counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from adapt.planning.job.standing import Standing
from adapt.planning.plan import ChannelKey
from adapt.rotor import Rotor

__all__ = ["TRACK", "Limited", "Scope", "limited"]

Real = npt.NDArray[np.float64]

TRACK = "track"  # stands for track where sensors are named


@dataclass(frozen=True)
class Scope:
    """What a plan looks at.

    limit_set: a named set of limits. regimes: those planned for, None = all. only_inside: sensors
    (or TRACK) that must be inside but do not count in the worst ratio, beside those of the rotor
    file. weights: how often a regime's ratios count in the worst ratio, 1 where absent. track,
    vibration: whether their limits are looked at.
    """

    limit_set: str | None = None
    regimes: frozenset[str] | None = None
    only_inside: frozenset[str] = frozenset()
    weights: Mapping[str, float] = field(default_factory=dict)
    track: bool = True
    vibration: bool = True


@dataclass(frozen=True, eq=False)
class Limited:
    """Everything that has a limit and was read, sensors first, then track. Axis: key.

    limit in the reading's unit, counted: whether it counts in the worst ratio, weight: how often.
    missing: what has a limit but was never read in the job.
    """

    keys: tuple[ChannelKey, ...]
    limit: Real
    counted: npt.NDArray[np.bool_]
    weight: Real
    missing: tuple[ChannelKey, ...]

    def part(self, of_track: bool) -> Limited:
        """Return the track of regimes alone, or the sensors alone."""
        at = [i for i, key in enumerate(self.keys) if (key.sensor is None) == of_track]
        return Limited(
            keys=tuple(self.keys[i] for i in at),
            limit=self.limit[at],
            counted=self.counted[at],
            weight=self.weight[at],
            missing=tuple(k for k in self.missing if (k.sensor is None) == of_track),
        )


def limited(rotor: Rotor, standing: Standing, scope: Scope) -> Limited:
    """Return everything with a limit that a plan from here on is held against."""
    keys: list[ChannelKey] = []
    rows: list[tuple[float, bool, float]] = []
    missing: list[ChannelKey] = []
    places: list[tuple[str | None, str, str]] = []
    if scope.vibration:
        places += [(s, g, r) for (s, g), r in zip(rotor.channels, standing.read_in, strict=True)]
    if scope.track and rotor.has_track:
        places += [
            (None, g, r) for g, r in zip(rotor.regime_names, standing.track_read_in, strict=True)
        ]
    for sensor, regime, read_in in places:
        limit = rotor.limit_for(sensor, regime, scope.limit_set)
        if limit is None or (scope.regimes is not None and regime not in scope.regimes):
            continue
        key = ChannelKey(sensor, regime)
        if not read_in:
            missing.append(key)
            continue
        keys.append(key)
        aside = limit.only_inside or (sensor or TRACK) in scope.only_inside
        rows.append((limit.limit, not aside, scope.weights.get(regime, 1.0)))
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return Limited(tuple(keys), table[:, 0], table[:, 1] != 0, table[:, 2], tuple(missing))
