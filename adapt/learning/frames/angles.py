"""The angles of a rotor's frames, from what its readings say of them.

The log density of the frames' angles a is, with the matrices N of each order n that `stretches`
explains (n a turns a reading of order n),

    sum_n sum_(f, g) exp(i n (a_f - a_g)) N_fg    (a von Mises law for two frames and one order)

In which of the frames the rotor reads as its type does is not known either: that frame is summed
over, equally likely before the data. Two frames are taken on a grid, exactly; more by the modes of
their joint density, each with the curvature there (Laplace). Nothing here knows of logs.

Source: Mardia and Jupp, Directional Statistics (Wiley 2000), sections 3.4 and 3.5.4, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from math import gcd
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Angles", "Word", "angles_of", "common_period"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

GRID = 720  # points of the coarse grid over one period
FINE, REACH = 801, 9.0  # points of the fine grid, and how many sds it reaches
STARTS = 6  # of the search for modes, besides those that follow the events
ROUNDS = 200
FLAT = 1e-3  # [1 / rad^2]: curvature of a density that says nothing


@dataclass(frozen=True, eq=False)
class Word:
    """What the readings of one order say.

    order: n. among: (frame, frame), Hermitian, between the frames: m_fg + b_f' V b_g. type_:
    (frame,), of each frame with the type: l' V b_f.
    """

    order: int
    among: Array
    type_: Array


@dataclass(frozen=True, eq=False)
class Angles:
    """The law of the frames' angles, lag positive.

    moments: (frame, frame), E exp(i period (a_g - a_f)). period: the angles are known modulo
    360 / period deg (the greatest common divisor of the orders). type_weight: (frame,), how
    probable it is that the rotor reads as its type in each frame.
    """

    moments: Array
    period: int
    type_weight: Real

    def angle_deg(self, before: int, after: int) -> float:
        """Return by how much more a frame lags than another [deg], in (-180, 180] / period."""
        turned = float(np.angle(self.moments[before, after], deg=True))
        return (180.0 if turned <= -180.0 else turned) / self.period

    def sd_deg(self, before: int, after: int) -> float:
        """Return its standard deviation [deg of shaft], at most that of the whole circle."""
        return float(np.rad2deg(np.sqrt(self.variance()[before, after])))

    @property
    def widest_deg(self) -> float:
        """The sd of an angle of which nothing is known [deg]."""
        return 180.0 / np.sqrt(3.0) / self.period

    def variance(self) -> Real:
        """Return the variances of the differences of angles, (frame, frame) [rad^2]."""
        length = np.clip(np.abs(self.moments), 1e-12, 1.0)
        widest = np.deg2rad(self.widest_deg) ** 2
        result: Real = np.minimum(-2.0 * np.log(length) / self.period**2, widest)
        np.fill_diagonal(result, 0.0)
        return result


def angles_of(words: list[Word], frames: int, period: int) -> Angles:
    """Return the law of the angles of all frames against each other."""
    if frames == 2:
        return _two(words, period)
    parts = [(t, *mode) for t in range(frames) for mode in _modes(_with_type(words, t), frames)]
    height = np.array([
        value + _constant(words, t) + 0.5 * np.linalg.slogdet(cov)[1] for t, _, cov, value in parts
    ])  # fmt: skip
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    moments = np.zeros((frames, frames), dtype=complex)
    type_weight = np.zeros(frames)
    for (t, theta, cov, _), w in zip(parts, weight, strict=True):
        whole = np.zeros((frames, frames))
        whole[1:, 1:] = cov
        spread = np.diag(whole)[:, None] + np.diag(whole) - 2.0 * whole
        apart = theta[None, :] - theta[:, None]
        moments += w * np.exp(1j * period * apart - 0.5 * period**2 * spread)
        type_weight[t] += w
    return Angles(moments, period, type_weight)


def common_period(orders: list[int]) -> int:
    """Return what the orders have in common: angles are known modulo 360 deg over it."""
    return reduce(gcd, orders, 0) or 1


def _two(words: list[Word], period: int) -> Angles:
    """Return the exact law of two frames: coarse over the circle, fine about a sharp mode."""
    theta = 2.0 * np.pi / period * np.arange(GRID) / GRID
    density = [_on_grid(words, t, theta) for t in (0, 1)]
    top = max(d.max() for d in density)
    likelier = int(density[1].max() > density[0].max())
    at = int(np.argmax(density[likelier]))
    mode, cov, _ = _climb(_with_type(words, likelier), np.array([0.0, theta[at]]))
    sd = float(np.sqrt(cov[0, 0]))
    step = theta[1]
    if REACH * sd < 10.0 * step:  # narrower than the coarse grid shows well
        away = np.abs(np.angle(np.exp(1j * (theta - mode[1])))) > REACH * sd + step
        if max(d[away].max(initial=-np.inf) for d in density) < top - 30.0:
            theta = mode[1] + REACH * sd * np.linspace(-1.0, 1.0, FINE)
            density = [_on_grid(words, t, theta) for t in (0, 1)]
            top = max(d.max() for d in density)
    mass = np.exp(np.array(density) - top)
    mass /= mass.sum()
    moment = complex((mass.sum(axis=0) * np.exp(1j * period * theta)).sum())
    moments = np.array([[1.0, moment], [np.conj(moment), 1.0]])
    return Angles(moments, period, mass.sum(axis=1))


def _on_grid(words: list[Word], type_frame: int, theta: Real) -> Real:
    """Return the log density of two frames' difference on a grid."""
    value = np.full(len(theta), _constant(words, type_frame))
    for order, n in _with_type(words, type_frame):
        value += 2.0 * (n[1, 0] * np.exp(1j * order * theta)).real
    return value


