"""What a suspect pair would have changed: how far the rotor's own coefficients would move.

At the variances that were learned and with the type as it is: the pair adds the information

    dG = M' P M - M0' P0 M0,    dw = M' P (y - M m) - M0' P0 (y - M0 m)

to the rotor's posterior N(m, V), P0 being the precision with the level cut where pairs are held
back and P that without the cut in question; then V becomes V (1 + dG V)^-1 and m moves by that
times dw. Exact beside the neighbouring pairs, which share runs with it (the posterior of a linear
model with known variances). Where regimes of a run share noise, P counts as it does in learning.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.likelihood import noise_precision
from adapt.learning.suspects.mistakes import Mistake
from adapt.learning.suspects.segments import Known, Segments
from adapt.learning.suspects.suspect import Suspect
from adapt.rotor import Rotor

__all__ = ["would_change"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Told = tuple[Array, Array]


def would_change(
    rotor: Rotor, runs: Runs, coefficients: Coefficients, suspects: list[Suspect]
) -> list[dict[str, Any]]:
    """Return for each suspect the coefficient that would move most, as JSON values.

    {"as_entered", "as_explained"}: each {"sensor", "regime", "adjuster", "sds"}, sensor None for
    track, sds in units of the coefficient's posterior sd per component; as if the pair were taken
    in as it stands, and as its likeliest explanation says. None where nothing would move, where
    nobody can say what was meant, or where the sensor's frame no longer holds.
    runs: as they are logged; coefficients: as learned without the suspect pairs.
    """
    held: dict[int, set[int]] = {}
    for suspect in suspects:
        held.setdefault(suspect.first, set()).update(suspect.steps)
    ends = np.append(np.flatnonzero(runs.starts), len(runs))
    found = []
    for suspect in suspects:
        first = suspect.first
        length = int(ends[np.searchsorted(ends, first, side="right")]) - first
        own = coefficients.of(runs.serials[runs.rotor[first]])
        segment = _segment(rotor, runs, first, length, coefficients, own)
        cuts = {step - first for step in held[first]}
        left = cuts - {step - first for step in suspect.steps}
        share = _speaking(coefficients.noise, segment)
        before = _told(segment, cuts, share)
        explained = _explained(segment, suspect.best)
        found.append(
            {
                "as_entered": _most(rotor, own, before, _told(segment, left, share)),
                "as_explained": explained
                and _most(rotor, own, before, _told(explained, left, share)),
            }
        )
    return found


def _segment(
    rotor: Rotor, runs: Runs, first: int, length: int, coefficients: Coefficients, own: Posterior
) -> Segments:
    """Return one segment; what rests on an unknown coefficient or an older frame is left out."""
    known = Known(
        np.nan_to_num(own.mean)[None], np.nan_to_num(own.cov)[None],
        np.nan_to_num(own.track_mean)[None], np.nan_to_num(own.track_cov)[None],
        coefficients.noise, share=1.0,
    )  # fmt: skip
    segment = Segments.of(rotor, runs, np.array([first]), length, known)
    moved = (segment.amounts[0] != 0).any(axis=(0, 1))
    lost = (np.isnan(own.mean) & moved).any(axis=1)
    old = runs.epoch[first] != runs.epoch_now[runs.rotor[first]]
    lost |= np.repeat(old, len(rotor.regimes))
    segment.readings[:, :, np.flatnonzero(lost)] = np.nan
    if len(segment.motion) > segment.channels:
        lost = (np.isnan(own.track_mean) & moved).any(axis=1)
        parts = (len(segment.motion) - segment.channels) // len(lost)
        segment.readings[:, :, segment.channels + np.flatnonzero(np.tile(lost, parts))] = np.nan
    return segment


def _explained(segment: Segments, mistake: Mistake) -> Segments | None:
    """Return the segment as it was if the mistake was made; None where nobody can say."""
    explained = segment.only(np.array([0]))
    if mistake.change is not None and not mistake.guessed:
        explained.amounts[0, mistake.run] += mistake.change
        return explained
    if mistake.readings is not None:
        row = explained.readings[0, mistake.run, : segment.channels]
        known = mistake.otherwise & ~np.isnan(row)
        row[known] = mistake.readings[known]
        return explained
    return None


def _speaking(noise: Noise, segment: Segments) -> Real:
    """Return the share of each line's word that counts where coefficients are learned, (line,)."""
    share = np.ones(len(segment.motion))
    if noise.speaking is not None:
        share[: segment.channels] = noise.speaking
    if noise.track_speaking is not None and len(share) > segment.channels:
        regimes = len(noise.track_speaking)
        parts = (len(share) - segment.channels) // regimes
        share[segment.channels :] = np.tile(noise.track_speaking, parts)
    return share


