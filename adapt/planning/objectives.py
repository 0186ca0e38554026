"""What a search makes small: the worst ratio, or the sum of -log chances, with bounds over boxes.

An objective answers two questions: the exact value of given plans, and a lower bound of the value
over boxes of plans. How boxes are split lives in `search`.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from adapt.planning.bounds import Boxes, Forms, box_minimum, mean_forms, variance_forms
from adapt.planning.chance import penalty
from adapt.planning.problem import Problem
from adapt.planning.smoothest import RatioSearch

__all__ = ["ChancePenalty", "Objective", "WorstRatio"]

Real = npt.NDArray[Any]
Int = npt.NDArray[np.int64]


class Objective(Protocol):
    """A value to be made small over plans of whole steps."""

    problem: Problem

    def start(self, boxes: Boxes) -> Real:
        """Return the warm start of boxes that have no parent, shape (box, state)."""

    def bound(
        self, boxes: Boxes, state: Real, cutoff: float, rounds: int
    ) -> tuple[Real, Real, Real]:
        """Return bounds (box,), near-minimisers (box, move) and states (box, state)."""

    def value(self, plans: Int, cutoff: float) -> Real:
        """Return exact values (plan,); inf where it is above the cutoff or not allowed."""

    def rough(self, plans: Int) -> Real:
        """Return cheap values (plan,), no higher than the exact ones; inf where not allowed."""

    def gap(self, value: float) -> float:
        """Return the difference below which two values count as equal."""


class _Equalities:
    """Sums over one adjuster's moves that have a single allowed value, as a penalty on misses."""

    def __init__(self, problem: Problem) -> None:
        hardware = problem.hardware
        rows, targets = [], []
        for row, low, high in zip(hardware.rows, hardware.row_low, hardware.row_high, strict=True):
            steps = np.unique(row[row > 0])
            if len(steps) == 1:
                first = np.ceil(low / steps[0])
                if first == np.floor(high / steps[0]):
                    rows.append((row > 0).astype(float))
                    targets.append(first)
        self.rows = np.array(rows).reshape(len(rows), len(hardware.step))
        self.targets = np.array(targets)

    def add(self, g: Real, b: Real, c: Real, boxes: Boxes) -> tuple[Real, Real, Real]:
        """Add weight * (sum - target)^2, which is nothing where the sum is held."""
        for row, target in zip(self.rows, self.targets, strict=True):
            a = row[boxes.support]
            weight = 10.0 * np.einsum("nii->n", g) / g.shape[1]
            g = g + (weight[:, None] * a)[:, :, None] * a[:, None, :]
            b = b - (weight * target)[:, None] * a
            c = c + weight * target**2
        return g, b, c