def _with_type(words: list[Word], type_frame: int) -> list[tuple[int, Array]]:
    """Return the matrices N when the rotor reads as its type in that frame; diagonals left out."""
    found = []
    for word in words:
        n = word.among.copy()
        n[type_frame] += word.type_
        n[:, type_frame] += word.type_.conj()
        np.fill_diagonal(n, 0.0)
        found.append((word.order, n))
    return found


def _constant(words: list[Word], type_frame: int) -> float:
    return float(sum(2.0 * word.type_[type_frame].real for word in words))


def _modes(matrices: list[tuple[int, Array]], frames: int) -> list[tuple[Real, Real, float]]:
    """Return the modes: angles (frame,), covariance of all but the first, log density."""
    starts = [np.zeros(frames), _one_by_one(matrices, range(frames), frames),
              _one_by_one(matrices, range(frames)[::-1], frames)]  # fmt: skip
    rng = np.random.default_rng(0)  # scattered starts, the same every time
    starts += list(rng.uniform(-np.pi, np.pi, (STARTS, frames)))
    found: list[tuple[Real, Real, float]] = []
    for start in starts:
        theta, cov, value = _climb(matrices, start - start[0])
        if not any(np.abs(np.exp(1j * (theta - other)) - 1.0).max() < 1e-4 for other, *_ in found):
            found.append((theta, cov, value))
    return found


def _one_by_one(matrices: list[tuple[int, Array]], order: range, frames: int) -> Real:
    """Return each frame's best angle given those before it in the order."""
    theta, seen = np.zeros(frames), np.zeros(frames, dtype=bool)
    for f in order:
        if seen.any():
            theta[f] = _best(matrices, theta, f, seen)
        seen[f] = True
    return theta


def _best(
    matrices: list[tuple[int, Array]], theta: Real, f: int, others: npt.NDArray[Any]
) -> float:
    """Return the best angle of one frame on the coarse grid, the others' given."""
    grid = 2.0 * np.pi * np.arange(GRID) / GRID
    value = np.zeros(GRID)
    for order, n in matrices:
        pull = (n[others, f] * np.exp(1j * order * theta[others])).sum()
        value += 2.0 * (pull * np.exp(-1j * order * grid)).real
    return float(grid[np.argmax(value)])


def _climb(matrices: list[tuple[int, Array]], start: Real) -> tuple[Real, Real, float]:
    """Climb to a mode, frame by frame and then by Newton's steps; the first frame stays."""
    theta = start.copy()
    frames = len(theta)
    for _ in range(ROUNDS if frames > 2 else 0):
        last = theta.copy()
        for f in range(1, frames):
            others = np.arange(frames) != f
            theta[f] = _best(matrices, theta, f, others)
        if np.abs(np.exp(1j * (theta - last)) - 1.0).max() < 1e-9:
            break
    for _ in range(20):
        slope, curve, value = _slopes(matrices, theta)
        step = np.linalg.solve(curve + FLAT * np.eye(frames - 1), slope)
        step = np.clip(step, -0.05, 0.05)
        after = theta.copy()
        after[1:] += step
        if _slopes(matrices, after)[2] < value - 1e-9 * abs(value) or np.abs(step).max() < 1e-12:
            break
        theta = after
    _, curve, value = _slopes(matrices, theta)
    values, vectors = np.linalg.eigh(curve)
    cov = (vectors / np.maximum(values, FLAT)) @ vectors.T
    return theta, cov, value


def _slopes(matrices: list[tuple[int, Array]], theta: Real) -> tuple[Real, Real, float]:
    """Return slope and negative curvature by all angles but the first, and the log density."""
    frames = len(theta)
    slope, curve, value = np.zeros(frames), np.zeros((frames, frames)), 0.0
    for order, n in matrices:
        turned = n * np.exp(1j * order * (theta[:, None] - theta))
        value += float(turned.real.sum())
        slope -= 2.0 * order * turned.imag.sum(axis=1)
        weight = 2.0 * order**2 * turned.real
        curve += np.diag(weight.sum(axis=1)) - weight
    return slope[1:], curve[1:, 1:], value