def _told(segment: Segments, cuts: Iterable[int], share: Real) -> Told:
    """Return M' P M (line, adjuster, adjuster) and M' P (y - M m) with the level cut there.

    share: (line,), how much of P counts.
    """
    moves = np.cumsum(segment.effects(segment.amounts), axis=1)[0]
    moves = np.swapaxes(moves, 0, 1)[segment.motion]  # (line, run, adjuster)
    y = np.nan_to_num(segment.readings[0].T)
    error = y - np.einsum("jka,ja->jk", moves, segment.mean[0])
    edges = [0, *sorted(cuts), segment.length]
    precision = np.zeros((*y.shape, y.shape[1]))
    for low, high in pairwise(edges):
        part = segment.only(np.array([0]))
        part.readings[:, :low] = part.readings[:, high:] = np.nan
        precision += noise_precision(part)[0][0]
    precision *= share[:, None, None]
    moves_t = np.swapaxes(moves.conj(), -1, -2)
    return moves_t @ precision @ moves, (moves_t @ (precision @ error[..., None]))[..., 0]


def _most(rotor: Rotor, own: Posterior, before: Told, after: Told) -> dict[str, Any] | None:
    """Return the coefficient that moves most between two states of knowledge."""
    g, w = after[0] - before[0], after[1] - before[1]
    channels, adjusters = own.mean.shape
    vibration = _moved(own.mean, own.joint, g[:channels], w[:channels], 2.0)
    best, at, sensor = 0.0, None, None
    if vibration.size:
        j, a = np.unravel_index(int(np.argmax(vibration)), vibration.shape)
        best, at, sensor = float(vibration[j, a]), (rotor.channels[j][1], a), rotor.channels[j][0]
    if len(g) > channels:
        shape = (-1, len(rotor.regimes), adjusters)
        track_g = g[channels:].reshape(*shape, adjusters).sum(axis=0).real
        track_w = w[channels:].reshape(shape).sum(axis=0).real
        track = _moved(own.track_mean, own.track_joint, track_g, track_w, 1.0)
        r, a = np.unravel_index(int(np.argmax(track)), track.shape)
        if track[r, a] > best:
            best, at, sensor = float(track[r, a]), (rotor.regime_names[r], a), None
    if at is None or not best > 0:
        return None
    return {
        "sensor": sensor,
        "regime": at[0],
        "adjuster": rotor.adjuster_names[at[1]],
        "sds": best,
    }


def _moved(mean: Array, joint: Array, g: Array, w: Array, parts: float) -> Real:
    """Return how far each coefficient moves, in sds per component, (channel, adjuster).

    joint: (group, size, size); g: (channel, adjuster, adjuster); w: (channel, adjuster).
    """
    groups, size = joint.shape[:2]
    adjusters = mean.shape[1]
    var = np.nan_to_num(np.einsum("sxx->sx", joint).real)
    sd = np.sqrt(np.maximum(var, 0.0))
    unit = np.where(sd > 0, 1.0 / np.where(sd > 0, sd, 1.0), 0.0)
    cov = np.nan_to_num(joint) * unit[:, :, None] * unit[:, None, :]
    scale = sd.reshape(-1, adjusters)
    told = np.zeros((groups, size, size), dtype=g.dtype)
    for n, block in enumerate(g * scale[:, :, None] * scale[:, None, :]):
        group, place = divmod(n, size // adjusters)
        at = slice(place * adjusters, (place + 1) * adjusters)
        told[group, at, at] = block
    pull = (w * scale).reshape(groups, size, 1)
    moved = cov @ np.linalg.solve(np.eye(size) + told @ cov, pull)
    return np.asarray(np.abs(moved).reshape(mean.shape) * np.sqrt(parts))
