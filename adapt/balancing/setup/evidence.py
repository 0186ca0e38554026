"""What readings before and after are worth under each explanation of them.

Nothing was moved between, or what was moved is known. Before u (with the known moves' effect) and
after a, complex lag, one pair for each sensor and regime; a - u has the variance v of noise when
nothing changed (two readings and what changes by itself from run to run, independent between
pairs, and what rounding to a minute of clock adds). What is held against what, with the
probabilities before the readings are looked at:

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
most probably about that much. All these shares are judgement (common practice, no source); the
shares once the readings are known follow by Bayes' rule.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

__all__ = [
    "ALIKE", "GRID_DEG", "OF_ONE", "PRIOR", "SIZES", "TIMES", "TIMES_PRIOR", "Kind", "densities",
    "variance",
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
TIMES = (0.7, 1.0, 1.4, 2.0, 2.8)  # what the scatter is, over what was stated
TIMES_PRIOR = (0.15, 0.40, 0.25, 0.15, 0.05)
GRID_DEG = np.arange(0.0, 360.0, 0.05)


def variance(u: Complex, a: Complex, sd: Real, times: float) -> Real:
    """Return E|a - u|^2 when nothing changed, (pair,).

    sd: of a - u per component as stated, rounding aside; times: what it is, over that.
    """
    rounding = np.deg2rad(ROUNDING_DEG) * np.hypot(np.abs(u), np.abs(a)) / np.sqrt(12.0)
    return np.asarray(2.0 * ((times * sd) ** 2 + rounding**2))


def densities(
    u: Complex,
    a: Complex,
    v: Real,
    order: npt.NDArray[Any],
    of_sensor: npt.NDArray[Any],
    priors: tuple[Real, Real],
) -> dict[tuple[Kind, str | None], float]:
    """Return the log density of `a` under each explanation, by kind and the one sensor concerned.

    u, a, v, order, of_sensor (its sensor's name): (pair,). priors: the probability of each angle of
    GRID_DEG for a turned and for a mirrored reading, (angle,).
    """
    base = -float(np.log(np.pi * v).sum())
    turned = base - _misses(u, a, v, order)
    mirrored = base - _misses(np.conj(u), a, v, order)
    named = dict.fromkeys(of_sensor.tolist())

    def at_one(name: str, there: Complex) -> float:
        """Return the log density when one sensor reads `there` and the others as before."""
        return base - float((np.abs(a - np.where(of_sensor == name, there, u)) ** 2 / v).sum())

    return {
        ("as before", None): base - float((np.abs(a - u) ** 2 / v).sum()),
        ("turned", None): float(logsumexp(turned + np.log(priors[0]))),
        ("mirrored", None): float(logsumexp(mirrored + np.log(priors[1]))),
        ("changed", None): _changed(u, a, v, of_sensor),
        **{("reversed", n): at_one(n, -u) for n in named},
        **{("one mirrored", n): at_one(n, np.conj(u)) for n in named},
    }


def _misses(u: Complex, a: Complex, v: Real, order: npt.NDArray[Any]) -> Real:
    """Return sum |a - exp(i n angle) u|^2 / v at each angle of the grid, (angle,)."""
    total = np.full(len(GRID_DEG), float(((np.abs(a) ** 2 + np.abs(u) ** 2) / v).sum()))
    for n in np.unique(order):
        pull = complex((np.conj(a) * u / v)[order == n].sum())
        total -= 2.0 * (pull * np.exp(1j * n * np.deg2rad(GRID_DEG))).real
    return np.maximum(total, 0.0)


def _changed(u: Complex, a: Complex, v: Real, of_sensor: npt.NDArray[Any]) -> float:
    """Return the log density of what was read when the rotor changed, sizes summed over."""
    size, rho = (x.ravel() for x in np.meshgrid(SIZES, ALIKE, indexing="ij"))
    cases = np.zeros(len(size))
    for name in np.unique(of_sensor):
        mine = of_sensor == name
        d = (a - u)[mine]
        power = float((np.abs(u[mine]) ** 2 + np.abs(a[mine]) ** 2).mean()) / 2.0
        shape = (1.0 - rho)[:, None, None] * np.eye(len(d)) + rho[:, None, None]
        cov = (size**2 * power)[:, None, None] * shape + np.diag(v[mine])
        _, log_det = np.linalg.slogdet(np.pi * cov)
        solved = np.linalg.solve(cov, np.broadcast_to(d[:, None], (len(size), len(d), 1)))
        cases -= log_det + (d.conj() @ solved[:, :, 0].T).real
    return float(logsumexp(cases) - np.log(len(cases)))
