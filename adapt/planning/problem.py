"""The planning problem as numbers: what every plan does to everything that has a limit.

Each limited amplitude, and each pair of blades of a limited track spread, is one row. A row's
square is a sum of squared linear forms of the steps, so everything the search needs is quadratic.
All rows are scaled by their limit: 1 is the limit everywhere in this room.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.effects import blade_phasors, contrasts, track_changes
from adapt.planning.chance import amplitude_chance, spread_chance
from adapt.planning.hardware import Hardware
from adapt.planning.plan import ChannelKey
from adapt.planning.standing import Standing
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["Problem", "Track", "Vibration", "build_problem", "limited"]

SAMPLES, SEED = 30_000, 20260101

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
    changes: the level's own variance, run-to-run change and reading scatter.
    inexact_var: (row, variable): variance that a move adds because it is not made exactly.
    correlation: (row, row) of what base_var stands for.
    """

    keys: tuple[ChannelKey, ...]
    level: Complex
    effect: Complex
    doubt: Complex
    level_doubt: Complex
    base_var: Real
    inexact_var: Real
    correlation: Complex
    counted: Bool


@dataclass(frozen=True, eq=False)
class Track:
    """Limited track spreads, scaled by their limits. Axes: regime, blade, variable, factor.

    heights: (regime, blade). effect: (regime, blade, variable) for each step.
    doubt: (regime, blade, factor, variable), level_doubt: (regime, blade, factor), base_var
    (regime,) of one blade's height, inexact_var (regime, blade, variable): what an inexact move
    adds to the blade it is made on (the others' common share changes no spread).
    """

    keys: tuple[ChannelKey, ...]
    heights: Real
    effect: Real
    doubt: Real
    level_doubt: Real
    base_var: Real
    inexact_var: Real
    counted: Bool


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

    def counting_all(self) -> Problem:
        """Return the problem in which everything that has a limit counts in the worst ratio."""
        return replace(
            self,
            vibration=replace(self.vibration, counted=np.ones_like(self.vibration.counted)),
            track=replace(self.track, counted=np.ones_like(self.track.counted)),
        )

    def ratios(self, steps: npt.ArrayLike) -> tuple[Real, Real]:
        """Return predicted ratios to the limits: amplitudes (..., row), spreads (..., regime).

        Hedged when the problem is: the variance of the effect is added to the square.
        """
        n = np.asarray(steps, dtype=float)
        square = np.abs(self.vibration.level + n @ self.vibration.effect.T) ** 2
        track = self.track
        heights = track.heights + np.einsum("tbv,...v->...tb", track.effect, n)
        a, b = self.blade_pairs.T
        spread = (heights[..., a] - heights[..., b]) ** 2
        if self.hedge:
            square = square + (
                np.abs(np.einsum("jfv,...v->...jf", self.vibration.doubt, n)) ** 2
            ).sum(-1)
            doubt = np.einsum("tbfv,...v->...tbf", track.doubt, n)
            spread = spread + ((doubt[..., a, :] - doubt[..., b, :]) ** 2).sum(-1)
        worst = spread.max(axis=-1) if len(a) else np.zeros(heights.shape[:-1])
        return np.sqrt(square), np.sqrt(worst)

    def worst_ratio(self, steps: npt.ArrayLike) -> Real:
        """Return the largest ratio over everything that counts, shape (...)."""
        amplitude, spread = self.ratios(steps)
        both = np.concatenate(
            [amplitude[..., self.vibration.counted], spread[..., self.track.counted]], axis=-1
        )
        return both.max(axis=-1, initial=0.0)

    def outside(self, steps: npt.ArrayLike) -> Real:
        """Return the largest ratio over what must be inside but does not count, shape (...)."""
        amplitude, spread = self.ratios(steps)
        both = np.concatenate(
            [amplitude[..., ~self.vibration.counted], spread[..., ~self.track.counted]], axis=-1
        )
        return both.max(axis=-1, initial=0.0)

    def mean_square_ratio(self, steps: npt.ArrayLike) -> Real:
        """Return the mean square ratio over everything that has a limit, shape (...)."""
        both = np.concatenate(self.ratios(steps), axis=-1)
        return (both**2).mean(axis=-1) if both.shape[-1] else np.zeros(both.shape[:-1])

    def variances(self, steps: npt.ArrayLike) -> Real:
        """Return the variance of each next amplitude reading, E|.|^2, shape (..., row)."""
        n = np.asarray(steps, dtype=float)
        v = self.vibration
        shared = v.level_doubt + np.einsum("jfv,...v->...jf", v.doubt, n)
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
        heights = track.heights[at] + np.einsum("tbv,...v->...tb", track.effect[at], n)
        loading = track.level_doubt[at] + np.einsum("tbfv,...v->...tbf", track.doubt[at], n)
        inexact = np.einsum("tbv,...v->...tb", track.inexact_var[at], n != 0)
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

    def joint_chance(self, steps: npt.ArrayLike) -> float:
        """Return the chance that the next run is inside every limit together, for one plan.

        Amplitudes with the correlation of their noise, by SAMPLES seeded draws (an sd of at most
        0.003); the track of each regime by itself.
        """
        n = np.asarray(steps, dtype=float)
        v = self.vibration
        mean = v.level + v.effect @ n
        own = np.maximum(self.variances(n) - v.base_var, 0.0)
        values, vectors = np.linalg.eigh(v.correlation)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        rng = np.random.default_rng(SEED)
        draws = rng.standard_normal((2, 2, SAMPLES, len(mean))) / np.sqrt(2.0)
        noise, doubt = draws[0] + 1j * draws[1]
        read = mean + np.sqrt(v.base_var) * (noise @ root.T) + np.sqrt(own) * doubt
        together = float((np.abs(read) <= 1.0).all(axis=1).mean())
        return together * float(self.spread_chances(n).prod())

    def chances(self, steps: npt.ArrayLike) -> Real:
        """Return the product of the single chances, shape (...)."""
        return self.amplitude_chances(steps).prod(-1) * self.spread_chances(steps).prod(-1)


