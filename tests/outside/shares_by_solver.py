"""Weights over holes as a general solver takes them: SCIP (scipopt.org) through cvxpy (cvxpy.org).

Whole numbers of each kind in each hole, the residual as a second-order cone, one solve for each
part of the aim. Shares nothing with `adapt.balancing.shares` but the values that state the problem.
Nothing is fitted in these problems.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import cvxpy as cp
import numpy as np

from adapt.balancing.shares import Holes

# SCIP keeps lines to 1e-6 of their size and squares to 1e-6: in thousandths of the target both are
# about 1e-6 of it.
PARTS = 1000.0


@dataclass(frozen=True)
class Solved:
    """What SCIP found: pieces, holes, residual over the size of the target; None = not ended.

    claimed: the residual as SCIP has it; residual: that of its whole numbers, worked out anew.
    """

    pieces: int | None
    holes: int | None
    residual: float | None
    claimed: float | None
    seconds: float


def by_scip(holes: Holes, target: complex, tolerance: float, seconds: float) -> Solved:
    """Return fewest pieces, then fewest holes, then the smallest residual. seconds: each solve."""
    size = abs(target) / PARTS
    shape = holes.fitted.shape
    n = cp.Variable(shape, integer=True)
    open_ = cp.Variable(shape[0], boolean=True)
    left = cp.Variable()
    mass = n @ holes.masses
    angle = np.deg2rad([hole.angle_deg for hole in holes.holes])
    arm = np.array([hole.radius_mm for hole in holes.holes]) / size
    rest = cp.hstack(
        [
            target.real / size - (arm * np.cos(angle)) @ mass,
            target.imag / size - (arm * np.sin(angle)) @ mass,
        ]
    )
    kept = [n >= 0, cp.norm(rest) <= left, left <= tolerance / size]
    for h, hole in enumerate(holes.holes):
        most = hole.most_pieces
        if most is None:
            assert hole.most_g is not None
            most = int(hole.most_g / holes.masses.min())
        kept.append(cp.sum(n[h]) <= most * open_[h])
        if hole.most_g is not None:
            kept.append(mass[h] <= hole.most_g)
    for k, piece in enumerate(holes.pieces):
        if piece.stock is not None:
            kept.append(cp.sum(n[:, k]) <= piece.stock)
    pieces, opened = cp.sum(n), cp.sum(open_)
    begun = time.process_time()
    found: list[float] = []
    for goal in (pieces, opened, left):
        problem = cp.Problem(cp.Minimize(goal), kept)
        # One solve stops at a gap of nothing; on one thread, as ours.
        limits = {"limits/time": seconds, "limits/gap": 0.0, "parallel/maxnthreads": 1}
        try:
            problem.solve(solver=cp.SCIP, scip_params=limits)
        except cp.SolverError:  # nothing was found in time
            break
        if problem.status != "optimal":
            break
        found.append(float(goal.value))
        kept.append(goal <= round(float(goal.value)))
    taken = time.process_time() - begun
    pad = [*(round(value) for value in found[:2]), None, None]
    residual = claimed = None
    if len(found) == 3:
        claimed = found[2] / PARTS
        then = np.round(n.value) @ holes.masses
        arms = arm * size * np.exp(1j * angle)
        residual = float(abs(target - then @ arms) / abs(target))
    return Solved(pad[0], pad[1], residual, claimed, taken)
