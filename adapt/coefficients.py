"""A labelled set of influence coefficients: means, covariances, noise, and where they came from.

Values and the JSON file. How they are learned lives in `learning`.
Covariances are of circular normals: cov = E[(c - m)(c - m)^H]; a per-component sd is sqrt(v / 2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart

__all__ = ["Coefficients", "Noise", "Posterior"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Count = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known of one set of coefficients (one rotor's, an unseen rotor's, or the type's).

    mean: shape (channel, adjuster), complex (lag); NaN where nothing informs it.
    cov: shape (channel, adjuster, adjuster), complex Hermitian; NaN rows and columns likewise.
    track_mean: (regime, adjuster), real; track_cov: (regime, adjuster, adjuster), real.
    pairs: (channel, adjuster): pairs read in both runs in which the adjuster moved; track_pairs
    (regime, adjuster) likewise.
    """

    mean: Complex
    cov: Complex
    track_mean: Real
    track_cov: Real
    pairs: Count
    track_pairs: Count


@dataclass(frozen=True, eq=False)
class Noise:
    """Variances: reading_var r and run_var q of design section 5.

    reading_var, run_var: shape (channel,), E|e|^2 of complex e (per-component sd = sqrt(r / 2)).
    track_reading_var, track_run_var: shape (regime,), real variance of one blade's height before
    the blades' mean is removed. NaN where a rotor has no track.
    """

    reading_var: Real
    run_var: Real
    track_reading_var: Real
    track_run_var: Real


@dataclass(frozen=True, eq=False)
class Coefficients:
    """Learned coefficients of a rotor design: the type's, an unseen rotor's, and each rotor's own.

    type_: posterior of the type's mean c; unseen: of a rotor with no runs (c + d).
    rotors: by serial. taught: the (job, after_run) pairs that are in these coefficients.
    """

    design: str
    channels: tuple[tuple[str, str], ...]
    regimes: tuple[str, ...]
    adjusters: tuple[str, ...]
    type_: Posterior
    unseen: Posterior
    rotors: Mapping[str, Posterior]
    noise: Noise
    taught: frozenset[tuple[str, str]] = frozenset()
    chart: Chart | None = None
    suspects: tuple[Mapping[str, Any], ...] = ()
    references: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    origin: Mapping[str, Any] = field(default_factory=dict)

    def of(self, rotor: str) -> Posterior:
        """Return the posterior of a rotor by serial; that of an unseen rotor when it has no runs."""
        return self.rotors.get(rotor, self.unseen)
