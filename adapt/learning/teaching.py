"""What is still poorly known, and which move on the next job would teach most.

From coefficients and the rotor file alone. Advice on learning, not a correction: the plan for the
correction comes first, and its limits hold. A usual move is the largest that the rotor file allows,
or a quarter of the fitted range; the doubt of its effect is set against the limit of the reading.

After one more pair of runs with moves x between them, the covariance V of a sensor's coefficients
in all regimes becomes V (1 + G V)^-1, with G the information of the pair: conj(x) x' / n in each
regime, where a before/after pair has variance n = q + 2 r, more for moves that are not exact, and
counts by the share of its word that is not said by other regimes too.
Source: the posterior of a linear model with known variances, as in `adapt.level`; the readings
themselves do not enter, so the answer is known before the flight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.coefficients.values import component_sd
from adapt.effects import contrast_changes, harmonic_sums
from adapt.learning.next_moves import Moves, possible_steps
from adapt.rotor import Rotor
from adapt.rotor.usual import usual_amounts

__all__ = ["TeachingStep", "poorly_known", "teaching_moves"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True)
class TeachingStep:
    """Moves made together between two runs, and what the pair would teach.

    before, after: doubt (one sd per component) of the effect of a usual move of the adjusters
    moved, root-mean-square over all limited readings, as a share of the limit. removed: share of
    the variance that goes, over usual moves of every adjuster. NaN where an adjuster moved is not
    known at all yet: anything it shows is new.
    """

    moves: Moves
    before: float
    after: float
    removed: float


def poorly_known(
    coefficients: Coefficients, rotor: Rotor, limits: str | None = None
) -> pd.DataFrame:
    """Return how well the effect of a usual move is known on everything limited, worst first.

    limits: the named set of limits. Columns: rotor (None = one without runs), sensor (None = track
    spread), regime, adjuster, amount, effect and sd (per component) of that move, limit [unit of
    the reading], ratio = sd / limit. What nothing informs has ratio inf and stands first.
    """
    usual = usual_amounts(rotor)
    listed = ((None, coefficients.unseen), *coefficients.rotors.items())
    names = np.array([name for name, _ in listed], dtype=object)
    parts = []
    for of_track in (False, True):
        limit, (sensors, regimes) = _limited(rotor, limits, of_track)
        at = np.flatnonzero(np.isfinite(limit))
        size, sd = _effects([known for _, known in listed], of_track)
        shape = (len(names), len(at), len(usual))
        columns = {
            "rotor": names[:, None, None],
            "sensor": sensors[at][:, None],
            "regime": regimes[at][:, None],
            "adjuster": np.array(rotor.adjuster_names, dtype=object),
            "amount": usual,
            "effect": usual * size[:, at],
            "sd": usual * sd[:, at],
            "limit": limit[at][:, None],
        }
        parts.append({key: np.broadcast_to(v, shape).ravel() for key, v in columns.items()})
    # Names stay objects, so that None stays None whatever the library makes of text.
    whole = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    table = pd.DataFrame({key: pd.Series(v, dtype=v.dtype) for key, v in whole.items()})
    table["ratio"] = (table["sd"] / table["limit"]).fillna(np.inf)
    table = table[table["amount"] > 0]
    return table.sort_values("ratio", ascending=False, kind="stable", ignore_index=True)


def teaching_moves(
    coefficients: Coefficients,
    rotor: Rotor,
    serial: str | None = None,
    limits: str | None = None,
) -> tuple[TeachingStep, ...]:
    """Return what one more pair of runs would teach of a rotor, the most teaching moves first.

    serial: the rotor; one without runs when absent or not known. limits: the named set of limits.
    Looked at: each adjuster alone (on two blades against each other where the rotor file wants a
    sum of zero), in a few sizes, and two adjusters together, on any blades. Moves of an adjuster of
    which nothing is known stand first. Empty when nothing has a limit or nothing can be moved.
    """
    known = coefficients.unseen if serial is None else coefficients.of(serial)
    vibration = _Asked.of(known, rotor, limits, of_track=False)
    track = _Asked.of(known, rotor, limits, of_track=True)
    rows = vibration.rows + track.rows
    steps = possible_steps(rotor)
    if not steps or not rows:
        return ()
    table = np.zeros((len(steps), len(rotor.blades), len(rotor.adjusters)))
    for row, moves in enumerate(steps):
        for move in moves:
            at = rotor.blades.index(move.blade), rotor.adjuster_names.index(move.adjuster)
            table[row][at] += move.amount
    before, after = vibration.doubts(rotor, table, coefficients.noise)
    if rotor.has_track:
        track_before, track_after = track.doubts(rotor, table, coefficients.noise)
        before, after = before + track_before, after + track_after
    moved = (table != 0).any(axis=1)
    new = (moved & (vibration.unknown | track.unknown)).any(axis=1)
    whole = before.sum()
    removed = 1.0 - after.sum(axis=1) / whole if whole > 0 else np.zeros(len(steps))
    found = [
        TeachingStep(
            moves,
            math.nan if new[i] else math.sqrt(before[moved[i]].sum() / (rows * moved[i].sum())),
            math.nan if new[i] else math.sqrt(after[i, moved[i]].sum() / (rows * moved[i].sum())),
            math.nan if new[i] else float(removed[i]),
        )
        for i, moves in enumerate(steps)
    ]
    return tuple(sorted(_best_blades(found), key=lambda s: (not math.isnan(s.removed), -s.removed)))


@dataclass(frozen=True, eq=False)
class _Asked:
    """What is known of vibration, or of track, and what usual moves count there.

    joints: (group, regime * adjuster, same), zeros where nothing is known. weights: (group, regime,
    adjuster): from the variance of a coefficient to that of a usual move's effect, over the limit
    squared; 0 where nothing is limited. unknown: (adjuster,), nothing known on some limited
    reading. rows: limited readings.
    """

    joints: Array
    weights: Real
    unknown: npt.NDArray[np.bool_]
    rows: int
    of_track: bool

    @classmethod
    def of(cls, known: Posterior, rotor: Rotor, limits: str | None, of_track: bool) -> _Asked:
        joints = known.track_joint if of_track else known.joint
        mean = known.track_mean if of_track else known.mean
        limit, _ = _limited(rotor, limits, of_track)
        at = np.isfinite(limit)
        weights = (usual_amounts(rotor) / np.where(at, limit, np.inf)[:, None]) ** 2
        weights = np.where(np.isnan(mean), 0.0, weights / (1.0 if of_track else 2.0))
        return cls(
            joints=np.where(np.isnan(joints), 0.0, joints),
            weights=weights.reshape(len(joints), len(rotor.regimes), -1),
            unknown=np.asarray(np.isnan(mean[at]).any(axis=0)),
            rows=int(at.sum()),
            of_track=of_track,
        )

    def doubts(self, rotor: Rotor, table: Real, noise: Noise) -> tuple[Real, Real]:
        """Return the summed variance of usual moves, (adjuster,) now and (step, adjuster) after.

        table: (step, blade, adjuster), the moves of each step.
        """
        steps = len(table)
        moved = (table != 0).sum(axis=1)
        if self.of_track:
            pair = noise.track_run_var_after(moved) + 2.0 * noise.track_reading_var
            x: list[Array] = [contrast_changes(table)]
        else:
            pair = noise.run_var_after(moved) + 2.0 * noise.reading_var
            x = [harmonic_sums(rotor, table, s.order)[:, None, :] for s in rotor.sensors]
        share = noise.track_speaking if self.of_track else noise.speaking
        pair = (pair if share is None else pair / share).reshape(steps, *self.weights.shape[:2])
        before = np.zeros(table.shape[2])
        after = np.zeros((steps, table.shape[2]))
        for group, joint in enumerate(self.joints):
            weight = self.weights[group]
            if not weight.any():
                continue
            told = np.einsum("cma,cmb->cab", x[group].conj(), x[group])
            left = _variance_after(joint, told, pair[:, group])
            now = np.einsum("xx->x", joint).real
            before += (weight * now.reshape(weight.shape)).sum(axis=0)
            after += (weight * left.reshape(steps, *weight.shape)).sum(axis=1)
        return before, after


def _variance_after(joint: Array, told: Array, noise: Real) -> Real:
    """Return the diagonal of V (1 + G V)^-1 for each step, (step, regime * adjuster).

    joint: V. told: (step, adjuster, adjuster), conj(x) x' of one regime. noise: (step, regime); a
    regime without noise known (NaN) teaches nothing.
    """
    steps, adjusters = told.shape[:2]
    size = len(joint)
    regimes = size // max(adjusters, 1)
    with np.errstate(divide="ignore"):
        precise = np.where(noise > 0, 1.0 / noise, 0.0)
    gv = told[:, None] * precise[:, :, None, None]
    gv = gv @ joint.reshape(regimes, adjusters, size)
    after = joint @ np.linalg.inv(np.eye(size) + gv.reshape(steps, size, size))
    return np.maximum(np.einsum("cxx->cx", after).real, 0.0)


def _limited(
    rotor: Rotor, limits: str | None, of_track: bool
) -> tuple[Real, tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]]:
    """Return the limit of each channel (of each regime's track), NaN where none, and its labels."""
    if of_track:
        keys: list[tuple[str | None, str]] = [(None, r) for r in rotor.regime_names]
    else:
        keys = list(rotor.channels)
    found = [
        None if of_track and not rotor.has_track else rotor.limit_for(*k, limits) for k in keys
    ]
    values = np.array([np.nan if x is None else x.limit for x in found], dtype=float)
    sensors = np.array([s for s, _ in keys], dtype=object)
    return values, (sensors, np.array([r for _, r in keys], dtype=object))


def _effects(listed: Sequence[Posterior], of_track: bool) -> tuple[Real, Real]:
    """Return effects of one unit and their sds per component, (posterior, channel, adjuster)."""
    if of_track:
        var = np.array([np.einsum("gaa->ga", known.track_cov) for known in listed])
        return np.abs([known.track_mean for known in listed]), np.sqrt(np.maximum(var, 0.0))
    sds = np.array([component_sd(known.cov) for known in listed])
    return np.abs([known.mean for known in listed]), sds


def _best_blades(steps: list[TeachingStep]) -> list[TeachingStep]:
    """Return the best step of each set of adjusters and sizes; blades and signs are its choice."""
    best: dict[tuple[tuple[str, float], ...], TeachingStep] = {}
    for step in steps:
        key = tuple((m.adjuster, abs(m.amount)) for m in step.moves)
        held = best.get(key)
        if held is None or step.removed > held.removed + 1e-12:
            best[key] = step
    return list(best.values())
