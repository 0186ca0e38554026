"""What readings before and after are worth under each explanation of them.

Nothing was moved between, or what was moved is known. Before u (with the known moves' effect) and
after a, complex lag, one pair for each sensor and regime; a - u is noise when nothing changed (two
readings, what changes by itself from run to run, and what rounding to a minute of clock adds). What
is held against what, with the probabilities before the readings are looked at:

    as before      40 %   a = u
    turned         20 %   a = exp(i n angle) u, one angle of shaft for all (see `usual_turns`)
    mirrored       10 %   a = exp(i n angle) conj(u): lead entered for lag (angle 0, half of it), or
                          the two senses of rotation mixed up (any angle)
    reversed        5 %   a = -u at one sensor, the others as before
    one mirrored    5 %   a = conj(u) at one sensor, the others as before: its channel alone shows
                          lead for lag
    changed        20 %   a = u + d, d circular normal, as large as 0.1 to 2.4 times the sensor's
                          readings, alike in its regimes by a correlation from 0 to 0.99

How large the scatter is, nobody knows exactly: it is taken to be 0.7 to 2.8 times what was stated,
most probably about that much; and as weight and wind move all regimes, its correlation between the
regimes of a sensor is taken to be 0 or 0.7. All these shares are judgement (common practice, no
source); the shares once the readings are known follow by Bayes' rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

__all__ = [
    "ALIKE", "GRID_DEG", "OF_ONE", "PRIOR", "SIZES", "TIMES", "TOGETHER", "Kind", "Seen",
    "densities", "pulls", "seen",
]  # fmt: skip

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Kind = Literal["as before", "turned", "mirrored", "reversed", "one mirrored", "changed"]

PRIOR: dict[Kind, float] = {
    "as before": 0.40, "turned": 0.20, "mirrored": 0.10, "reversed": 0.05, "one mirrored": 0.05,
    "changed": 0.20,
}  # fmt: skip
OF_ONE: tuple[Kind, ...] = ("reversed", "one mirrored")
ROUNDING_DEG = 0.5  # a clock angle is rounded to a minute of clock, before and after
SIZES = (0.1, 0.3, 0.6, 1.2, 2.4)  # of a change, in rms readings of its sensor
ALIKE = (0.0, 0.5, 0.9, 0.99)  # correlation of a change between the regimes of a sensor
TIMES = ((0.7, 0.20), (1.0, 0.42), (1.4, 0.25), (2.0, 0.10), (2.8, 0.03))
"""What the scatter is, over what was stated, with the probability of each."""
TOGETHER = ((0.0, 0.5), (0.7, 0.5))
"""Correlation of the scatter between the regimes of a sensor, with the probability of each."""
GRID_DEG = np.arange(0.0, 360.0, 0.05)


@dataclass(frozen=True, eq=False)
class Seen:
    """Readings under one law of their scatter, in units in which it is 1 and independent.

    u, a, order, of_sensor (its sensor's name): (pair,). covariance: E of the scatter of each
    sensor, (its pair, its pair). log_det: of all of them. change: a - u as read, (pair,). power:
    mean square reading of each sensor, before and after.
    """

    u: Complex
    a: Complex
    order: npt.NDArray[Any]
    of_sensor: npt.NDArray[Any]
    covariance: Mapping[str, Real]
    log_det: float
    change: Complex
    power: Mapping[str, float]


def seen(
    u: Complex,
    a: Complex,
    sd: Real,
    order: npt.NDArray[Any],
    of_sensor: npt.NDArray[Any],
    times: float = 1.0,
    together: float = 0.0,
) -> Seen:
    """Return readings under one law of their scatter.

    sd: of a - u per component as stated, (pair,). times: what it is, over that. together: its
    correlation between the regimes of a sensor.
    """
    rounding = np.deg2rad(ROUNDING_DEG) * np.hypot(np.abs(u), np.abs(a)) / np.sqrt(12.0)
    white_u, white_a = u.copy(), a.copy()
    covariance, power, log_det = {}, {}, 0.0
    for name in dict.fromkeys(of_sensor.tolist()):
        mine = of_sensor == name
        own = times * sd[mine]
        alike = (1.0 - together) * np.eye(len(own)) + together
        covariance[name] = 2.0 * (np.outer(own, own) * alike + np.diag(rounding[mine] ** 2))
        root = np.linalg.cholesky(covariance[name])
        log_det += 2.0 * float(np.log(np.diag(root)).sum())
        white_u[mine], white_a[mine] = np.linalg.solve(root, np.stack([u[mine], a[mine]], axis=1)).T
        power[name] = float((np.abs(u[mine]) ** 2 + np.abs(a[mine]) ** 2).mean()) / 2.0
    return Seen(white_u, white_a, order, of_sensor, covariance, log_det, a - u, power)


def densities(at: Seen, priors: tuple[Real, Real]) -> dict[tuple[Kind, str | None], float]:
    """Return the log density of what was read under each explanation.

    By kind and the one sensor concerned. priors: the probability of each angle of GRID_DEG for a
    turned and for a mirrored reading, (angle,).
    """
    base = -len(at.u) * float(np.log(np.pi)) - at.log_det
    turned = base - _misses(at.u, at)
    mirrored = base - _misses(np.conj(at.u), at)

    def with_one(name: str, there: Complex) -> float:
        """Return the log density when one sensor reads `there` and the others as before."""
        expected = np.where(at.of_sensor == name, there, at.u)
        return base - float((np.abs(at.a - expected) ** 2).sum())

    return {
        ("as before", None): base - float((np.abs(at.a - at.u) ** 2).sum()),
        ("turned", None): float(logsumexp(turned + np.log(priors[0]))),
        ("mirrored", None): float(logsumexp(mirrored + np.log(priors[1]))),
        ("changed", None): _changed(at),
        **{("reversed", n): with_one(n, -at.u) for n in at.covariance},
        **{("one mirrored", n): with_one(n, np.conj(at.u)) for n in at.covariance},
    }


def pulls(u: Complex, at: Seen) -> dict[int, complex]:
    """Return sum conj(a) u of each order: what an angle is told by."""
    return {int(n): complex((np.conj(at.a) * u)[at.order == n].sum()) for n in np.unique(at.order)}


def _misses(u: Complex, at: Seen) -> Real:
    """Return sum |a - exp(i n angle) u|^2 at each angle of the grid, (angle,)."""
    total = np.full(len(GRID_DEG), float((np.abs(at.a) ** 2 + np.abs(u) ** 2).sum()))
    for n, pull in pulls(u, at).items():
        total -= 2.0 * (pull * np.exp(1j * n * np.deg2rad(GRID_DEG))).real
    return np.maximum(total, 0.0)


def _changed(at: Seen) -> float:
    """Return the log density of what was read when the rotor changed, sizes summed over."""
    size, rho = (x.ravel() for x in np.meshgrid(SIZES, ALIKE, indexing="ij"))
    cases = np.zeros(len(size))
    for name, noise in at.covariance.items():
        d = at.change[at.of_sensor == name]
        shape = (1.0 - rho)[:, None, None] * np.eye(len(d)) + rho[:, None, None]
        cov = (size**2 * at.power[name])[:, None, None] * shape + noise
        _, log_det = np.linalg.slogdet(np.pi * cov)
        solved = np.linalg.solve(cov, np.broadcast_to(d[:, None], (len(size), len(d), 1)))
        cases -= log_det + (d.conj() @ solved[:, :, 0].T).real
    return float(logsumexp(cases) - np.log(len(cases)))
