"""What limits share, and the chance that the next run is inside all of them together, by sampling.

A sensor's coefficients are known jointly over its regimes, and so is the track's: where one effect
comes out larger than expected, its neighbours do too. A run's noise is correlated over channels.
The single chances know nothing of either; their product says too little where much is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.blocks import root_of

__all__ = ["SAMPLES", "Shared", "share_inside"]

SAMPLES, SEED = 30_000, 20260101
_AT_ONCE = 6_000

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Shared:
    """What is not known of coefficients, by the factors that rows share.

    group: (row,) the sensor (0 for track); link: (row, adjuster, factor): a coefficient's error is
    link @ standard normal factors of its group, over the limit. unit: (row, part, adjuster,
    variable): what one step moves, for one unit of coefficient, on each part (1; the blades of
    track). slope: (row, part, adjuster): the level's share of the same errors.
    """

    group: npt.NDArray[np.int64]
    link: Array
    unit: Array
    slope: Array

    def scaled(self, factor: float) -> Shared:
        """Return the same for limits so many times as large."""
        return replace(self, link=self.link / factor)

    def loading(self, steps: Real) -> Array:
        """Return the errors of rows, (row, part, factor), for steps (variable,)."""
        moved = self.unit @ steps + self.slope
        return np.einsum("rpa,raf->rpf", moved, self.link)


def share_inside(
    mean: Complex,
    shared: Shared,
    noise_var: Real,
    correlation: Complex,
    own_var: Real,
    heights: Real,
    track: Shared,
    height_var: Real,
    steps: Real,
    samples: int = SAMPLES,
) -> float:
    """Return the share of seeded draws inside all limits of 1 (an sd of at most 0.003 by default).

    mean (row,), noise_var (row,) with correlation (row, row), own_var (row,): amplitudes. heights
    (regime, blade), height_var (regime, blade): blades. steps: (variable,).
    """
    rng = np.random.default_rng(SEED)
    loading = shared.loading(steps)[:, 0]
    alike = shared.group[:, None] == shared.group
    noise_sd = np.sqrt(noise_var)
    cov = np.where(alike, loading @ loading.conj().T, 0.0) + np.diag(own_var)
    root = root_of(cov + noise_sd[:, None] * correlation * noise_sd)
    lift = track.loading(steps).real
    lift = lift.reshape(heights.size, lift.shape[-1])
    track_root = root_of(lift @ lift.T + np.diag(height_var.ravel()))
    inside = 0
    for first in range(0, samples, _AT_ONCE):
        count = min(_AT_ONCE, samples - first)
        ok = np.ones(count, dtype=bool)
        if len(mean):
            z = _circular(rng, count, len(mean)) @ root.T + mean
            ok &= (z.real**2 + z.imag**2 <= 1.0).all(axis=1)
        if len(heights):
            h = rng.standard_normal((count, heights.size)) @ track_root.T
            ok &= (np.ptp(h.reshape(count, *heights.shape) + heights, axis=2) <= 1.0).all(axis=1)
        inside += int(ok.sum())
    return inside / samples


def _circular(rng: np.random.Generator, *shape: int) -> Complex:
    draws = rng.standard_normal((2, *shape)) / np.sqrt(2.0)
    return np.asarray(draws[0] + 1j * draws[1])
