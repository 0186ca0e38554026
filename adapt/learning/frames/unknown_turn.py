"""What is known of a rotor after its reference or a sensor was moved by nobody knows how far.

A reference that was fitted again stands where the type's stands, or nearly: angles scatter by
TURN_SD_DEG of shaft about that (common practice, no source), the same at all of a sensor's
coefficients. A coefficient c then reads as exp(i n angle) c, a factor of mean rho =
exp(-(n s)^2 / 2) and second moment 1: moments of a wrapped normal. As a normal law, what the fleet
says becomes

    mean rho m, covariance V + (1 - rho^2) m m^H,

and one pair that is read well settles the factor, because all coefficients share it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Posterior
from adapt.rotor import Rotor

__all__ = ["TURN_SD_DEG", "with_unknown_turn"]

Complex = npt.NDArray[np.complex128]
Truth = npt.NDArray[np.bool_]

TURN_SD_DEG = 30.0
_LEAST = 1e-10  # of the largest: what is known better counts as known so well


def with_unknown_turn(
    posterior: Posterior, unseen: Posterior, rotor: Rotor, moved: Truth
) -> Posterior:
    """Return what a rotor's pairs since say together with what is known of where it reads now.

    posterior: from these pairs and the fleet, as if the moved sensors read as the type does;
    unseen: what the fleet says of a rotor without pairs. moved: (sensor,).
    """
    mean, joint = posterior.mean.copy(), posterior.joint.copy()
    regimes = len(rotor.regimes)
    for s in np.flatnonzero(moved):
        at = slice(s * regimes, (s + 1) * regimes)
        prior = unseen.mean[at].reshape(-1)
        known = ~np.isnan(prior) & ~np.isnan(mean[at].reshape(-1))
        if not known.any():
            continue
        rho = float(np.exp(-0.5 * (rotor.sensors[s].order * np.deg2rad(TURN_SD_DEG)) ** 2))
        pick = np.ix_(known, known)
        own = mean[at].reshape(-1)
        own[known], joint[s][pick] = _turned(
            prior[known], unseen.joint[s][pick], own[known], joint[s][pick], rho
        )
        mean[at] = own.reshape(regimes, -1)
    return replace(posterior, mean=mean, joint=joint)


def _turned(
    prior: Complex, prior_cov: Complex, mean: Complex, cov: Complex, rho: float
) -> tuple[Complex, Complex]:
    """Return mean and covariance under the wider prior of what gave mean, cov under this one.

    All in the coordinates in which the prior's covariance is 1.
    """
    values, vectors = np.linalg.eigh(prior_cov)
    size = max(float(values.max()), float((np.abs(prior) ** 2).max()))
    raised = np.maximum(values, _LEAST * size)
    cov = cov + (vectors * (raised - values)) @ vectors.conj().T
    root = np.sqrt(raised)
    into, back = vectors.conj().T / root[:, None], vectors * root
    one = np.eye(len(prior))
    before, m = into @ prior, into @ mean
    # What the pairs said, as information: nothing where the posterior is the prior.
    after_pairs = np.linalg.inv(_even(into @ cov @ into.conj().T) + _LEAST * one)
    before_pairs = 1.0 / (1.0 + _LEAST)
    said = after_pairs @ m - before_pairs * before
    told = _without_negative(_even(after_pairs - before_pairs * one))
    inverse = np.linalg.inv(one + (1.0 - rho**2) * np.outer(before, before.conj()))
    after = _even(np.linalg.inv(_even(inverse + told)))
    turned = after @ (inverse @ (rho * before) + said)
    return back @ turned, _even(back @ after @ back.conj().T)


def _even(matrix: npt.NDArray[Any]) -> Complex:
    return np.asarray(0.5 * (matrix + matrix.conj().T))


def _without_negative(matrix: Complex) -> Complex:
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.conj().T)
