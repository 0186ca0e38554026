"""The compiled search: against trying every plan, and its bounds against scipy."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from drawn_searches import all_plans, drawn_job, squares_at
from scipy.optimize import minimize

from adapt.planning.kernel.arrays import Job, new_best, new_cuts, new_scratch
from adapt.planning.kernel.forms import box_minimum, shrink, squares
from adapt.planning.kernel.supports import screen
from adapt.planning.kernel.tree import tighten
from adapt.planning.kernel.weights import bound_box, factors, keep_cut
from adapt.planning.search.job_search import JobSearch

SEEDS = range(25)
FAR = 1e6


def best_by_trying(job: Job, plans: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the lowest worst ratio, and the plans that tie in it and in their mean square."""
    if not len(plans):
        return np.inf, plans
    found = squares_at(job, plans)
    worst = np.sqrt(found[:, job.counted].max(axis=1))
    ties = worst <= worst.min() * (1.0 + 1e-9) + 1e-12
    mean = found[ties].mean(axis=1)
    return float(worst.min()), plans[ties][mean <= mean.min() * (1.0 + 1e-9) + 1e-12]


@pytest.mark.parametrize("shape", ["plain", "sums", "whole", "quota"])
@pytest.mark.parametrize("seed", SEEDS)
def test_the_search_finds_what_trying_every_plan_finds(seed: int, shape: str) -> None:
    """Every number of moves in turn, one search, so that cuts carry over."""
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, sums=shape == "sums", whole=shape == "whole")
    search = JobSearch(job)
    for moves in range(1, 6):
        quota = np.array([1, 2]) if shape == "quota" else np.full(2, moves)
        value, plans = best_by_trying(job, all_plans(job, moves, quota))
        best, complete, _ = search.rung(moves, [quota], np.inf, FAR)
        assert complete
        if not len(plans):
            assert best.number[0] == 0
            continue
        assert best.value[0] == pytest.approx(value, rel=1e-9, abs=1e-12)
        told = {tuple(x) for x in best.plans[: best.number[0]]}
        assert told == {tuple(x) for x in plans}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_ceiling_finds_the_same_or_nothing(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed))
    value, _ = best_by_trying(job, all_plans(job, 3, np.full(2, 3)))
    above, complete, _ = JobSearch(job).rung(3, [np.full(2, 3)], np.inf, value * 1.001)
    assert complete
    assert (above.value[0] if above.number[0] else np.inf) == pytest.approx(value, rel=1e-9)
    below, complete, _ = JobSearch(job).rung(3, [np.full(2, 3)], np.inf, value * 0.999)
    assert complete
    assert below.number[0] == 0


