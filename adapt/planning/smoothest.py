"""The search for the lowest worst ratio, over compiled inner loops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.bounds import Forms
from adapt.planning.found import Found
from adapt.planning.hardware import Hardware
from adapt.planning.job_search import JobSearch
from adapt.planning.kernel.arrays import Job
from adapt.planning.merged import Merged
from adapt.planning.problem import Problem

__all__ = ["RatioSearch"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]

_NO_CUTOFF = 1e6  # times the limit: more than any plan that is worth finding
_EQUAL_SUM = 0.05  # of a step: how far from its only value a sum may look to be


class RatioSearch:
    """The searches of one problem for the plans with the lowest worst ratio."""

    def __init__(self, problem: Problem, forms: Forms) -> None:
        self._problem = problem
        self._merged = Merged.of(problem.hardware, forms)
        self._search = JobSearch(_job(problem, forms, self._merged))

    def rung(self, moves: int, quotas: Sequence[Int], deadline: float, ceiling: float) -> Found:
        """Return the best plans of exactly so many moves, as `search.search` does.

        quotas: (adjuster,) each: moves of each adjuster at most; plans may keep any of them.
        ceiling: only worst ratios at or under it count. A plan that fewer moves can stand for
        may come with these.
        """
        problem, hardware = self._problem, self._problem.hardware
        best, complete, bound = self._search.rung(moves, quotas, deadline, min(ceiling, _NO_CUTOFF))
        found = best.plans[: best.number[0]]
        if not len(found):
            empty = np.zeros((0, len(hardware.step)), dtype=np.int64)
            return Found(np.inf, empty, ceiling if complete else min(bound, ceiling), complete)
        plans = np.concatenate([self._merged.plans(steps, hardware) for steps in found])
        values = problem.worst_ratio(plans)
        value = float(values.min())
        plans = plans[values <= value + max(1e-6 * value, 1e-9)]
        return Found(value, plans, value if complete else min(bound, value), complete)


def _job(problem: Problem, forms: Forms, merged: Merged) -> Job:
    """Return the arrays of a problem over merged variables, sums over moves as rows too."""
    hardware = problem.hardware
    variables = len(hardware.step)
    at = merged.first
    quadratic = forms.quadratic.reshape(-1, variables, variables)[:, at][:, :, at]
    linear, offset = forms.linear[:, at], forms.offset
    sums = hardware.rows[:, at]
    amplitudes, spreads = len(problem.vibration.keys), len(problem.track.keys)
    pairs = len(problem.blade_pairs)
    channels = max(amplitudes + spreads, 1)
    channel = [np.arange(amplitudes), amplitudes + np.repeat(np.arange(spreads), pairs)]
    share = [np.ones(amplitudes), np.full(spreads * pairs, 1.0 / max(pairs, 1))]
    channel.append(np.full(len(sums), -1))
    share.append(np.zeros(len(sums)))
    held, pull, rest = _sums_as_rows(hardware, sums)
    quadratic = np.concatenate([quadratic, held])
    linear, offset = np.concatenate([linear, pull]), np.concatenate([offset, rest])
    weight = np.concatenate(share) / channels
    return Job(
        quadratic=_contiguous(np.moveaxis(quadratic, 0, -1)),
        linear=_contiguous(linear.T),
        offset=_contiguous(offset),
        counted=np.concatenate([problem.counted, np.zeros(len(sums), dtype=bool)]),
        channel=np.concatenate(channel).astype(np.int64),
        channels=channels,
        low=merged.low.astype(float),
        high=merged.high.astype(float),
        cost=np.ascontiguousarray(merged.cost),
        partner=np.ascontiguousarray(merged.partner),
        kind=hardware.adjuster[at].astype(np.int64),
        sums=_contiguous(sums),
        sum_low=_contiguous(hardware.row_low),
        sum_high=_contiguous(hardware.row_high),
        mean_quadratic=_contiguous(np.einsum("j,jvw->vw", weight, quadratic)),
        mean_linear=_contiguous(weight @ linear),
        mean_offset=np.array([float(weight @ offset)]),
    )


def _sums_as_rows(hardware: Hardware, sums: Real) -> tuple[Real, Real, Real]:
    """Return Q, l, o of ((sum - middle) / half)^2, at most 1 where a sum keeps its bounds."""
    middle = 0.5 * (hardware.row_low + hardware.row_high)
    half = 0.5 * (hardware.row_high - hardware.row_low)
    step = np.where(sums != 0, np.abs(sums), np.inf).min(axis=1, initial=np.inf)
    half = np.maximum(half, _EQUAL_SUM * np.where(np.isfinite(step), step, 1.0))
    line = sums / half[:, None]
    return (
        line[:, :, None] * line[:, None, :],
        -line * (middle / half)[:, None],
        (middle / half) ** 2,
    )


def _contiguous(array: npt.NDArray[Any]) -> Real:
    return np.ascontiguousarray(array, dtype=float)
