"""How channels move together on the other rotors: what a changed rotor has no part in.

The learned correlation was taken from all residuals of the fleet. A rotor that answers otherwise
moves all its channels at once, so in a small fleet that correlation takes part of its change for
noise, and a factor fitted with it comes out too near to 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.scan import Scan

__all__ = ["Others"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

FEWEST = 4  # other rotors
DOUBT = 1.0  # as many runs as channels speak for independence


@dataclass(frozen=True, eq=False)
class Others:
    """Sums over rotors. code: (rotor,); product, count: (rotor, channel, channel)."""

    code: Whole
    product: Array
    count: Whole

    @classmethod
    def of(cls, scans: Sequence[Scan]) -> Others:
        """Return what scans of rotors have in their residuals."""
        return cls(
            np.concatenate([s.cases.code for s in scans]),
            np.concatenate([s.moments[0] for s in scans]),
            np.concatenate([s.moments[1] for s in scans]),
        )

    def without(self, code: int) -> tuple[Array | None, float]:
        """Return the correlation of all rotors but one; None where there are too few others.

        Shrunk to independence, so that it has an inverse. Beside it: by how much the variances that
        it gives must be widened, n / (n - p) for n runs of p channels, as the inverse of a sample
        covariance is too large by that (of a Wishart matrix; Anderson, An Introduction to
        Multivariate Statistical Analysis (Wiley 2003), lemma 7.7.1, from memory); at most 2.
        """
        rest = (self.code != code) & (self.count.sum(axis=(1, 2)) > 0)
        if rest.sum() < FEWEST:
            return None, 1.0
        count = self.count[rest].sum(axis=0)
        channels = len(count)
        product = self.product[rest].sum(axis=0)
        size = np.sqrt(np.maximum(np.diag(product).real, 1e-300) / np.maximum(np.diag(count), 1))
        mean = product / (count + DOUBT * channels)
        found = mean / (size[:, None] * size)
        found[np.arange(channels), np.arange(channels)] = 1.0
        values, vectors = np.linalg.eigh(found)
        whole = (vectors * np.maximum(values, 1e-3)) @ vectors.T.conj()
        scale = np.sqrt(np.diag(whole).real)
        runs = float(np.diag(count).min())
        widened = min(2.0, runs / max(runs - channels, 1.0))
        return np.asarray(whole / (scale[:, None] * scale)), widened
