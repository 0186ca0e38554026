"""Problems as the compiled search wants them: arrays over merged variables, sums as rows too."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.kernel.arrays import Job, Law
from adapt.planning.problem.forms import Forms
from adapt.planning.problem.values import Problem
from adapt.planning.search.chance_table import no_law, penalty_lines, penalty_tables
from adapt.planning.search.merged import Merged

__all__ = ["chance_job", "ratio_job"]

Real = npt.NDArray[np.float64]

_EQUAL_SUM = 0.05  # of a step: how far from its only value a sum may look to be


def ratio_job(problem: Problem, forms: Forms, merged: Merged) -> Job:
    """Return the job of the lowest worst ratio."""
    at = merged.first
    amplitudes, spreads = len(problem.vibration.keys), len(problem.track.keys)
    pairs = len(problem.blade_pairs)
    channels = max(amplitudes + spreads, 1)
    channel = [np.arange(amplitudes), amplitudes + np.repeat(np.arange(spreads), pairs)]
    share = [np.ones(amplitudes), np.full(spreads * pairs, 1.0 / max(pairs, 1))]
    weight = np.concatenate(share) / channels
    variables = len(problem.hardware.step)
    power = problem.weight**2
    forms = replace(
        forms,
        quadratic=forms.quadratic * power[:, None],
        linear=forms.linear * power[:, None],
        offset=forms.offset * power,
    )
    square = forms.quadratic.reshape(len(forms.offset), variables, variables)[:, at][:, :, at]
    job = _job(problem, (forms,), merged, problem.counted, np.concatenate(channel), channels)
    return job._replace(
        mean_quadratic=_contiguous(np.einsum("j,jvw->vw", weight, square)),
        mean_linear=_contiguous(weight @ forms.linear[:, at]),
        mean_offset=np.array([float(weight @ forms.offset)]),
    )


def chance_job(
    problem: Problem,
    means: Forms,
    shared: Forms,
    merged: Merged,
    base: Real,
    inexact: Real,
    ceiling: float,
    deferred: bool = False,
) -> Job:
    """Return the job of the lowest penalty.

    means, shared: forms of the mean squares and of the shared variances of the same rows; base
    (row,), inexact (row, variable): what else belongs to the variances. ceiling: of penalties.
    deferred: whether every plan is to be looked at, also where its penalty is exact.
    """
    amplitudes, regimes = len(problem.vibration.keys), len(problem.track.keys)
    pairs, count = len(problem.blade_pairs), len(means.offset)
    at = merged.first
    df = np.concatenate([np.full(amplitudes, 2.0), np.ones(pairs * regimes)])
    group = np.concatenate([np.full(amplitudes, -1), np.repeat(np.arange(regimes), pairs)])
    form, level = shared.matrix[:, at], shared.constant
    start = np.append(shared.start, len(level)).astype(np.int64)
    reach = np.abs(form) @ np.maximum(np.abs(merged.low), np.abs(merged.high))
    most = (np.abs(level) + reach) ** 2
    # A variable that stands for two moves adds what both do.
    both = np.where(merged.cost == 2, merged.second, -1)
    moved = inexact[:, at] + np.where(both >= 0, inexact[:, both], 0.0)
    highest = base + moved.sum(axis=1)
    highest += np.add.reduceat(most, shared.start) if count else 0.0
    low_chance = math.exp(-min(ceiling, 700.0))
    if low_chance < 1.0:  # what a variance may be for the chance of a reading without a mean
        alone = np.where(
            df == 2.0, -1.0 / math.log1p(-low_chance), 0.64 * math.exp(min(2.0 * ceiling, 600.0))
        )
        highest = np.minimum(highest, alone)
    job = _job(
        problem, (means, shared), merged, np.ones(2 * count, dtype=bool), np.zeros(2 * count), 1
    )
    law = Law(
        df=df,
        base=_contiguous(base),
        inexact=_contiguous(moved.T),
        group=group.astype(np.int64),
        groups=regimes,
        form=_contiguous(form),
        level=_contiguous(level),
        start=start,
        highest=_contiguous(highest),
        deferred=deferred or bool(regimes and pairs),
        tables=penalty_tables(),
        lines=penalty_lines(ceiling),
    )
    return job._replace(law=law)


def _job(
    problem: Problem,
    parts: tuple[Forms, ...],
    merged: Merged,
    counted: npt.NDArray[np.bool_],
    channel: npt.NDArray[Any],
    channels: int,
) -> Job:
    """Return the arrays of some forms, one after the other, with the sums over moves behind."""
    hardware = problem.hardware
    variables, at = len(hardware.step), merged.first
    sums = hardware.rows[:, at]
    held, pull, rest = _sums_as_rows(hardware, sums)
    quadratic = [
        f.quadratic.reshape(len(f.offset), variables, variables)[:, at][:, :, at] for f in parts
    ]
    return Job(
        quadratic=_contiguous(np.moveaxis(np.concatenate([*quadratic, held]), 0, -1)),
        linear=_contiguous(np.concatenate([*(f.linear[:, at] for f in parts), pull]).T),
        offset=_contiguous(np.concatenate([*(f.offset for f in parts), rest])),
        counted=np.concatenate([counted, np.zeros(len(sums), dtype=bool)]),
        channel=np.concatenate([channel, np.full(len(sums), -1)]).astype(np.int64),
        channels=channels,
        low=merged.low.astype(float),
        high=merged.high.astype(float),
        cost=np.ascontiguousarray(merged.cost),
        partner=np.ascontiguousarray(merged.partner),
        kind=hardware.adjuster[at].astype(np.int64),
        sums=_contiguous(sums),
        sum_low=_contiguous(hardware.row_low),
        sum_high=_contiguous(hardware.row_high),
        mean_quadratic=np.zeros((len(at), len(at))),
        mean_linear=np.zeros(len(at)),
        mean_offset=np.zeros(1),
        law=no_law(len(at)),
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
