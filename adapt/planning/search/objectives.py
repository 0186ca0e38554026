"""What a search makes small: the worst ratio, or the sum of -log chances.

Here the exact values of given plans; how the best are found and proven lives in `smoothest`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from adapt.planning.problem.chance import penalty
from adapt.planning.problem.forms import Forms, mean_forms, variance_forms
from adapt.planning.problem.values import Problem
from adapt.planning.search.smoothest import ChanceSearch, PlanSearch, RatioSearch

__all__ = ["ChancePenalty", "Objective", "WorstRatio"]

Real = npt.NDArray[Any]
Int = npt.NDArray[np.int64]


class Objective(Protocol):
    """A value to be made small over plans of whole steps."""

    problem: Problem

    @property
    def search(self) -> PlanSearch:
        """The search for its plans."""

    def value(self, plans: Int, cutoff: float) -> Real:
        """Return exact values (plan,); inf where it is above the cutoff or not allowed."""

    def gap(self, value: float) -> float:
        """Return the difference below which two values count as equal."""


class WorstRatio:
    """The largest weighted ratio over what counts; what only must be inside is held to 1."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem

    @cached_property
    def search(self) -> RatioSearch:
        """The search for its plans."""
        forms = mean_forms(self.problem, self.problem.hedge)
        return RatioSearch(self.problem, forms, self.gap)

    def value(self, plans: Int, cutoff: float) -> Real:
        """Return worst ratios."""
        worst, outside = self.problem.weighted_and_outside(plans)
        held = outside <= 1.0 + 1e-9
        held = held & self.problem.hardware.allows(plans) & (worst <= cutoff)
        return np.where(held, worst, np.inf)

    def gap(self, value: float) -> float:
        """Return a millionth of the value."""
        return max(1e-6 * abs(value), 1e-9)


class ChancePenalty:
    """The sum of -log of the single chances that the next run is inside its limits.

    A spread's chance is at most that of each pair of blades, which is what the search bounds it by.
    keeps: asked of every plan (variable,) that would be taken; those it refuses are worth nothing.
    """

    def __init__(self, problem: Problem, keeps: Callable[[Int], bool] | None = None) -> None:
        self.problem, self._keeps = problem, keeps
        amplitudes = len(problem.vibration.keys)
        pairs, regimes = len(problem.blade_pairs), len(problem.track.keys)
        self._amplitudes, self._shape = amplitudes, (regimes, pairs)

    @cached_property
    def forms(self) -> Forms:
        """Squares of the mean ratios."""
        return mean_forms(self.problem, hedged=False)

    @cached_property
    def search(self) -> ChanceSearch:
        """The search for its plans."""
        base, inexact = self._base
        return ChanceSearch(
            self.problem,
            self.forms,
            self._shared,
            base,
            inexact,
            self.value,
            self.gap,
            each_by_itself=self._keeps is not None,
        )

    @cached_property
    def _shared(self) -> Forms:
        return variance_forms(self.problem)

    @cached_property
    def _base(self) -> tuple[Real, Real]:
        """Variance that no move changes (row,), and what an inexact move adds (row, variable)."""
        v, t = self.problem.vibration, self.problem.track
        a, b = self.problem.blade_pairs.T
        apart = (t.inexact_var[:, a] + t.inexact_var[:, b]).reshape(
            len(a) * len(t.keys), v.inexact_var.shape[1]
        )
        return (
            np.concatenate([v.base_var, np.repeat(2.0 * t.base_var, len(a))]),
            np.concatenate([v.inexact_var, apart]),
        )

    def value(self, plans: Int, cutoff: float) -> Real:
        """Return penalties."""
        total = self._value(plans, cutoff)
        if self._keeps is not None:
            for at in np.flatnonzero(total < np.inf):
                if not self._keeps(plans[at]):
                    total[at] = np.inf
        return total

    def _value(self, plans: Int, cutoff: float) -> Real:
        total = self.rough(plans)
        near = np.flatnonzero(total <= cutoff)
        regimes, _ = self._shape
        if not regimes or not len(near):
            return np.where(total <= cutoff, total, np.inf)
        least = self._least_spread_penalties(plans[near])
        with np.errstate(divide="ignore"):
            for regime in np.argsort(-least.sum(axis=0)):
                exact = -np.log(self.problem.spread_chances(plans[near], [int(regime)])[:, 0])
                # Never below what `rough` promised, whatever the last digits of the integral are.
                total[near] += np.maximum(exact - least[:, regime], 0.0)
                kept = total[near] <= cutoff
                near, least = near[kept], least[kept]
        exact_at = np.zeros(len(plans), dtype=bool)
        exact_at[near] = True
        return np.where(exact_at, total, np.inf)

    def rough(self, plans: Int) -> Real:
        total = np.full(len(plans), np.inf)
        allowed = np.flatnonzero(self.problem.hardware.allows(plans))
        if len(allowed):
            with np.errstate(divide="ignore"):
                chances = self.problem.amplitude_chances(plans[allowed])
                total[allowed] = -np.log(chances).sum(axis=1)
            total[allowed] += self._least_spread_penalties(plans[allowed]).sum(axis=1)
        return total

    def _least_spread_penalties(self, plans: Int) -> Real:
        """Bound the spreads' penalties by their worst pairs of blades, shape (plan, regime)."""
        if not (self._shape[0] and self._shape[1]):
            return np.zeros((len(plans), self._shape[0]))
        base, inexact = self._base
        n = plans.astype(float)
        var = self._shared.squares(n) + base + (n != 0) @ inexact.T
        rows = slice(self._amplitudes, None)
        height, _, _ = penalty(self.forms.squares(n)[:, rows], var[:, rows], 1.0)
        return height.reshape(len(plans), *self._shape).max(axis=2)

    def gap(self, value: float) -> float:
        return 1e-6