def test_a_search_that_runs_out_of_time_says_so() -> None:
    job = drawn_job(np.random.default_rng(3), variables=8)
    best, complete, bound = JobSearch(job).rung(4, [np.full(2, 4)], 0.0, FAR)
    assert not complete
    assert bound <= best.value[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_minimum_in_a_box_is_bounded_from_below_and_near(seed: int) -> None:
    """Against scipy's L-BFGS-B."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 7))
    root = rng.standard_normal((n, max(1, n - seed % 3)))  # some not of full rank
    level = rng.standard_normal(root.shape[1])  # of |root' x + level|^2
    g, b, c = root @ root.T, root @ level, float(level @ level)
    low, high = -rng.uniform(0.0, 2.0, n), rng.uniform(0.0, 2.0, n)
    x = np.zeros(n)
    bound = box_minimum(g, b, c, low, high, n, x, new_scratch(n, 1))
    found = minimize(
        lambda z: z @ g @ z + 2 * b @ z + c,
        np.zeros(n),
        jac=lambda z: 2 * (g @ z + b),
        bounds=list(zip(low, high, strict=True)),
        options={"ftol": 1e-15, "gtol": 1e-12},
    )
    assert bound <= found.fun + 1e-9
    assert bound == pytest.approx(found.fun, abs=1e-3)
    assert (x >= low).all()
    assert (x <= high).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_bound_of_a_box_is_below_every_plan_in_it_and_no_good_plan_is_cut_off(
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, variables=4)
    job = job._replace(low=-rng.integers(1, 4, 4).astype(float), high=job.high)
    support, moves = np.array([0, 1, 3]), 3
    plans = all_plans(job._replace(counted=np.ones(6, dtype=bool)), moves, np.full(2, moves))
    plans = plans[(plans[:, support] != 0).all(axis=1)]
    worst = squares_at(job, plans).max(axis=1)
    square = float(np.quantile(worst, 0.3))
    low, high = job.low[support].copy(), job.high[support].copy()
    scratch, factor, w = new_scratch(moves, 6), np.ones(6), np.full(6, 1 / 6)
    bound = bound_box(job, factor, support, moves, low, high, w, 6, np.inf, np.zeros(3), scratch)
    assert bound <= worst.min() + 1e-9
    kept = shrink(job, square, moves, low, high, scratch)
    good = plans[worst <= square][:, support]
    assert kept or not len(good)
    assert (good >= low).all()
    assert (good <= high).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cut_lets_every_support_of_a_good_plan_pass(seed: int) -> None:
    """A cut learned on one support, with its bounds' multipliers, tried on all others."""
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, variables=6, reach=2)
    job = job._replace(counted=np.ones(6, dtype=bool))
    moves, quota = 2, np.full(2, 2)
    plans = all_plans(job, moves, quota)
    worst = squares_at(job, plans).max(axis=1)
    square = float(np.quantile(worst, 0.4))
    scratch, factor, cuts = new_scratch(moves, 6), np.empty(6), new_cuts(6, 6, 6)
    factors(job.counted, square, factor)
    taught = np.array(
        next(s for s in combinations(range(6), 2) if (job.high > job.low)[[*s]].all())
    )
    low, high, w = job.low[taught].copy(), job.high[taught].copy(), rng.uniform(0.1, 1.0, 6)
    bound_box(job, factor, taught, 2, low, high, w, 4, np.inf, np.zeros(2), scratch)
    n = keep_cut(job, cuts, w, factor, square, taught, 2, low, high, scratch)
    out, bounds = np.empty((64, moves), dtype=np.int64), np.empty(64)
    walk = np.zeros(moves + 2, dtype=np.int64)
    count = screen(
        job.cost, job.partner, job.kind, cuts, n, moves, quota, square, walk, out, bounds
    )
    assert walk[0] < 0
    passed = {tuple(s) for s in out[:count]}
    for x in plans[worst <= square]:
        assert tuple(np.flatnonzero(x)) in passed


@pytest.mark.parametrize("seed", SEEDS)
def test_tightening_keeps_every_plan_that_the_sums_allow(seed: int) -> None:
    rng = np.random.default_rng(seed)
    job = drawn_job(rng, variables=3, sums=True)
    support = np.arange(3)
    low, high = job.low.copy(), job.high.copy()
    some = tighten(job.sums, job.sum_low, job.sum_high, support, 3, low, high)
    free = job._replace(counted=np.ones(6, dtype=bool))
    plans = all_plans(free, 3, np.full(2, 3))
    assert some or not len(plans)
    assert (plans >= low).all()
    assert (plans <= high).all()


def test_squares_are_those_of_the_definition() -> None:
    job = drawn_job(np.random.default_rng(0))
    x = np.array([1.0, -2.0, 3.0])
    out = np.empty(6)
    squares(job, np.array([0, 2, 4]), 3, x, out)
    whole = np.zeros(5)
    whole[[0, 2, 4]] = x
    np.testing.assert_allclose(out, squares_at(job, whole), rtol=1e-12)


def test_a_record_without_plans_has_none() -> None:
    best = new_best(3, 2.0)
    assert best.number[0] == 0
    assert np.isinf(best.value[0])
