"""What is known of coefficients, as values: posteriors, noise, and where they came from.

Covariances are of circular normals: cov = E[(c - m)(c - m)^H]; a per-component sd is sqrt(v / 2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.blocks import by_channel, joined
from adapt.chart import Chart
from adapt.rotor import Rotor

__all__ = ["Coefficients", "Noise", "Posterior", "component_sd"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Count = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known of one set of coefficients (one rotor's, an unseen rotor's, or the type's).

    mean: shape (channel, adjuster), complex (lag); NaN where nothing informs it.
    joint: (sensor, regime * adjuster, same), complex Hermitian: covariance of a sensor's
    coefficients in all regimes together; NaN rows and columns likewise.
    track_mean: (regime, adjuster), real; track_joint: (1, regime * adjuster, same), real.
    pairs: (channel, adjuster): pairs read in both runs in which the adjuster moved; track_pairs
    (regime, adjuster) likewise.
    """

    mean: Complex
    joint: Complex
    track_mean: Real
    track_joint: Real
    pairs: Count
    track_pairs: Count

    @classmethod
    def of_channels(
        cls,
        mean: Complex,
        cov: Complex,
        track_mean: Real,
        track_cov: Real,
        pairs: Count,
        track_pairs: Count,
    ) -> Posterior:
        """Return a posterior whose channels are independent; cov: (channel, adjuster, adjuster)."""
        regimes = len(track_mean)
        return cls(
            mean, joined(cov, regimes), track_mean, joined(track_cov, regimes), pairs, track_pairs
        )

    @property
    def cov(self) -> Complex:
        """Covariance of each channel's coefficients, (channel, adjuster, adjuster)."""
        return by_channel(self.joint, self.mean.shape[1])

    @property
    def track_cov(self) -> Real:
        """Covariance of each regime's track coefficients, (regime, adjuster, adjuster)."""
        return by_channel(self.track_joint, self.track_mean.shape[1])


@dataclass(frozen=True, eq=False)
class Noise:
    """Variances: reading_var r and run_var q of design section 5.

    reading_var, run_var: shape (channel,), E|e|^2 of complex e (per-component sd = sqrt(r / 2)).
    track_reading_var, track_run_var: shape (regime,), real variance of one blade's height before
    the blades' mean is removed. NaN where a rotor has no track.
    correlation: (channel, channel), E[e_j conj(e_k)] of unit errors, of w and e alike; None = not
    known, channels are then taken as independent.
    move_var, track_move_var: (channel, adjuster), (regime, adjuster): what one move of an adjuster
    adds to the run-to-run change because it is not made exactly (amount_sd); None = nothing.
    speaking, track_speaking: (channel,), (regime,): the share of a reading's word that counts where
    it teaches coefficients, because regimes of one run share noise; None = all of it.
    """

    reading_var: Real
    run_var: Real
    track_reading_var: Real
    track_run_var: Real
    correlation: Complex | None = None
    move_var: Real | None = None
    track_move_var: Real | None = None
    speaking: Real | None = None
    track_speaking: Real | None = None

    def together(self, at: npt.ArrayLike) -> Complex:
        """Return the correlation of some channels, by their places, (at, at)."""
        places = np.asarray(at, dtype=np.intp)
        if self.correlation is None:
            return np.eye(len(places), dtype=complex)
        return self.correlation[np.ix_(places, places)]

    def run_var_after(self, moved: npt.ArrayLike) -> Real:
        """Return the variance of a step, (..., channel), to which moves led.

        moved: (..., adjuster), on how many blades each adjuster was moved.
        """
        return _with_moves(self.run_var, self.move_var, moved)

    def track_run_var_after(self, moved: npt.ArrayLike) -> Real:
        """Return the same of track, (..., regime)."""
        return _with_moves(self.track_run_var, self.track_move_var, moved)


@dataclass(frozen=True, eq=False)
class Coefficients:
    """Learned coefficients of a rotor design: the type's, an unseen rotor's, and each rotor's own.

    type_: posterior of the type's mean c; unseen: of a rotor with no runs (c + d).
    rotors: by serial. taught: the (job, after_run) pairs that are in these coefficients.
    withheld: the pairs that were looked at and held back as suspect entries.
    suspects, references, health: rows of the document: suspect entries, moved references and
    sensors, rotors that no longer answer as they did.
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
    withheld: frozenset[tuple[str, str]] = frozenset()
    chart: Chart | None = None
    suspects: tuple[Mapping[str, Any], ...] = ()
    references: tuple[Mapping[str, Any], ...] = ()
    health: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    origin: Mapping[str, Any] = field(default_factory=dict)

    def of(self, rotor: str) -> Posterior:
        """Return a rotor's posterior by serial; that of an unseen rotor when it has no runs."""
        return self.rotors.get(rotor, self.unseen)

    def summary(self, rotor: Rotor) -> pd.DataFrame:
        """Return every vibration coefficient as a person reads it: see `summary.summary_of`."""
        from adapt.coefficients.summary import summary_of

        return summary_of(self, rotor)

    def track_summary(self, rotor: Rotor) -> pd.DataFrame:
        """Return every track coefficient as a person reads it: see `summary.track_summary_of`."""
        from adapt.coefficients.summary import track_summary_of

        return track_summary_of(self, rotor)

    def rotors_summary(self, rotor: Rotor) -> pd.DataFrame:
        """Return one row for each rotor, beside its type: see `summary.rotors_summary_of`."""
        from adapt.coefficients.summary import rotors_summary_of

        return rotors_summary_of(self, rotor)


def component_sd(cov: Complex) -> Real:
    """Return sds per component, (channel, adjuster), of circular normals of covariance cov."""
    return np.sqrt(np.maximum(np.einsum("jaa->ja", cov).real, 0.0) / 2.0)


def _with_moves(run_var: Real, move_var: Real | None, moved: npt.ArrayLike) -> Real:
    counts = np.asarray(moved, dtype=float)
    if move_var is None:
        return np.broadcast_to(run_var, (*counts.shape[:-1], len(run_var)))
    return np.asarray(run_var + counts @ np.nan_to_num(move_var).T)
