"""Weights over holes against a general solver on larger problems.

Source: SCIP (scipopt.org) through cvxpy (cvxpy.org), which keeps constraints to 1e-6.
"""

from __future__ import annotations

import numpy as np
import pytest
from shares_by_solver import by_scip

from adapt.balancing.shares import Hole, Holes, Piece, share


def disc(rng: np.random.Generator, number: int, uneven: bool) -> Holes:
    angles = np.sort(rng.uniform(0, 360, number)) if uneven else np.arange(number) * 360 / number
    radii = rng.choice([240.0, 300.0], number) if uneven else np.full(number, 300.0)
    pieces = [Piece(f"{m:g} g", m, int(rng.integers(4, 9))) for m in (1.0, 2.0, 5.0, 10.0, 20.0)]
    holes = [
        Hole(str(k), float(a), float(r), 60.0, 4)
        for k, (a, r) in enumerate(zip(angles, radii, strict=True))
    ]
    return Holes(tuple(holes), tuple(pieces))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("number", "size_g", "of_target", "uneven"),
    [
        (12, 17.0, 0.05, False),
        (12, 17.0, 0.01, True),
        (12, 100.0, 0.01, False),
        (24, 17.0, 0.02, True),
        (24, 130.0, 0.01, False),
        (30, 17.0, 0.02, False),
        (36, 17.0, 0.02, True),
    ],
)
def test_pieces_holes_and_residual_are_those_of_a_general_solver(
    number: int, size_g: float, of_target: float, uneven: bool
) -> None:
    rng = np.random.default_rng([number, uneven, round(100 * of_target)])
    holes = disc(rng, number, uneven)
    target = complex(300.0 * size_g * np.exp(2j * np.pi * rng.random()))
    shared = share(holes, target, "fewest", of_target * abs(target))
    other = by_scip(holes, target, of_target * abs(target), seconds=60.0)
    assert shared.proven
    assert shared.feasible
    assert other.residual is not None
    assert (shared.handled, shared.opened) == (other.pieces, other.holes)
    residual = abs(shared.residual) / abs(target)
    assert residual <= other.residual + 1e-9
    assert residual == pytest.approx(other.claimed, abs=5e-6)


@pytest.mark.filterwarnings("ignore")
def test_what_the_stock_cannot_do_no_solver_can_do() -> None:
    holes = disc(np.random.default_rng(5), 12, uneven=False)
    there = sum(p.mass_g * (p.stock or 0) for p in holes.pieces)
    target = complex(300.0 * 0.95 * there * np.exp(0.8j))
    shared = share(holes, target, "fewest", 0.01 * abs(target))
    assert not shared.feasible
    assert shared.proven
    assert "the stock of pieces" in shared.stopped_by
    assert by_scip(holes, target, 0.01 * abs(target), seconds=60.0).pieces is None
    # A little less than what is left can be had by no one, a little more by a solver too.
    left = abs(shared.residual)
    assert by_scip(holes, target, 1.001 * left, seconds=60.0).pieces is not None
    assert by_scip(holes, target, 0.999 * left, seconds=60.0).pieces is None
