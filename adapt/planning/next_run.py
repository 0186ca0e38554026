"""The run after a plan: where the job then stands, as expected or drawn by chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients, Noise
from adapt.effects import contrasts, harmonic_sums, track_changes
from adapt.level import Level, predict_run
from adapt.planning.standing import Standing, follow
from adapt.rotor import Rotor

__all__ = ["NEXT_RUN", "after_next_run"]

Real = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

NEXT_RUN = "the next run"


def after_next_run(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    amounts: Real,
    rng: np.random.Generator | None = None,
) -> Standing:
    """Return where a job stands after these moves and one more run that reads everything again.

    amounts: (blade, adjuster). rng: the run is drawn from its predictive law; without one it reads
    what is expected, so that what is known grows and no mean changes. What was never read in the
    job stays so.
    """
    noise = coefficients.noise
    moved = (amounts != 0).sum(axis=0)
    readings = _readings(rotor, noise, standing.vibration, amounts, moved, rng)
    heights = np.full((len(rotor.regimes), len(rotor.blades)), np.nan)
    if standing.track is not None:
        heights = _heights(rotor, noise, standing.track, amounts, moved, rng)
    vibration, track = follow(
        rotor,
        noise,
        (standing.vibration, standing.track),
        amounts,
        readings,
        heights,
        teach=True,
    )
    read = np.isfinite(readings)
    seen = np.isfinite(heights).all(axis=1)
    return replace(
        standing,
        after_run=NEXT_RUN,
        vibration=vibration,
        track=track,
        read_in=tuple(NEXT_RUN if r else "" for r in read),
        track_read_in=tuple(NEXT_RUN if s else "" for s in seen),
        last=np.where(read, readings, np.nan),
        last_heights=np.where(seen[:, None], heights, np.nan),
    )


def _readings(
    rotor: Rotor,
    noise: Noise,
    level: Level,
    amounts: Real,
    moved: npt.NDArray[np.int64],
    rng: np.random.Generator | None,
) -> Complex:
    """Return what each channel reads next, (channel,); NaN where it was never read."""
    orders = [rotor.sensor(sensor).order for sensor, _ in rotor.channels]
    sums = {order: harmonic_sums(rotor, amounts, order) for order in set(orders)}
    x = np.stack([sums[order] for order in orders])[:, None, :]
    mean, cov = predict_run(level, x, noise.reading_var, noise.run_var_after(moved))
    mean, var = mean[:, 0], np.nan_to_num(cov[:, 0, 0].real, nan=0.0, posinf=0.0)
    if rng is None:
        return np.asarray(mean, dtype=complex)
    draws = rng.standard_normal((2, len(mean))) / np.sqrt(2.0)
    z = draws[0] + 1j * draws[1]
    if noise.correlation is not None:
        values, vectors = np.linalg.eigh(noise.correlation)
        z = (vectors * np.sqrt(np.maximum(values, 0.0))) @ z
    return np.asarray(mean + np.sqrt(var) * z, dtype=complex)


def _heights(
    rotor: Rotor,
    noise: Noise,
    level: Level,
    amounts: Real,
    moved: npt.NDArray[np.int64],
    rng: np.random.Generator | None,
) -> Real:
    """Return the heights read next, (regime, blade); NaN where track was never read."""
    basis = contrasts(len(rotor.blades))
    lift = np.einsum("mb,ba->ma", basis, track_changes(amounts))
    x = np.broadcast_to(lift, (len(rotor.regimes), *lift.shape))
    mean, cov = predict_run(level, x, noise.track_reading_var, noise.track_run_var_after(moved))
    if rng is not None:
        cov = np.nan_to_num(cov, nan=0.0, posinf=0.0)
        values, vectors = np.linalg.eigh(cov)
        root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
        mean = mean + np.einsum("gmn,gn->gm", root, rng.standard_normal(mean.shape))
    return np.asarray(mean @ basis, dtype=float)
