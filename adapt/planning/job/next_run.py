"""The run after a plan: where the job then stands, as expected or drawn by chance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.blocks import root_of
from adapt.coefficients import Coefficients
from adapt.effects import channel_sums, contrast_changes, contrasts
from adapt.level import Level, predict_run
from adapt.planning.job.standing import Standing, follow
from adapt.rotor import Rotor

__all__ = ["NEXT_RUN", "after_next_run"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

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
    readings = _read(
        standing.vibration,
        channel_sums(rotor, amounts)[:, None, :],
        noise.reading_var,
        noise.run_var_after(moved),
        noise.correlation,
        rng,
    )[:, 0].astype(complex)
    heights = np.full((len(rotor.regimes), len(rotor.blades)), np.nan)
    if standing.track is not None:
        lift = contrast_changes(amounts)
        contrast = _read(
            standing.track,
            np.broadcast_to(lift, (len(rotor.regimes), *lift.shape)),
            noise.track_reading_var,
            noise.track_run_var_after(moved),
            None,
            rng,
        )
        heights = contrast @ contrasts(len(rotor.blades))
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


def _read(
    level: Level,
    moves: Array,
    reading_var: Real,
    run_var: Real,
    correlation: Array | None,
    rng: np.random.Generator | None,
) -> Array:
    """Return what is read next, (channel, part); NaN where it was never read.

    Without rng what is expected. Otherwise coefficients are drawn as they are known together, and
    noise with its correlation over channels.
    """
    mean, _ = predict_run(level, moves, reading_var, run_var)
    if rng is None:
        return mean
    known = ~np.isnan(level.mean)
    errors = root_of(level.joint) @ _normal(rng, (*level.joint.shape[:2], 1), mean.dtype)
    errors = np.where(known, errors.reshape(level.mean.shape), 0.0)
    slope = level.slope + np.where(known[:, None, :], moves, 0.0)
    noise = _normal(rng, mean.shape, mean.dtype)
    if correlation is not None:
        noise = root_of(correlation) @ noise
    own = np.where(np.isinf(level.own_var), 0.0, level.own_var) + run_var + reading_var
    return np.asarray(mean + np.einsum("jpa,ja->jp", slope, errors) + np.sqrt(own)[:, None] * noise)


def _normal(rng: np.random.Generator, shape: tuple[int, ...], kind: np.dtype[Any]) -> Array:
    """Return normal numbers with E|.|^2 = 1, circular ones of a complex kind."""
    if not np.issubdtype(kind, np.complexfloating):
        return rng.standard_normal(shape)
    draws = rng.standard_normal((2, *shape)) / np.sqrt(2.0)
    return np.asarray(draws[0] + 1j * draws[1])