def build_problem(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    limit_set: str | None = None,
    regimes: Collection[str] | None = None,
    hedge: bool = True,
) -> tuple[Problem, tuple[ChannelKey, ...]]:
    """Return the problem of a job, and the limited channels that were never read in it.

    The coefficients of everything that can move must be known for every limited reading (see
    `known`). Raises BadInput when nothing with a limit was read, or when the coefficients' noise
    gives no number for something that was.
    """
    keys, limits, counted, missing = limited(rotor, standing, limit_set, regimes)
    if not keys:
        raise BadInput(
            "nothing that was read in this job has a limit: give limits in the rotor file, or "
            "check the regimes and the limit set asked for"
        )
    of_sensor = [i for i, key in enumerate(keys) if key.sensor is not None]
    of_track = [i for i, key in enumerate(keys) if key.sensor is None]
    vibration = _vibration(
        rotor,
        coefficients,
        standing,
        hardware,
        [keys[i] for i in of_sensor],
        limits[of_sensor],
        counted[of_sensor],
    )
    track = _track(
        rotor,
        coefficients,
        standing,
        hardware,
        [keys[i] for i in of_track],
        limits[of_track],
        counted[of_track],
    )
    _refuse_what_is_no_number(vibration, track)
    return Problem(hardware, vibration, track, hedge), tuple(missing)


def _refuse_what_is_no_number(vibration: Vibration, track: Track) -> None:
    """Raise BadInput rather than let a NaN pass for a reading inside its limit."""
    lost = [
        f"{key.sensor or 'track'} in {key.regime}"
        for part, arrays in (
            (vibration, (vibration.level, vibration.level_doubt, vibration.base_var)),
            (track, (track.heights, track.level_doubt, track.base_var)),
        )
        for i, key in enumerate(part.keys)
        if not all(np.isfinite(array[i]).all() for array in arrays)
    ]
    if lost:
        raise BadInput(
            f"the coefficients do not say how exact readings are of {', '.join(lost)} (noise "
            "missing or zero): learn them again from a log that holds these readings"
        )


def limited(
    rotor: Rotor, standing: Standing, limit_set: str | None, regimes: Collection[str] | None
) -> tuple[list[ChannelKey], Real, Bool, list[ChannelKey]]:
    """Everything with a limit: read in this job (with limit and whether it counts), or not."""
    keys: list[ChannelKey] = []
    limits: list[float] = []
    counted: list[bool] = []
    missing: list[ChannelKey] = []
    wanted = [(c, r) for c, r in zip(rotor.channels, standing.read_in, strict=True)]
    places: list[tuple[str | None, str, str]] = [(s, g, r) for (s, g), r in wanted]
    if rotor.has_track:
        places += [
            (None, g, r) for g, r in zip(rotor.regime_names, standing.track_read_in, strict=True)
        ]
    for sensor, regime, read_in in places:
        limit = rotor.limit_for(sensor, regime, limit_set)
        if limit is None or (regimes is not None and regime not in regimes):
            continue
        key = ChannelKey(sensor, regime)
        if not read_in:
            missing.append(key)
            continue
        keys.append(key)
        limits.append(limit.limit)
        counted.append(not limit.only_inside)
    return keys, np.array(limits, dtype=float), np.array(counted, dtype=bool), missing


