"""What may have happened to a rotor that stands out, weighed: since when, to what, by how much.

Each likely start and kind of change has its own factor with an error; the interval that is reported
averages over them by their evidence, because just after a change the run it began with and what it
concerns are as uncertain as the factor. A prior keeps the factor from being taken at its word
because it was the largest: 1 - factor has an sd of 0.4 per component before anything was seen.
Evidence is that of a normal approximation (Laplace's; Kass and Raftery, Journal of the American
Statistical Association 90 (1995) 773, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.health.cases import Cases
from adapt.learning.health.factor import Factor, fitted_factors
from adapt.learning.health.kinds import Kinds
from adapt.learning.health.parts import concerned_by
from adapt.learning.health.scan import Scan, Search

__all__ = ["PRIOR_SD", "Hypotheses", "likely_ones"]

Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

PRIOR_SD = 0.4  # per component, of a changed factor about 1
WITHIN = 12.0  # log p of the strongest test within which another is worth weighing
MOST = 40
LIKELIEST = 3  # kinds
DRAWS = 4000
SEED = 20240229


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Likely explanations of one finding. part, kind: (hypothesis,), as in the tests.

    value, sd: of the factor, its error per component with the prior in it; weight: chances.
    """

    kinds: Kinds
    part: Whole
    kind: Whole
    value: Array
    sd: Real
    weight: Real
    real: bool

    @property
    def best(self) -> int:
        """The likeliest kind's likeliest start."""
        return int(self.weight.argmax())

    def factor(self, named: int) -> Factor | None:
        """Return what is said of the answer that one hypothesis concerns, over all of them.

        Explanations that do not concern all of it, or none of it, say nothing of it.
        """
        concerned = self.kinds.weight[self.kind] > 0
        mine = concerned[named]
        about = (concerned & mine).any(axis=1)
        weight = np.where(about, self.weight, 0.0)
        rng = np.random.default_rng(SEED)
        which = rng.choice(len(weight), DRAWS, p=weight / weight.sum())
        error = rng.standard_normal(DRAWS) + 1j * (0.0 if self.real else rng.standard_normal(DRAWS))
        drawn = self.value[which] + self.sd[which] * error
        return Factor.of(complex(self.value[named]), drawn, self.real)


def _worth_weighing(log_p: Real) -> tuple[Whole, Whole]:
    """Return parts and kinds worth weighing: tests nearly as strong as the strongest.

    Residuals are clipped in the tests, which a large change can confuse, so the strongest test of
    each of the likeliest kinds is among them. log_p: (part, kind).
    """
    order = np.argsort(log_p, axis=None, kind="stable")[:MOST]
    strength = log_p.ravel()[order]
    order = order[(strength < 0.0) & (strength <= strength[0] + WITHIN)]
    kinds = np.argsort(log_p.min(axis=0))[:LIKELIEST]
    kinds = kinds[log_p.min(axis=0)[kinds] < 0.0]
    firsts = log_p[:, kinds].argmin(axis=0) * log_p.shape[1] + kinds
    part, kind = np.unravel_index(np.union1d(order, firsts), log_p.shape)
    return np.asarray(part), np.asarray(kind)


def likely_ones(
    search: Search, case: Cases, scan: Scan, family: int, inflation: Real
) -> Hypotheses | None:
    """Return the likely explanations of a case's tests in one family; None where there is none.

    case: one, with the moves as they are taken to have answered. inflation: (kind + 1,).
    """
    kinds = search.kinds[family]
    log_p = scan.tests[family].log_p(inflation)[0, :, :-1, 0]
    if not (log_p < 0.0).any():
        return None
    part, kind = _worth_weighing(log_p)
    cases = case.only(np.zeros(len(part), dtype=np.int64))
    concerned = np.array(
        [
            concerned_by(cases, kinds, int(k), scan.since.profile[0, p])
            if family == 0
            else concerned_by(cases, kinds, int(k), blade=int(p))
            for p, k in zip(part, kind, strict=True)
        ]
    )
    value, sd = fitted_factors(cases, concerned, search.correlation, inflation[kind], search.track)
    factors = 1.0 + (value[:, None, None, None, None] - 1.0) * concerned
    left = search.left(replace(cases, moves=cases.moves * factors))
    told = np.isfinite(sd) & np.isfinite(left)
    if not told.any():
        return None
    safe = np.where(told, sd, 1.0)
    components = 1 if search.track else 2  # of a residual, and of a factor
    likely = -0.5 * components * left / inflation[kind].mean()
    likely -= 0.5 * np.abs(value - 1.0) ** 2 / (safe**2 + PRIOR_SD**2)
    likely += 0.5 * components * np.log(safe**2 / (safe**2 + PRIOR_SD**2))
    likely = np.where(told, likely, -np.inf)
    weight = np.exp(likely - likely.max())
    shrunk = PRIOR_SD**2 / (PRIOR_SD**2 + safe**2)
    return Hypotheses(
        kinds, part, kind, 1.0 + shrunk * (value - 1.0), safe * np.sqrt(shrunk),
        weight / weight.sum(), search.track,
    )  # fmt: skip
