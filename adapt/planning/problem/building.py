"""From a job's coefficients, standing and hardware to the numbers of its planning problem."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.blocks import root_of
from adapt.coefficients import Coefficients
from adapt.effects import blade_phasors, contrasts, track_changes
from adapt.planning.job.hardware import Hardware
from adapt.planning.job.scope import Limited, Scope, limited
from adapt.planning.job.standing import Standing
from adapt.planning.plan import ChannelKey
from adapt.planning.problem.together import Shared
from adapt.planning.problem.values import Problem, Track, Vibration
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["build_problem"]


def build_problem(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    scope: Scope | None = None,
    hedge: bool = True,
) -> tuple[Problem, tuple[ChannelKey, ...]]:
    """Return the problem of a job, and the limited channels that were never read in it.

    The coefficients of everything that can move must be known for every limited reading (see
    `job.known`). Raises BadInput when nothing with a limit was read, or when the coefficients'
    noise gives no number for something that was.
    """
    held = limited(rotor, standing, scope or Scope())
    if not held.keys:
        raise BadInput(
            "nothing that was read in this job has a limit: give limits in the rotor file, or "
            "check the regimes and the limit set asked for"
        )
    vibration = _vibration(rotor, coefficients, standing, hardware, held.part(of_track=False))
    track = _track(rotor, coefficients, standing, hardware, held.part(of_track=True))
    _refuse_what_is_no_number(vibration, track)
    return Problem(hardware, vibration, track, hedge), held.missing


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


def _vibration(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    held: Limited,
) -> Vibration:
    at = [rotor.channels.index((key.sensor or "", key.regime)) for key in held.keys]
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
    factor = np.swapaxes(root_of(cov), 1, 2)
    doubt = factor[:, :, hardware.adjuster] * unit[:, None, :]
    level_doubt = np.einsum("jfa,ja->jf", factor, level.slope[at, 0])
    base = level.own_var[at] + noise.run_var[at] + noise.reading_var[at]
    power = np.abs(known) ** 2 + np.einsum("jaa->ja", cov).real
    sd = np.array([a.amount_sd for a in rotor.adjusters]).reshape(adjusters)
    scale = held.limit
    return Vibration(
        keys=held.keys,
        level=np.asarray(level.level_mean[at, 0] / scale, dtype=complex),
        effect=np.asarray(known[:, hardware.adjuster] * unit / scale[:, None], dtype=complex),
        doubt=np.asarray(doubt / scale[:, None, None], dtype=complex),
        level_doubt=level_doubt / scale[:, None],
        base_var=base / scale**2,
        noise_var=(noise.run_var[at] + noise.reading_var[at]) / scale**2,
        inexact_var=(power * sd**2)[:, hardware.adjuster] / scale[:, None] ** 2,
        correlation=noise.together(at),
        counted=held.counted,
        weight=held.weight,
        shared=Shared(
            group=np.array(at, dtype=np.int64) // len(rotor.regimes),
            link=_links(level.joint, at, adjusters) / scale[:, None, None],
            unit=_each_adjuster(unit[:, None, :], hardware, adjusters),
            slope=level.slope[at],
        ),
    )


def _links(joint: npt.NDArray[Any], at: list[int], adjusters: int) -> npt.NDArray[Any]:
    """Return the rows of a root of joint covariances that belong to channels, (row, adjuster, f).

    joint: (group, regime * adjuster, same).
    """
    groups, size = joint.shape[:2]
    roots = root_of(joint).reshape(groups, -1, adjusters, size)
    return roots.reshape(-1, adjusters, size)[at]


def _each_adjuster(
    effect: npt.NDArray[Any], hardware: Hardware, adjusters: int
) -> npt.NDArray[Any]:
    """Return (row, part, variable) as (row, part, adjuster, variable), zero for other adjusters."""
    own = np.arange(adjusters)[:, None] == hardware.adjuster
    return np.where(own, effect[:, :, None, :], 0.0)


def _track(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    hardware: Hardware,
    held: Limited,
) -> Track:
    blades, adjusters, variables = len(rotor.blades), len(rotor.adjusters), len(hardware.step)
    if standing.track is None or not held.keys:
        return Track(
            keys=(),
            heights=np.zeros((0, blades)),
            effect=np.zeros((0, blades, variables)),
            doubt=np.zeros((0, blades, adjusters, variables)),
            level_doubt=np.zeros((0, blades, adjusters)),
            base_var=np.zeros(0),
            noise_var=np.zeros(0),
            inexact_var=np.zeros((0, blades, variables)),
            counted=np.zeros(0, dtype=bool),
            weight=np.zeros(0),
            shared=Shared(
                group=np.zeros(0, dtype=np.int64),
                link=np.zeros((0, adjusters, 0)),
                unit=np.zeros((0, blades, adjusters, variables)),
                slope=np.zeros((0, blades, adjusters)),
            ),
        )
    at = [rotor.regime_names.index(key.regime) for key in held.keys]
    level = standing.track
    noise = coefficients.noise
    basis = contrasts(blades)
    # What one step of each variable does to each blade, for one unit of coefficient.
    unit = hardware.amounts(np.eye(variables, dtype=np.int64))
    lift = np.einsum("vba->bav", track_changes(unit))
    known = np.nan_to_num(level.mean[at])
    cov = np.nan_to_num(level.cov[at])
    factor = np.swapaxes(root_of(cov), 1, 2).real
    slope = np.einsum("mb,tma->tba", basis, level.slope[at])
    base = level.own_var[at] + noise.track_run_var[at] + noise.track_reading_var[at]
    sd = np.array([a.amount_sd for a in rotor.adjusters]).reshape(adjusters)
    power = (known**2 + np.einsum("taa->ta", cov)) * sd**2
    scale = held.limit
    on_blade = np.eye(blades)[:, hardware.blade]
    return Track(
        keys=held.keys,
        heights=level.level_mean[at] @ basis / scale[:, None],
        effect=np.einsum("ta,bav->tbv", known, lift) / scale[:, None, None],
        doubt=np.einsum("tfa,bav->tbfv", factor, lift) / scale[:, None, None, None],
        level_doubt=np.einsum("tfa,tba->tbf", factor, slope) / scale[:, None, None],
        base_var=base / scale**2,
        noise_var=(noise.track_run_var[at] + noise.track_reading_var[at]) / scale**2,
        inexact_var=(power[:, hardware.adjuster] / scale[:, None] ** 2)[:, None, :] * on_blade,
        counted=held.counted,
        weight=held.weight,
        shared=Shared(
            group=np.zeros(len(at), dtype=np.int64),
            link=_links(level.joint, at, adjusters).real / scale[:, None, None],
            unit=np.broadcast_to(lift, (len(at), *lift.shape)),
            slope=slope,
        ),
    )
