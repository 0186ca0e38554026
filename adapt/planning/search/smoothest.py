"""The searches for the lowest worst ratio and the highest chance, over compiled inner loops."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.planning.kernel.arrays import PLANS
from adapt.planning.problem.forms import Forms
from adapt.planning.problem.values import Problem
from adapt.planning.search.found import Found
from adapt.planning.search.job_search import JobSearch
from adapt.planning.search.jobs import chance_job, ratio_job
from adapt.planning.search.merged import Merged

__all__ = ["ChanceSearch", "PlanSearch", "RatioSearch"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]

_LOWER = 0.8  # of a ceiling: what is made for this much is worth making anew
_NO_CUTOFF = 1e6  # times the limit, or a penalty: more than any plan that is worth finding


class PlanSearch(ABC):
    """The searches of one problem, for one value.

    exact: values (plan,) of plans (plan, variable), inf above a cutoff. gap: what counts as equal
    to a value.
    """

    def __init__(
        self,
        problem: Problem,
        merged: Merged,
        exact: Callable[[Int, float], Real],
        gap: Callable[[float], float],
    ) -> None:
        self._problem, self._merged, self._exact, self._gap = problem, merged, exact, gap

    @abstractmethod
    def at(self, ceiling: float) -> JobSearch:
        """Return the search for values up to a ceiling."""

    def rung(self, moves: int, quotas: Sequence[Int], deadline: float, ceiling: float) -> Found:
        """Return the best plans of exactly so many moves.

        quotas: (adjuster,) each: moves of each adjuster at most; plans may keep any of them.
        ceiling: only values at or under it count. A plan that fewer moves can stand for may come
        with these.
        """
        best, complete, bound = self.at(ceiling).rung(
            moves, quotas, deadline, min(ceiling, _NO_CUTOFF)
        )
        plans = self.plans(best.plans[: best.number[PLANS]])
        if not len(plans):
            return Found(np.inf, plans, ceiling if complete else min(bound, ceiling), complete)
        values = self._exact(plans, np.inf)
        value = float(values.min())
        plans = plans[values <= value + self._gap(value)]
        return Found(value, plans, value if complete else min(bound, value), complete)

    def good(self, moves: int, quotas: Sequence[Int], deadline: float) -> Int:
        """Return good plans (plan, variable) of exactly so many moves, found quickly."""
        best = self.at(np.inf).good(moves, quotas, _NO_CUTOFF, deadline)
        return self.plans(best.plans[: best.number[PLANS]])

    def bound(self, ceiling: float) -> float:
        """Return what no plan's value is below, however many moves it makes.

        ceiling: only plans at or under it need to keep it; inf where there are none.
        """
        if not len(self._merged.low):
            return np.inf
        search = self.at(ceiling)
        every = np.arange(len(self._merged.low))
        return search.bound(every, search.job.low, search.job.high, min(ceiling, _NO_CUTOFF))[0]

    def others(self, moves: int, ceiling: float, deadline: float) -> list[tuple[float, Int]]:
        """Return good plans of exactly so many moves at or under a ceiling, one for each hardware.

        Found by rounding and walking, so a list, not a proof: pairs of value and plan (variable,).
        """
        steps = self.at(ceiling).others(moves, min(ceiling, _NO_CUTOFF), deadline)
        plans = self.plans(steps)
        if not len(plans):
            return []
        values = self._exact(plans, np.inf)
        kept = np.flatnonzero(values <= ceiling)
        return [(float(values[k]), plans[k]) for k in kept]

    def plans(self, steps: Real) -> Int:
        """Return the hardware's plans that merged ones (plan, merged variable) stand for."""
        hardware = self._problem.hardware
        if not len(steps):
            return np.zeros((0, len(hardware.step)), dtype=np.int64)
        return np.concatenate([self._merged.plans(x, hardware) for x in steps])


class RatioSearch(PlanSearch):
    """The searches of one problem for the plans with the lowest worst ratio."""

    def __init__(self, problem: Problem, forms: Forms, gap: Callable[[float], float]) -> None:
        merged = Merged.of(problem.hardware, forms)
        super().__init__(problem, merged, lambda plans, _: problem.weighted_ratio(plans), gap)
        self._search = JobSearch(ratio_job(problem, forms, merged))

    def at(self, ceiling: float) -> JobSearch:
        """Return the search, which is the same for every ceiling."""
        return self._search


class ChanceSearch(PlanSearch):
    """The searches of one problem for the plans with the highest chance.

    base (row,), inexact (row, variable): what belongs to the variances beside the shared forms.
    each_by_itself: `exact` may tell plans apart that do the same to everything with a limit.
    """

    def __init__(
        self,
        problem: Problem,
        means: Forms,
        shared: Forms,
        base: Real,
        inexact: Real,
        exact: Callable[[Int, float], Real],
        gap: Callable[[float], float],
        each_by_itself: bool = False,
    ) -> None:
        self._each = each_by_itself
        self._means, self._shared, self._base, self._inexact = means, shared, base, inexact
        both = replace(
            means,
            quadratic=np.concatenate([means.quadratic, shared.quadratic]),
            linear=np.concatenate([means.linear, shared.linear]),
        )
        if each_by_itself:
            merged = Merged.apart(problem.hardware)
        else:
            merged = Merged.of(problem.hardware, both, inexact)
        super().__init__(problem, merged, exact, gap)
        self._ceiling = -1.0
        self._search: JobSearch | None = None

    def at(self, ceiling: float) -> JobSearch:
        """Return the search for penalties up to a ceiling, made anew where that is worth it."""
        ceiling = min(ceiling, _NO_CUTOFF)
        if self._search is None or not _LOWER * self._ceiling <= ceiling <= self._ceiling:
            self._ceiling = ceiling
            job = chance_job(
                self._problem, self._means, self._shared, self._merged, self._base, self._inexact,
                ceiling, self._each,
            )  # fmt: skip
            before = self._search
            self._search = JobSearch(job, self._values if job.law.deferred else None, before)
        return self._search

    def _values(self, steps: Real, cutoff: float) -> Real:
        """Return the penalties of merged plans (plan, merged variable); inf above the cutoff."""
        hardware = self._problem.hardware
        plans = np.array([self._merged.plans(x, hardware)[0] for x in steps])
        return self._exact(plans, cutoff)
