"""A cheap look at every rotor of a large fleet: who is worth the whole test?

The same candidates and the same kinds of factor, but scores of what is left over once everything
that the rotor's runs say is taken in, at the coefficients that the fleet and the rotor gave it:
no walk through the runs. Sensors are taken as independent, and the rows of a run begin to answer
otherwise where its moves do. What passes by chance or not is decided by the whole test only, so
nothing that is let through here can raise a false alarm; what is lost is measured by
`studies/drift.py`.

With rows z = X c + e, posterior mean m and covariance C of c (both with this rotor's rows), and a
direction v = X_part m: U = v' (z - X m), K = v' v - v' X C X' v (Woodbury's identity).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.calibration import inflation_of, strongest
from adapt.learning.health.cases import Cases
from adapt.learning.health.evidence import CLIPPED, RIDGE, Sums, Tests, tests_of
from adapt.learning.health.parts import Since, parts_by_blade
from adapt.learning.health.rows import whiten
from adapt.learning.health.scan import Search

__all__ = ["cheap_tests", "strongest_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]


def cheap_tests(search: Search, cases: Cases, since: Since) -> tuple[Tests, ...]:
    """Return the cheap tests by family; cases: with their own posterior still."""
    sums = _sums(cases, since)
    parts, allowed = search.parts(since), search.allowed(cases, since)
    return tuple(
        tests_of(sums.of(parts[f]), kinds, allowed[f], search.track)
        for f, kinds in enumerate(search.kinds)
    )


def strongest_of(search: Search, tests: list[tuple[Tests, ...]]) -> Real:
    """Return -log p of each rotor's strongest cheap test of any family, chunk by chunk."""
    if not tests:
        return np.zeros(0)
    by_family = []
    for f, kinds in enumerate(search.kinds):
        family = [t[f] for t in tests]
        inflation = inflation_of(family, kinds.group)
        found = [strongest(t.log_p(inflation), t.count)[:, 0] for t in family]
        by_family.append(np.concatenate(found))
    return np.asarray(np.max(by_family, axis=0))


def _sums(cases: Cases, since: Since) -> Sums:
    """Return scores and information of all parts, all moves first, as `evidence.sums_of` does."""
    count, sensors = cases.mean.shape[:2]
    length = cases.row.shape[1]
    contrasts = cases.readings.shape[2] // max(sensors, 1)
    rows = whiten(cases, parts_by_blade(cases)).sharing(sensors)
    mean = np.where(cases.known, cases.mean, 0.0)
    scale = cases.speaking[..., None]
    x = rows.x
    left = rows.z - np.einsum("cnsra,csra->cnsr", x, mean)
    left *= CLIPPED / np.maximum(np.abs(left), CLIPPED)
    heard = x.conj() * scale
    # Of each run and part: what it shares with all rows, its own square, and its score.
    blades = rows.parts[:, 1:]
    profile = since.profile[:, :, :, None] * np.ones(contrasts)
    profile = profile.reshape(count, -1, length * contrasts)
    profile = np.concatenate([np.ones((count, 1, profile.shape[2])), profile], axis=1)

    told = np.einsum("cnsra,cnsr->cnsra", heard, left)
    score = _over(profile, told)
    shared = heard[..., :, None] * x[..., None, :]
    across = _over(profile, shared)
    square = _over(profile**2, shared)
    told_blade = np.einsum("cbnsra,cnsr->cbsra", blades.conj() * scale, left)
    cross_blade = np.einsum("cnsra,cbnsrd->cbsrad", heard, blades, optimize=True)
    square_blade = np.einsum("cbnsra,cbnsrd->cbsrad", blades.conj() * scale, blades, optimize=True)
    at = 1
    score = np.concatenate([score[:, :at], told_blade, score[:, at:]], axis=1)
    across = np.concatenate([across[:, :at], cross_blade, across[:, at:]], axis=1)
    square = np.concatenate([square[:, :at], square_blade, square[:, at:]], axis=1)
    return _projected(cases, mean, score, across, square)


def _projected(cases: Cases, mean: Array, score: Array, across: Array, square: Array) -> Sums:
    """Return the sums without what the rotor's coefficients and its common factors explain."""
    count, sensors, _, adjusters = mean.shape
    parts = score.shape[1]
    factor = mean[:, None]
    score = np.einsum("cpsra,cpsra->cpsa", np.broadcast_to(factor.conj(), score.shape), score)
    # Toward all rows, (case, part, sensor, regime * adjuster, adjuster).
    toward = (across * factor[..., None, :]).reshape(count, parts, sensors, -1, adjusters)
    own = np.einsum("csra,cpsrad,csrd->cpsad", mean.conj(), square, mean, optimize=True)
    base = np.einsum("csra,cpsrad,csrd->cpsad", mean.conj(), np.swapaxes(across, 4, 5).conj(),
                     mean, optimize=True)  # fmt: skip
    mirrored = np.swapaxes(toward, 3, 4).conj()
    pulled = cases.cov[:, None] @ toward
    own = own - mirrored @ pulled
    base = base - mirrored @ pulled[:, :1]
    common = base[:, 0]
    weight = np.maximum(np.einsum("csaa->csa", common).real, 0.0)
    top = np.maximum(weight.max(axis=(1, 2), initial=0.0), 1e-300)[:, None, None]
    common = common + np.eye(adjusters) * (RIDGE * weight + 1e-9 * top)[..., None]
    share = base @ np.linalg.inv(common)[:, None]
    information = own - share @ np.swapaxes(base, 3, 4).conj()
    score = score - (share @ score[:, :1, ..., None])[..., 0]
    whole = np.zeros((count, parts, sensors, adjusters, sensors, adjusters), dtype=complex)
    every = np.arange(sensors)
    whole[:, :, every, :, every, :] = np.moveaxis(information, 2, 0)
    size = sensors * adjusters
    joint = whole.reshape(count, parts, size, size)
    joint = 0.5 * (joint + np.swapaxes(joint, 2, 3).conj())
    return Sums(score.reshape(count, parts, size, 1), joint)


def _over(profile: Real, values: Array) -> Array:
    """Return values of runs, (case, run, ...), summed over runs by profile, (case, part, ...)."""
    count, length = values.shape[:2]
    summed = profile @ values.reshape(count, length, -1)
    return np.asarray(summed.reshape(count, profile.shape[1], *values.shape[2:]))
