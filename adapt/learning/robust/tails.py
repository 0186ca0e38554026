"""How heavy the tails of the noise are, and how much each run counts for it.

Reading scatter of run k is CN(0, r / u_k), the step to it CN(0, q / v_k), common to all channels of
the run, u and v from Gamma(nu / 2, nu / 2): Student-t noise with nu degrees of freedom. Each is
replaced in turn by its mean given the rest (expectation-maximisation, Lange, Little and Taylor,
Journal of the American Statistical Association 84 (1989) 881, from memory):

    u_k = (nu / 2 + n_k) / (nu / 2 + s_k),   s_k = sum over channels of E[|e_k|^2 | data] / r

n_k: circular readings (track: half the heights' contrasts) that show e_k. Channels of a run are not
independent, so n and s count times the share that speaks for itself (see `correlation`). nu is
estimated from all runs of the log, with 1 / nu expected as exponential of mean 1/4; the first looks
take it as 4, for at weight 1 expected squares are too much alike to show tails. From nu = 50 on
noise counts as normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

from adapt.learning.rows.weights import Weight

__all__ = ["Tail", "Tails"]

Real = npt.NDArray[np.float64]

LEAST, MOST = 2.1, 200.0  # degrees of freedom of the heaviest tails, and of the lightest
NORMAL = 50.0  # degrees of freedom from where on noise counts as normal
EXPECTED_TAIL = 0.25  # 1 / degrees of freedom, on average
START, FIRST = 4.0, 3  # degrees of freedom of the first looks, and how many
ROUGHEST = 64.0  # times a typical run's variance: what is more is no noise, as for suspects
SCALINGS = 20  # of the squares, each by weights at the last one


@dataclass(frozen=True, eq=False)
class Tail:
    """How heavy the tails of one kind of noise are, and each run's u.

    u: (run,), mean of u given the data, prior mean 1, NaN where nothing shows it. freedom: nu.
    middle: the mean over runs of E[1 / u], a typical run's variance times it is the mean one; what
    is rougher than any noise is left out of it. looks: how many there were.
    """

    u: Real
    freedom: float
    middle: float
    looks: int = 0

    @classmethod
    def begin(cls, runs: int) -> Tail:
        """Return normal noise, before the first look."""
        return cls(np.full(runs, np.nan), START, 1.0)

    @property
    def weight(self) -> Real | None:
        """Weights of runs as they enter a fit, (run,); None = 1 everywhere."""
        if self.freedom >= NORMAL or np.isnan(self.u).all():
            return None
        return np.where(np.isnan(self.u), 1.0, self.u * self.middle)

    def after(self, square: Real, count: Real) -> Tail:
        """Return the tail after another look.

        square: (run,), sum of the mean squares over the mean variance of all runs, times the share
        that counts; count: (run,), of how many circular normals.
        """
        shown = count > 0
        if not shown.any():
            return self
        square, count = square[shown] * self.middle, count[shown]
        square = np.maximum(square, 1e-12 * count)  # readings that never vary have no scale
        freedom = START if self.looks < FIRST else _freedom(square, count)
        square = square / _scale(square, count, freedom / 2)
        if freedom >= NORMAL:
            return Tail(np.full(len(shown), np.nan), freedom, 1.0, self.looks + 1)
        shape, rate = freedom / 2 + count, freedom / 2 + square
        u = np.full(len(shown), np.nan)
        u[shown] = shape / rate
        middle = np.minimum(rate / (shape - 1.0), ROUGHEST).mean()
        return Tail(u, freedom, float(middle), self.looks + 1)


@dataclass(frozen=True, eq=False)
class Tails:
    """The tails of one instrument's readings and steps."""

    reading: Tail
    step: Tail

    @property
    def weight(self) -> Weight:
        """Weights of runs as they enter a fit."""
        return Weight(self.reading.weight, self.step.weight)


def _freedom(square: Real, count: Real) -> float:
    """Return the likeliest nu.

    The likelihood is the Student-t's, u integrated out (Liu and Rubin, Biometrika 81 (1994) 633,
    from memory): in far fewer rounds than by the mean of log u.
    """

    def loss(log_half: float) -> float:
        half = np.exp(log_half)
        over = square / _scale(square, count, half)
        likely = gammaln(half + count) - gammaln(half) + half * np.log(half)
        likely = likely - (half + count) * np.log(half + over) - count * np.log(square / over)
        return float(0.5 / half / EXPECTED_TAIL - likely.sum())

    bounds = (float(np.log(LEAST / 2)), float(np.log(MOST / 2)))
    half = float(np.exp(minimize_scalar(loss, bounds=bounds, method="bounded").x))
    return 2 * half


def _scale(square: Real, count: Real, half: float) -> float:
    """Return the likeliest scale of the squares at a given nu / 2, by reweighting.

    Near 1 unless what the rotor file expects of the noise outweighs the data.
    """
    scale = float(square.sum() / count.sum())
    for _ in range(SCALINGS):
        scale = float(((half + count) / (half + square / scale) * square).sum() / count.sum())
    return scale
