"""The planning problem as numbers: what every plan does to everything that has a limit.

Each limited amplitude, and each pair of blades of a limited track spread, is one row. A row's
square is a sum of squared linear forms of the steps, so everything the search needs is quadratic.
All rows are scaled by their limit: 1 is the limit everywhere in this room.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.plan import ChannelKey
from adapt.planning.problem.chance import amplitude_chance, spread_chance
from adapt.planning.problem.together import SAMPLES, Shared, share_inside

__all__ = ["Problem", "Track", "Vibration"]

Real = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Bool = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Vibration:
    """Limited amplitudes, scaled by their limits. Axes: row, variable, factor.

    level: (row,) complex mean level. effect: (row, variable) complex change for each step.
    doubt: (row, factor, variable) complex: |doubt @ steps|^2 = variance of the effect.
    level_doubt: (row, factor): the level's share of the same factors, so that the variance of level
    plus effect is |level_doubt + doubt @ steps|^2 + base_var. base_var: (row,): what no move
    changes: the level's own variance, run-to-run change and reading scatter; noise_var: (row,):
    the last two alone.
    inexact_var: (row, variable): variance that a move adds because it is not made exactly.
    correlation: (row, row) of what base_var stands for. counted, weight: (row,) whether a row
    counts in the worst ratio, and how often. shared: the doubt by what rows share.
    """

    keys: tuple[ChannelKey, ...]
    level: Complex
    effect: Complex
    doubt: Complex
    level_doubt: Complex
    base_var: Real
    noise_var: Real
    inexact_var: Real
    correlation: Complex
    counted: Bool
    weight: Real
    shared: Shared


@dataclass(frozen=True, eq=False)
class Track:
    """Limited track spreads, scaled by their limits. Axes: regime, blade, variable, factor.

    heights: (regime, blade). effect: (regime, blade, variable) for each step.
    doubt: (regime, blade, factor, variable), level_doubt: (regime, blade, factor), base_var and
    noise_var (regime,) of one blade's height, inexact_var (regime, blade, variable): what an
    inexact move adds to the blade it is made on (the others' common share changes no spread).
    counted, weight: (regime,) as in `Vibration`.
    """

    keys: tuple[ChannelKey, ...]
    heights: Real
    effect: Real
    doubt: Real
    level_doubt: Real
    base_var: Real
    noise_var: Real
    inexact_var: Real
    counted: Bool
    weight: Real
    shared: Shared


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything that has a limit, over the variables of the hardware."""

    hardware: Hardware
    vibration: Vibration
    track: Track
    hedge: bool

    @cached_property
    def blade_pairs(self) -> npt.NDArray[np.int64]:
        """Pairs of blades whose heights are compared, shape (pair, 2)."""
        blades = self.track.heights.shape[1]
        return np.array(list(combinations(range(blades), 2)), dtype=np.int64).reshape(-1, 2)

    @cached_property
    def counted(self) -> Bool:
        """Which rows count in the worst ratio, shape (row,): amplitudes, then blade pairs."""
        pairs = len(self.blade_pairs)
        return np.concatenate([self.vibration.counted, np.repeat(self.track.counted, pairs)])

    @cached_property
    def weight(self) -> Real:
        """How often each row counts in the worst ratio, shape (row,); 1 where it does not count."""
        pairs = len(self.blade_pairs)
        weight = np.concatenate([self.vibration.weight, np.repeat(self.track.weight, pairs)])
        return np.where(self.counted, weight, 1.0)

    def counting_all(self) -> Problem:
        """Return the problem in which everything that has a limit counts in the worst ratio."""
        return replace(
            self,
            vibration=replace(self.vibration, counted=np.ones_like(self.vibration.counted)),
            track=replace(self.track, counted=np.ones_like(self.track.counted)),
        )

    def scaled(self, factor: float) -> Problem:
        """Return the problem with every limit so many times as large."""
        return replace(
            self,
            vibration=_scaled(self.vibration, ("level", "effect"), factor),
            track=_scaled(self.track, ("heights", "effect"), factor),
        )

    def ratios(self, steps: npt.ArrayLike) -> tuple[Real, Real]:
        """Return predicted ratios to the limits: amplitudes (..., row), spreads (..., regime).

        Hedged when the problem is: the variance of the effect is added to the square.
        """
        n = np.asarray(steps, dtype=float)
        vibration, track = self.vibration, self.track
        square = np.abs(vibration.level + n @ vibration.effect.T) ** 2
        if self.hedge:
            square += (np.abs(_along(vibration.doubt, n)) ** 2).sum(-1)
        if not len(track.keys):
            return np.sqrt(square), np.zeros((*n.shape[:-1], 0))
        heights = track.heights + _along(track.effect, n)
        a, b = self.blade_pairs.T
        spread = (heights[..., a] - heights[..., b]) ** 2
        if self.hedge:
            doubt = _along(track.doubt, n)
            spread += ((doubt[..., a, :] - doubt[..., b, :]) ** 2).sum(-1)
        worst = spread.max(axis=-1) if len(a) else np.zeros(heights.shape[:-1])
        return np.sqrt(square), np.sqrt(worst)

    def worst_ratio(self, steps: npt.ArrayLike) -> Real:
        """Return the largest ratio over everything that counts, shape (...)."""
        return self._worst(*self.ratios(steps), counts=True)

    def weighted_ratio(self, steps: npt.ArrayLike) -> Real:
        """Return the largest ratio times weight over everything that counts, shape (...)."""
        return self._worst(*self._weighted(*self.ratios(steps)), counts=True)

    def outside(self, steps: npt.ArrayLike) -> Real:
        """Return the largest ratio over what must be inside but does not count, shape (...)."""
        return self._worst(*self.ratios(steps), counts=False)

    def weighted_and_outside(self, steps: npt.ArrayLike) -> tuple[Real, Real]:
        """Return `weighted_ratio` and `outside` at once."""
        ratios = self.ratios(steps)
        return self._worst(*self._weighted(*ratios), True), self._worst(*ratios, False)

    def _weighted(self, amplitude: Real, spread: Real) -> tuple[Real, Real]:
        vibration, track = self.vibration, self.track
        return amplitude * np.where(vibration.counted, vibration.weight, 1.0), spread * np.where(
            track.counted, track.weight, 1.0
        )

    def _worst(self, amplitude: Real, spread: Real, counts: bool) -> Real:
        of_vibration = self.vibration.counted == counts
        of_track = self.track.counted == counts
        both = np.concatenate([amplitude[..., of_vibration], spread[..., of_track]], axis=-1)
        return both.max(axis=-1, initial=0.0)

    def mean_square_ratio(self, steps: npt.ArrayLike) -> Real:
        """Return the mean square of ratio times weight over all that has a limit, shape (...)."""
        both = np.concatenate(self._weighted(*self.ratios(steps)), axis=-1)
        return (both**2).mean(axis=-1) if both.shape[-1] else np.zeros(both.shape[:-1])

    def variances(self, steps: npt.ArrayLike) -> Real:
        """Return the variance of each next amplitude reading, E|.|^2, shape (..., row)."""
        n = np.asarray(steps, dtype=float)
        v = self.vibration
        shared = v.level_doubt + _along(v.doubt, n)
        return (np.abs(shared) ** 2).sum(-1) + v.base_var + (n != 0) @ v.inexact_var.T

    def amplitude_chances(self, steps: npt.ArrayLike) -> Real:
        """Return the chance that each next amplitude is inside its limit, shape (..., row)."""
        n = np.asarray(steps, dtype=float)
        mean = np.abs(self.vibration.level + n @ self.vibration.effect.T)
        return amplitude_chance(mean, self.variances(n), 1.0)

    def spread_chances(self, steps: npt.ArrayLike, regimes: Sequence[int] | None = None) -> Real:
        """Return the chance that each next track spread is inside, shape (..., regime).

        regimes: positions of the regimes wanted; all when None.
        """
        n = np.asarray(steps, dtype=float)
        track = self.track
        at = list(range(len(track.keys))) if regimes is None else list(regimes)
        if not at:
            return np.ones((*n.shape[:-1], 0))
        heights = track.heights[at] + _along(track.effect[at], n)
        loading = track.level_doubt[at] + _along(track.doubt[at], n)
        inexact = _along(track.inexact_var[at], (n != 0).astype(float))
        own = track.base_var[at][:, None] + inexact
        a, b = self.blade_pairs.T
        apart = np.abs(heights[..., a] - heights[..., b])
        var = ((loading[..., a, :] - loading[..., b, :]) ** 2).sum(-1) + own[..., a] + own[..., b]
        # Where every pair of blades is 8 sds inside, the chance is 1 to the last digits.
        open_ = (1.0 - apart < 8.0 * np.sqrt(var)).any(axis=-1)
        chance = np.ones(open_.shape)
        chance[open_] = spread_chance(
            heights[open_], own[open_], np.ones(int(open_.sum())), loading[open_]
        )
        return chance

    def joint_chance(self, steps: npt.ArrayLike, samples: int = SAMPLES) -> float:
        """Return the chance that the next run is inside every limit together, for one plan.

        By so many seeded draws, with what limits share: see `together`.
        """
        n = np.asarray(steps, dtype=float)
        v, t = self.vibration, self.track
        moved = (n != 0).astype(float)
        return share_inside(
            mean=v.level + v.effect @ n,
            shared=v.shared,
            noise_var=v.base_var,
            correlation=v.correlation,
            own_var=v.inexact_var @ moved,
            heights=t.heights + t.effect @ n,
            track=t.shared,
            height_var=t.base_var[:, None] + t.inexact_var @ moved,
            steps=n,
            samples=samples,
        )

    def chances(self, steps: npt.ArrayLike) -> Real:
        """Return the product of the single chances, shape (...)."""
        return self.amplitude_chances(steps).prod(-1) * self.spread_chances(steps).prod(-1)


def _along(matrix: npt.NDArray[Any], steps: Real) -> npt.NDArray[Any]:
    """Return matrix (..., variable) times steps (..., variable), shape (*steps', *matrix')."""
    flat = steps @ matrix.reshape(-1, matrix.shape[-1]).T if matrix.size else None
    if flat is None:
        return np.zeros((*steps.shape[:-1], *matrix.shape[:-1]), matrix.dtype)
    return np.asarray(flat.reshape(*steps.shape[:-1], *matrix.shape[:-1]))


Part = TypeVar("Part", Vibration, Track)


def _scaled(part: Part, means: tuple[str, ...], factor: float) -> Part:
    """Return a part with limits so many times as large; means: its predicted values by name."""
    sizes = {name: getattr(part, name) / factor for name in (*means, "doubt", "level_doubt")}
    variances = {
        name: getattr(part, name) / factor**2 for name in ("base_var", "noise_var", "inexact_var")
    }
    return replace(part, **sizes, **variances, shared=part.shared.scaled(factor))
