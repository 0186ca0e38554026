"""Joint covariances of a sensor's coefficients in all regimes, and the blocks of single channels.

Channels stand sensor by sensor, each with all regimes; a sensor's coefficients stand regime by
regime, each with all adjusters. Track is one sensor more.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["by_channel", "joined", "root_of"]

Array = npt.NDArray[Any]


def by_channel(joint: Array, adjusters: int) -> Array:
    """Return the blocks of single channels of joint covariances, (channel, adjuster, adjuster)."""
    groups, size = joint.shape[:2]
    regimes = size // max(adjusters, 1)
    parts = joint.reshape(groups, regimes, adjusters, regimes, adjusters)
    at = np.arange(regimes)
    return parts[:, at, :, at, :].transpose(1, 0, 2, 3).reshape(-1, adjusters, adjusters)


def root_of(cov: Array) -> Array:
    """Return L with L @ L^H = cov for stacked covariances (..., row, row); NaN counts as 0.

    What rounding leaves below zero counts as 0 too.
    """
    values, vectors = np.linalg.eigh(np.nan_to_num(cov))
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :])


def joined(cov: Array, regimes: int) -> Array:
    """Return joint covariances of sensors whose channels are independent, the inverse of it.

    cov: (channel, adjuster, adjuster). NaN where an adjuster is not known in a channel.
    """
    adjusters = cov.shape[1]
    groups = len(cov) // max(regimes, 1)
    parts = cov.reshape(groups, regimes, adjusters, adjusters)
    blocks = np.zeros((groups, regimes, adjusters, regimes, adjusters), dtype=cov.dtype)
    at = np.arange(regimes)
    blocks[:, at, :, at, :] = parts.transpose(1, 0, 2, 3)
    joint = blocks.reshape(groups, regimes * adjusters, regimes * adjusters)
    lost = np.isnan(np.einsum("sxx->sx", joint))
    return np.where(lost[:, :, None] | lost[:, None, :], np.nan, joint)
