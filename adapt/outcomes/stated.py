"""Chances that are stated of a run before it is flown: every reading's, and the whole run's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.effects import contrasts
from adapt.learning.rows.runs import Runs
from adapt.learning.sequential import Step
from adapt.planning.job.hardware import every_place
from adapt.planning.job.scope import Scope
from adapt.planning.job.standing import Standing
from adapt.planning.problem.building import build_problem
from adapt.planning.problem.chance import amplitude_chance, spread_chance
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["Limits", "reading_chances", "run_chance", "track_chances"]

Real = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Truth = npt.NDArray[np.bool_]

DRAWS = 2000  # of a whole run: an sd of at most 0.011
_READ = "before"


@dataclass(frozen=True, eq=False)
class Limits:
    """The limits of a rotor, NaN where there is none: (channel,), and of track (regime,)."""

    name: str | None
    of_channels: Real
    of_track: Real

    @classmethod
    def of(cls, rotor: Rotor, name: str | None = None) -> Limits:
        """Return a named set of limits, or the unnamed ones."""
        wanted: list[tuple[str | None, str]] = [*rotor.channels]
        wanted += [(None, regime) for regime in rotor.regime_names]
        found = [rotor.limit_for(sensor, regime, name) for sensor, regime in wanted]
        limits = np.array([np.nan if x is None else x.limit for x in found], dtype=float)
        return cls(name, *np.split(limits, [len(rotor.channels)]))

    def all_inside(self, runs: Runs, run: int) -> float:
        """Return 1 when everything with a limit that a run read is inside, else 0; NaN = nothing.

        run: its row in `runs`.
        """
        amplitude = np.abs(runs.readings[run])
        heights = runs.heights[run]
        spread = heights.max(axis=1) - heights.min(axis=1)
        ratios = np.concatenate([amplitude / self.of_channels, spread / self.of_track])
        told = ~np.isnan(ratios)
        return float((ratios[told] <= 1.0).all()) if told.any() else np.nan


def reading_chances(mean: Complex, var: Real, limit: Real) -> Real:
    """Return the chance that each reading is inside its limit, (channel,); NaN where none is told.

    mean, var = E|e|^2: of the prediction, (channel,); limit: (channel,), NaN = no limit.
    """
    told = ~np.isnan(mean) & ~np.isnan(var) & ~np.isnan(limit)
    chance = np.full(len(mean), np.nan)
    if told.any():
        chance[told] = amplitude_chance(np.abs(mean[told]), var[told], limit[told])
    return chance


def track_chances(mean: Real, cov: Real, limit: Real) -> Real:
    """Return the chance that each regime's track is inside, (regime,); NaN where none is told.

    mean: (regime, contrast), cov: (regime, contrast, contrast), of the prediction; limit: (regime,)
    of the spread.
    """
    chance = np.full(len(mean), np.nan)
    told = ~np.isnan(mean).any(axis=1) & ~np.isnan(cov).any(axis=(1, 2)) & ~np.isnan(limit)
    if mean.shape[1] == 0 or not told.any():
        return chance
    basis = contrasts(mean.shape[1] + 1)
    values, vectors = np.linalg.eigh(cov[told])
    # What all directions have is the blades' own; the rest they share.
    own = np.maximum(values[:, 0], 0.0)
    shared = vectors * np.sqrt(np.maximum(values - own[:, None], 0.0))[:, None, :]
    chance[told] = spread_chance(
        mean[told] @ basis, own[:, None], limit[told], np.einsum("mb,tmf->tbf", basis, shared)
    )
    return chance


def run_chance(
    rotor: Rotor,
    coefficients: Coefficients,
    step: Step,
    amounts: Real,
    read: Truth,
    read_track: Truth,
    limits: Limits,
) -> float:
    """Return the chance that a run after these moves is inside all limits together.

    amounts: (blade, adjuster). read, read_track: (channel,), (regime,) what the run was to read;
    regimes that it left out altogether are not asked for. NaN where a limit cannot be told of.
    """
    regimes = len(rotor.regimes)
    flown = read.reshape(-1, regimes).any(axis=0) | read_track
    within = np.tile(flown, len(rotor.sensors))
    known = ~np.isinf(step.level.own_var) & read
    known_track = ~np.isinf(step.track.own_var) & read_track
    limited, limited_track = ~np.isnan(limits.of_channels), ~np.isnan(limits.of_track)
    wanted, wanted_track = limited & within, limited_track & flown
    if not (wanted.any() or wanted_track.any()):
        return math.nan
    if (wanted & ~known).any() or (rotor.has_track and (wanted_track & ~known_track).any()):
        return math.nan
    moved = (amounts != 0).any(axis=0)
    unknown = np.isnan(step.level.mean[wanted][:, moved]).any()
    if unknown or np.isnan(step.track.mean[wanted_track][:, moved]).any():
        return math.nan
    standing = Standing(
        rotor="",
        job="",
        after_run=_READ,
        vibration=step.level,
        track=step.track if rotor.has_track else None,
        read_in=tuple(_READ if k else "" for k in known & within),
        track_read_in=tuple(_READ if k else "" for k in known_track & flown),
        last=np.full(len(rotor.channels), np.nan, dtype=complex),
        last_heights=np.full((regimes, len(rotor.blades)), np.nan),
        conditions={},
        untaught=0,
    )
    hardware = every_place(rotor, np.zeros_like(amounts))
    scope = Scope(
        limit_set=limits.name,
        regimes=frozenset(n for n, f in zip(rotor.regime_names, flown, strict=True) if f),
    )
    try:
        problem, _ = build_problem(rotor, coefficients, standing, hardware, scope)
    except BadInput:
        return math.nan
    steps = amounts[hardware.blade, hardware.adjuster] / hardware.step
    return problem.joint_chance(steps, DRAWS)
