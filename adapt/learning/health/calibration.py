"""From statistics to a stated false-alarm rate over the whole fleet.

A rotor's strongest test, allowing for the number of its tests, is held against the same of drawn
rotors that always answered as they do (same runs, same moves; seeded). Beyond the drawn range the
tail of such a maximum falls exponentially (Davies, Biometrika 74 (1987) 33, from memory), and never
lies above the bound that counts every test. How much wider than drawn the fleet's own scores
scatter (channels, blades and weather that the model does not know) is taken from a middle quantile
over all rotors, as association studies take it from the median (Devlin and Roeder, Biometrics 55
(1999) 997, from memory), so a few rotors that did change do not hide each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv

from adapt.learning.health.evidence import Tests
from adapt.learning.health.kinds import Kinds

__all__ = ["Calibrated", "Pool", "inflation_of", "strongest"]

Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

TAIL = 0.02  # share of the draws beyond which the tail is fitted
QUANTILE = 2.0 / 3.0  # of all tests of the fleet: above it may stand what did change
BELIEVED = 4.0  # rotors that an inflation of 1 counts for
FEWEST_ROTORS = 5  # of which that quantile is one of rotors that did not change


def strongest(log_p: Real, count: Whole) -> Real:
    """Return -log p of each case's strongest test, less the log of how many it has.

    log_p: (case, part, kind, draw); result (case, draw); -inf where a case has no test.
    """
    best = -log_p.min(axis=(1, 2), initial=0.0)
    allowance = np.log(np.maximum(count, 1))[:, None]
    return np.asarray(np.where(count[:, None] > 0, best - allowance, -np.inf))


def inflation_of(tests: Sequence[Tests], group: Whole) -> Real:
    """Return how much wider the fleet's scores scatter than they should, (kind + 1,), at least 1.

    1 where the fleet is too small for a quantile that a changed rotor does not move. group:
    (kind,): kinds of one number have one inflation; the last, "free", has its own.
    """
    inflation = np.ones(len(group) + 1)
    groups = np.append(group, group.max(initial=0) + 1)
    for number in np.unique(groups):
        at = groups == number
        ratios, rotors = [np.zeros(0)], 0
        for t in tests:
            use = t.freedom[:, :, at] > 0
            usual = gammaincinv(np.maximum(t.freedom[:, :, at], 0.5), QUANTILE)
            ratios.append((t.square[:, :, at, 0] / usual)[use])
            rotors += int(use.any(axis=(1, 2)).sum())
        if rotors >= FEWEST_ROTORS:
            share = rotors / (rotors + BELIEVED)
            wider = float(np.quantile(np.concatenate(ratios), QUANTILE)) - 1.0
            inflation[at] = max(1.0, 1.0 + share * wider)
    return inflation


@dataclass(frozen=True, eq=False)
class Pool:
    """Strongest tests of drawn rotors, in rising order."""

    values: Real

    @classmethod
    def of(cls, drawn: Sequence[Real]) -> Pool:
        """Return the pool of draws (case, draw); cases without tests have none."""
        values = np.concatenate([d.ravel() for d in drawn]) if drawn else np.zeros(0)
        return cls(np.sort(values[np.isfinite(values)]))

    def p_value(self, statistic: Real) -> Real:
        """Return the chance that a rotor that did not change shows as much or more; (case,)."""
        bound = np.minimum(np.exp(-np.maximum(statistic, 0.0)), 1.0)
        count = len(self.values)
        if not count:
            return np.where(np.isfinite(statistic), bound, 1.0)
        above = count - np.searchsorted(self.values, statistic, side="left")
        counted = (above + 1.0) / (count + 1.0)
        edge = float(self.values[int((1.0 - TAIL) * (count - 1))])
        beyond = self.values[self.values > edge] - edge
        scale = max(float(beyond.mean()) if len(beyond) else 1.0, 1.0)
        fitted = TAIL * np.exp(-np.maximum(statistic - edge, 0.0) / scale)
        p = np.where(statistic > edge, np.minimum(fitted, bound), counted)
        return np.asarray(np.where(np.isfinite(statistic), p, 1.0))


@dataclass(frozen=True, eq=False)
class Calibrated:
    """One family of tests held against the fleet.

    inflation: (kind + 1,). pool: of drawn rotors. rotors: how many have any test, those that are
    looked at twice counted twice. families: how many families share the false-alarm rate.
    """

    inflation: Real
    pool: Pool
    rotors: int
    families: int

    @classmethod
    def of(
        cls, tests: Sequence[Tests], drawn: Sequence[Real], kinds: Kinds, families: int, rotors: int
    ) -> Calibrated:
        """Calibrate; tests, drawn: by chunk of rotors, of a whole fleet or of a fair sample."""
        return cls(inflation_of(tests, kinds.group), Pool.of(drawn), rotors, families)

    def strongest(self, tests: Tests) -> Real:
        """Return each case's strongest test as `strongest` does, (case,)."""
        return strongest(tests.log_p(self.inflation), tests.count)[:, 0]

    def adjust(self, statistic: Real) -> Real:
        """Return p-values over the fleet, (case,), of strongest tests.

        Rotors are independent, 1 - (1 - p)^n; over families the sum is a bound.
        """
        p = np.minimum(self.pool.p_value(statistic), 1.0 - 1e-16)
        whole = -self.families * np.expm1(max(self.rotors, 1) * np.log1p(-p))
        return np.asarray(np.minimum(1.0, whole))
