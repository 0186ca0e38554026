"""Weights over holes against every content tried (source: the definition itself, no library)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shares_by_definition import by_definition, drawn_holes, inside, reach, with_totals

from adapt.balancing.shares import Holes, Shared, share
from adapt.balancing.shares.sharing import TOTALS

EVERY = range(120)


def fitted_then(holes: Holes, shared: Shared) -> list[list[int]]:
    """Return what is fitted then, from the printed changes alone, (hole, piece)."""
    changed = {change.hole: change for change in shared.changes}
    rows = []
    for hole in holes.holes:
        counts = {p.name: hole.fitted.get(p.name, 0) for p in holes.pieces}
        if hole.name in changed:
            for name, n in changed[hole.name].out.items():
                counts[name] -= n
            for name, n in changed[hole.name].put.items():
                counts[name] += n
            printed = {name: n for name, n in counts.items() if n}
            assert printed == dict(changed[hole.name].after)
        rows.append([counts[p.name] for p in holes.pieces])
    return rows


def drawn_target(rng: np.random.Generator, holes: Holes) -> complex:
    if rng.random() < 0.1:
        return 0j
    return complex(reach(holes) * rng.random() * np.exp(2j * np.pi * rng.random()))


@pytest.mark.parametrize("seed", EVERY)
def test_fewest_pieces_then_holes_then_residual_is_what_trying_everything_gives(seed: int) -> None:
    rng = np.random.default_rng([1, seed])
    holes = drawn_holes(rng)
    target = drawn_target(rng, holes)
    tolerance = float(rng.choice([20.0, 60.0, 150.0]))
    most = int(rng.integers(0, 5)) if rng.random() < 0.3 else None
    best = by_definition(holes, target, "fewest", tolerance, most)
    shared = share(holes, target, "fewest", tolerance, most)
    assert shared.proven
    assert shared.feasible == (best is not None)
    if best is None:  # then it is the smallest residual within the same number of pieces
        best = by_definition(holes, target, "nearest", 0.0, most)
    assert fitted_then(holes, shared) == best


@pytest.mark.parametrize("seed", EVERY)
def test_the_smallest_residual_within_a_number_of_pieces_is_what_trying_everything_gives(
    seed: int,
) -> None:
    rng = np.random.default_rng([2, seed])
    holes = drawn_holes(rng)
    target = drawn_target(rng, holes)
    most = int(rng.integers(0, 7))
    shared = share(holes, target, "nearest", most_pieces=most)
    assert shared.proven
    assert fitted_then(holes, shared) == by_definition(holes, target, "nearest", 0.0, most)
    assert shared.least_residual == pytest.approx(abs(shared.residual), abs=1e-5)


@pytest.mark.parametrize("seed", EVERY)
def test_combining_fits_the_fewest_pieces_that_trying_everything_gives(seed: int) -> None:
    rng = np.random.default_rng([3, seed])
    holes = drawn_holes(rng)
    target = 0j if rng.random() < 0.7 else drawn_target(rng, holes) / 4
    tolerance = float(rng.choice([0.0, 20.0, 60.0]))
    best = by_definition(holes, target, "combine", tolerance, None)
    shared = share(holes, target, "combine", tolerance)
    assert shared.proven
    assert shared.feasible == (best is not None)
    if best is not None:
        assert fitted_then(holes, shared) == best
    elif target:
        least = by_definition(holes, target, "nearest", 0.0, None)
        left = target - holes.unbalance(np.array(least) - holes.fitted)
        assert abs(shared.residual) == pytest.approx(abs(left), abs=1e-5)


@pytest.mark.parametrize("aim", ["fewest", "nearest", "combine"])
@pytest.mark.parametrize("seed", range(80))
def test_limits_on_what_holes_carry_in_all_are_kept_as_trying_everything_keeps_them(
    seed: int, aim: str
) -> None:
    rng = np.random.default_rng([5, seed])
    holes = with_totals(rng, drawn_holes(rng))
    target = 0j if aim == "combine" else drawn_target(rng, holes)
    tolerance = None if aim == "nearest" else float(rng.choice([20.0, 60.0, 150.0]))
    most = int(rng.integers(0, 7)) if aim == "nearest" else None
    best = by_definition(holes, target, aim, tolerance or 0.0, most)
    shared = share(holes, target, aim, tolerance, most)
    assert shared.proven
    assert shared.feasible == (best is not None)
    if best is None:
        best = by_definition(holes, target, "nearest", 0.0, most)
    assert fitted_then(holes, shared) == best


def test_the_totals_drawn_stand_in_the_way_now_and_then() -> None:
    changed, worse, over = 0, 0, 0
    for seed in range(30):  # of the 80 that the test above looks at
        rng = np.random.default_rng([5, seed])
        holes = with_totals(rng, drawn_holes(rng))
        target = drawn_target(rng, holes)
        tolerance = float(rng.choice([20.0, 60.0, 150.0]))
        free = share(replace(holes, totals=()), target, "fewest", tolerance)
        bound = share(holes, target, "fewest", tolerance)
        over += bool(set(holes.over()) - set(replace(holes, totals=()).over()))
        changed += fitted_then(holes, free) != fitted_then(holes, bound)
        if free.feasible and not bound.feasible:
            worse += 1
            assert TOTALS in bound.stopped_by
        if fitted_then(holes, free) != fitted_then(holes, bound):
            assert not inside(holes, np.array(fitted_then(holes, free)))
    assert changed > 5
    assert worse >= 2
    assert over > 5


def test_the_drawn_problems_are_of_every_sort() -> None:
    """Such that the tests above mean something: some infeasible, scarce, fitted, over limits."""
    drawn = [drawn_holes(np.random.default_rng([1, seed])) for seed in EVERY]
    assert sum(bool(h.fitted.any()) for h in drawn) > 30
    assert sum(bool(h.over()) for h in drawn) > 10
    assert sum(any(p.stock is not None for p in h.pieces) for h in drawn) > 30
    assert sum(len(h.holes) == 4 for h in drawn) > 15
    wanted = []
    for seed, holes in zip(EVERY, drawn, strict=True):
        rng = np.random.default_rng([4, seed])
        target = drawn_target(rng, holes)
        wanted.append(by_definition(holes, target, "fewest", 60.0, None) is not None)
    assert 20 < sum(wanted) < 110