def _factor(cov: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    """Return L with L @ L^H = cov for stacked positive semi-definite cov (NaN counts as 0)."""
    values, vectors = np.linalg.eigh(np.nan_to_num(cov))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :])


def _vibration(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    keys: Sequence[ChannelKey],
    limits: Real,
    counted: Bool,
) -> Vibration:
    at = [rotor.channels.index((key.sensor or "", key.regime)) for key in keys]
    level = standing.vibration
    noise = coefficients.noise
    adjusters = len(rotor.adjusters)
    phasors = {s.order: blade_phasors(rotor, s.order) for s in rotor.sensors}
    orders = [rotor.sensor(rotor.channels[j][0]).order for j in at]
    turn = np.array([phasors[order][hardware.blade] for order in orders]).reshape(
        len(at), len(hardware.blade)
    )
    unit = turn * hardware.step
    known = np.nan_to_num(level.mean[at])
    cov = np.nan_to_num(level.cov[at])
    # Variance of X^T c is |L^T X|^2 for cov = L L^H.
    factor = np.swapaxes(_factor(cov), 1, 2)
    doubt = factor[:, :, hardware.adjuster] * unit[:, None, :]
    level_doubt = np.einsum("jfa,ja->jf", factor, level.slope[at, 0])
    base = level.own_var[at] + noise.run_var[at] + noise.reading_var[at]
    power = np.abs(known) ** 2 + np.einsum("jaa->ja", cov).real
    sd = np.array([a.amount_sd for a in rotor.adjusters]).reshape(adjusters)
    scale = limits
    return Vibration(
        keys=tuple(keys),
        level=np.asarray(level.level_mean[at, 0] / scale, dtype=complex),
        effect=np.asarray(known[:, hardware.adjuster] * unit / scale[:, None], dtype=complex),
        doubt=np.asarray(doubt / scale[:, None, None], dtype=complex),
        level_doubt=level_doubt / scale[:, None],
        base_var=base / scale**2,
        inexact_var=(power * sd**2)[:, hardware.adjuster] / scale[:, None] ** 2,
        correlation=np.eye(len(at), dtype=complex)
        if noise.correlation is None
        else noise.correlation[np.ix_(at, at)],
        counted=counted,
    )


def _track(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    keys: Sequence[ChannelKey],
    limits: Real,
    counted: Bool,
) -> Track:
    blades, adjusters, variables = len(rotor.blades), len(rotor.adjusters), len(hardware.step)
    if standing.track is None or not keys:
        return Track(
            keys=(),
            heights=np.zeros((0, blades)),
            effect=np.zeros((0, blades, variables)),
            doubt=np.zeros((0, blades, adjusters, variables)),
            level_doubt=np.zeros((0, blades, adjusters)),
            base_var=np.zeros(0),
            inexact_var=np.zeros((0, blades, variables)),
            counted=np.zeros(0, dtype=bool),
        )
    at = [rotor.regime_names.index(key.regime) for key in keys]
    level = standing.track
    noise = coefficients.noise
    basis = contrasts(blades)
    # What one step of each variable does to each blade, for one unit of coefficient.
    unit = hardware.amounts(np.eye(variables, dtype=np.int64))
    lift = np.einsum("vba->bav", track_changes(unit))
    known = np.nan_to_num(level.mean[at])
    cov = np.nan_to_num(level.cov[at])
    factor = np.swapaxes(_factor(cov), 1, 2).real
    slope = np.einsum("mb,tma->tba", basis, level.slope[at])
    base = level.own_var[at] + noise.track_run_var[at] + noise.track_reading_var[at]
    sd = np.array([a.amount_sd for a in rotor.adjusters]).reshape(adjusters)
    power = (known**2 + np.einsum("taa->ta", cov)) * sd**2
    scale = limits
    on_blade = np.eye(blades)[:, hardware.blade]
    return Track(
        keys=tuple(keys),
        heights=level.level_mean[at] @ basis / scale[:, None],
        effect=np.einsum("ta,bav->tbv", known, lift) / scale[:, None, None],
        doubt=np.einsum("tfa,bav->tbfv", factor, lift) / scale[:, None, None, None],
        level_doubt=np.einsum("tfa,tba->tbf", factor, slope) / scale[:, None, None],
        base_var=base / scale**2,
        inexact_var=(power[:, hardware.adjuster] / scale[:, None] ** 2)[:, None, :] * on_blade,
        counted=counted,
    )