class WorstRatio:
    """The largest ratio to a limit over what counts; what only must be inside is held to 1."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.counted = problem.counted
        self._equalities = _Equalities(problem)

    @cached_property
    def forms(self) -> Forms:
        """Squares of the (hedged) ratios."""
        return mean_forms(self.problem, self.problem.hedge)

    @cached_property
    def search(self) -> RatioSearch:
        """The search for its plans."""
        return RatioSearch(self.problem, self.forms)

    def start(self, boxes: Boxes) -> Real:
        ratio = np.sqrt(self.forms.offset)
        weights = np.where(self.counted, ratio + 0.05 * ratio.max(initial=1e-9), 0.0)
        if not self.counted.any():
            weights = np.ones(len(ratio))
        return np.tile(weights / weights.sum(), (len(boxes), 1))

    def bound(
        self, boxes: Boxes, state: Real, cutoff: float, rounds: int
    ) -> tuple[Real, Real, Real]:
        variables = len(self.problem.hardware.step)
        scale = min(cutoff, 10.0 * float(np.sqrt(self.forms.offset.max(initial=1.0)))) ** 2
        factor = np.where(self.counted, 1.0, scale)
        best = np.zeros(len(boxes))
        best_x = np.zeros(boxes.support.shape)
        weights, best_weights = state, state
        for _ in range(rounds):
            g, b, c = self._equalities.add(
                *self.forms.weighted(weights * factor, boxes.support), boxes
            )
            x, low = box_minimum(g, b, c, boxes.low, boxes.high)
            low = low - 1e-12 * np.abs(c)
            inside = weights[:, ~self.counted].sum(axis=1)
            share = 1.0 - inside
            held = scale * inside * (1.0 + 2.1e-9)  # inside means at most 1 + 1e-9
            square = np.where(
                share > 1e-9,
                (low - held) / np.maximum(share, 1e-9),
                np.where(low > held, np.inf, 0.0),
            )
            bound = np.sqrt(np.maximum(square, 0.0))
            better = (bound > best) | (best == 0.0)
            best = np.where(better, bound, best)
            best_x = np.where(better[:, None], x, best_x)
            best_weights = np.where(better[:, None], weights, best_weights)
            ratio = np.sqrt(self.forms.squares(boxes.plans(x, variables)) * factor)
            top = ratio.max(axis=1, keepdims=True)
            weights = weights * (ratio + 1e-3 * top) + 1e-7 * top * self._floor
            weights = weights / np.maximum(weights.sum(axis=1, keepdims=True), 1e-300)
        return best, best_x, best_weights

    @cached_property
    def _floor(self) -> Real:
        return np.full(len(self.counted), 1.0 / max(len(self.counted), 1))

    def value(self, plans: Int, cutoff: float) -> Real:
        worst = self.rough(plans)
        return np.where(worst <= cutoff, worst, np.inf)

    def rough(self, plans: Int) -> Real:
        worst = self.problem.worst_ratio(plans)
        held = self.problem.outside(plans) <= 1.0 + 1e-9
        return np.where(held & self.problem.hardware.allows(plans), worst, np.inf)

    def gap(self, value: float) -> float:
        return max(1e-6 * abs(value), 1e-9)


class ChancePenalty:
    """The sum of -log of the single chances that the next run is inside its limits.

    Bounds: for a fixed variance each single penalty is convex in the predicted square (see
    `chance.penalty`), and where its chance is at least one half it rises with the variance; so its
    tangent at the least variance in the box is a bound for every plan of the box that keeps all
    chances at one half or more, which the cutoff demands. For a lower cutoff the tangent's slope is
    held to what the largest variance in the box gives at the limit. A spread's chance is at most
    that of each pair of blades.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._equalities = _Equalities(problem)
        amplitudes = len(problem.vibration.keys)
        pairs, regimes = len(problem.blade_pairs), len(problem.track.keys)
        self._df = np.concatenate([np.full(amplitudes, 2.0), np.ones(pairs * regimes)])
        self._amplitudes, self._shape = amplitudes, (regimes, pairs)

    @cached_property
    def forms(self) -> Forms:
        """Squares of the mean ratios."""
        return mean_forms(self.problem, hedged=False)

    @cached_property
    def _shared(self) -> Forms:
        return variance_forms(self.problem)

    @cached_property
    def _base(self) -> tuple[Real, Real]:
        """Variance that no move changes (row,), and what an inexact move adds (row, variable)."""
        v, t = self.problem.vibration, self.problem.track
        a, b = self.problem.blade_pairs.T
        apart = (t.inexact_var[:, a] + t.inexact_var[:, b]).reshape(-1, v.inexact_var.shape[1])
        return (
            np.concatenate([v.base_var, np.repeat(2.0 * t.base_var, len(a))]),
            np.concatenate([v.inexact_var, apart]),
        )

    def start(self, boxes: Boxes) -> Real:
        return np.clip(0.0, boxes.low, boxes.high).astype(float)

    def bound(
        self, boxes: Boxes, state: Real, cutoff: float, rounds: int
    ) -> tuple[Real, Real, Real]:
        least, most = self._variance_range(boxes)
        best = np.zeros(len(boxes))
        best_x = x = np.clip(state, boxes.low, boxes.high).astype(float)
        last_x, last_height = x, np.full(len(boxes), np.inf)
        for _ in range(rounds):
            height, slope, bend, squares = self._penalties(boxes, x, least, most, cutoff)
            total = height.sum(axis=1)
            g, b, c = self._equalities.add(*self.forms.weighted(slope, boxes.support), boxes)
            c = c + (height - slope * squares).sum(axis=1)
            _, low = box_minimum(g, b, c, boxes.low, boxes.high)
            low = low - 1e-12 * (total + (slope * squares).sum(axis=1))
            better = low > best
            best = np.where(better, low, best)
            rise = (total > last_height)[:, None]
            here = np.where(rise, last_x, x)
            best_x = np.where((total <= last_height)[:, None], x, best_x)
            newton = self._newton(boxes, x, g, b, bend)
            x, last_x = np.where(rise, 0.5 * (x + last_x), newton), here
            last_height = np.minimum(total, last_height)
        return best, best_x, x

    def _penalties(
        self, boxes: Boxes, x: Real, least: Real, most: Real, cutoff: float
    ) -> tuple[Real, Real, Real, Real]:
        """Heights, slopes and bends of the single penalties at x, and the squares they belong to.

        Each (box, row), weighted so that a spread's blade pairs together count once.
        """
        squares = self.forms.squares(boxes.plans(x, len(self.problem.hardware.step)))
        height, slope, bend = penalty(squares, least, self._df)
        if cutoff > np.log(2.0):
            height, slope, bend, squares = self._hold_slope(
                height, slope, bend, squares, least, most
            )
        share = self._shares(height)
        return height * share, slope * share, bend * share, squares

    def _newton(self, boxes: Boxes, x: Real, g: Real, b: Real, bend: Real) -> Real:
        """Return the minimum in the box of the second-order model of the penalties at x."""
        plans = boxes.plans(x, len(self.problem.hardware.step))
        rise = self.forms.gradients(plans, boxes.support)
        curve = g + 0.5 * np.swapaxes(rise * bend[:, :, None], 1, 2) @ rise
        slope = (g @ x[:, :, None])[:, :, 0] + b
        pull = slope - (curve @ x[:, :, None])[:, :, 0]
        solved, _ = box_minimum(curve, pull, np.zeros(len(x)), boxes.low, boxes.high)
        return solved

    def _variance_range(self, boxes: Boxes) -> tuple[Real, Real]:
        """Least and most predictive variance of each row over each box, shape (box, row)."""
        variables = len(self.problem.hardware.step)
        base, inexact = self._base
        middle = boxes.plans(0.5 * (boxes.low + boxes.high), variables)
        reach = boxes.plans(0.5 * (boxes.high - boxes.low), variables)
        size = np.abs(middle @ self._shared.matrix.T + self._shared.constant)
        radius = reach @ np.abs(self._shared.matrix.T)
        least = np.add.reduceat(np.maximum(size - radius, 0.0) ** 2, self._shared.start, axis=1)
        most = np.add.reduceat((size + radius) ** 2, self._shared.start, axis=1)
        surely = boxes.plans((boxes.low > 0) | (boxes.high < 0), variables).astype(float)
        perhaps = boxes.plans((boxes.low != 0) | (boxes.high != 0), variables).astype(float)
        return least + base + surely @ inexact.T, most + base + perhaps @ inexact.T

    def _hold_slope(
        self, height: Real, slope: Real, bend: Real, squares: Real, least: Real, most: Real
    ) -> tuple[Real, Real, Real, Real]:
        """Move tangents to where their slope is no more than the largest variance allows."""
        _, cap, _ = penalty(np.ones_like(most), most, self._df)
        for _ in range(4):
            steep = slope > cap
            if not steep.any():
                break
            squares = np.where(steep, 0.5 * squares, squares)
            height, slope, bend = penalty(squares, least, self._df)
        steep = slope > cap
        squares = np.where(steep, 0.0, squares)
        flat, _, _ = penalty(np.zeros_like(squares), least, self._df)
        return (
            np.where(steep, flat, height),
            np.where(steep, 0.0, slope),
            np.where(steep, 0.0, bend),
            squares,
        )

    def _shares(self, height: Real) -> Real:
        """Weights of the rows: 1 for amplitudes; for a spread's blade pairs, summing to 1."""
        share = np.ones_like(height)
        if self._shape[0] and self._shape[1]:
            pairs = height[:, self._amplitudes :].reshape(len(height), *self._shape)
            sharp = (pairs / np.maximum(pairs.max(axis=2, keepdims=True), 1e-30)) ** 8 + 1e-12
            sharp = sharp / sharp.sum(axis=2, keepdims=True)
            share[:, self._amplitudes :] = sharp.reshape(len(height), -1)
        return share

    def value(self, plans: Int, cutoff: float) -> Real:
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
