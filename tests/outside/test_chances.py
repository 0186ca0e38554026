"""Chances, and the aims that ask for them, against scipy.stats, sampling and enumeration.

Sources: scipy.stats.ncx2 (amplitudes), scipy.stats.multivariate_normal and sampling (track
spreads). What is known of level and coefficients is worked out in `plan_by_definition` by
conditioning one dense Gaussian, so that their correlation is put to the test as well.
"""

from __future__ import annotations

import chances as reference
import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job
from plan_by_definition import Chances, chances_of, every_plan, rectangles, steps_of
from scipy import stats

import adapt
from adapt.planning.problem.chance import amplitude_chance, penalty, spread_chance


def test_amplitude_chance_is_the_non_central_chi_square_law():
    rng = np.random.default_rng(1)
    mean = rng.uniform(0.0, 3.0, 400)
    var = 10.0 ** rng.uniform(-3.0, 1.0, 400)
    limit = rng.uniform(0.2, 2.0, 400)
    expected = stats.ncx2.cdf(2.0 * limit**2 / var, df=2, nc=2.0 * mean**2 / var)
    np.testing.assert_allclose(amplitude_chance(mean, var, limit), expected, atol=1e-12)


@pytest.mark.parametrize("blades", [2, 3, 4, 5, 7])
def test_spread_chance_agrees_with_sampling(blades):
    rng = np.random.default_rng(blades)
    for factors in (0, 1, 3):
        heights = rng.normal(size=blades)
        own = rng.uniform(0.05, 0.4, blades)
        loading = 0.4 * rng.normal(size=(blades, factors))
        limit = float(np.ptp(heights)) + float(rng.uniform(-0.3, 1.0))
        cov = np.diag(own) + loading @ loading.T
        sampled, error = reference.sampled_spread_chance(heights, cov, limit, rng)
        found = float(spread_chance(heights, own, np.array(limit), loading))
        assert abs(found - sampled) < 4.5 * error


@pytest.mark.parametrize("blades", [2, 4, 5])
@pytest.mark.parametrize("sd", [0.05, 0.3, 1.0, 3.0])
def test_spread_chance_of_blades_that_fly_alike_is_the_studentized_range(blades, sd):
    found = float(spread_chance(np.zeros(blades), np.full(blades, sd**2), np.array(1.0)))
    expected = reference.equal_heights_spread_chance(blades, sd, 1.0)
    assert found == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("factors", [1, 2, 3])
@pytest.mark.parametrize("size", [0.02, 0.2, 0.7, 1.2, 2.5, 5.0, 11.0, 40.0])
def test_spread_chance_with_shared_factors_of_any_size_is_the_multivariate_normal_law(
    size, factors
):
    # `size` counts in sds of the blades' own error; the limit is near what is expected.
    rng = np.random.default_rng(int(100 * size))
    heights, own = 0.3 * rng.normal(size=3), np.full(3, 0.01)
    loading = rng.normal(size=(3, factors))
    loading = loading - loading.mean(axis=0)
    loading *= 0.1 * size / np.linalg.norm(loading, 2)
    limit = float(np.ptp(heights)) + 0.1
    cov = np.diag(own) + loading @ loading.T
    apart = np.array([[-1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])
    expected = rectangles(apart @ heights, apart @ cov @ apart.T, limit)
    found = float(spread_chance(heights, own, np.array(limit), loading))
    fine = factors == 1 or size < 4.0
    assert found == pytest.approx(expected, abs=2e-6 if fine else 1e-3)


def test_a_reading_without_any_doubt_is_inside_or_not():
    amplitude = np.array([0.0, 0.9, 1.1, 5.0, 1000.0])
    chance = amplitude_chance(amplitude, np.zeros(5), np.ones(5))
    np.testing.assert_allclose(chance, [1.0, 1.0, 0.0, 0.0, 0.0], atol=1e-9)
    for df in (1.0, 2.0):
        found = np.array(penalty(amplitude**2, np.zeros(5), df))
        assert np.isfinite(found).all()
        assert (found[0][:2] == 0.0).all()
        assert (found[0][2:] > 10.0).all()
    spread = spread_chance(np.array([[0.0, 0.9, 0.4], [0.0, 1.1, 0.4]]), np.zeros(3), np.ones(2))
    np.testing.assert_allclose(spread, [1.0, 0.0], atol=1e-9)


@pytest.mark.parametrize("df", [1.0, 2.0])
@pytest.mark.parametrize("var", [1e-4, 1e-2, 0.1, 0.5, 2.0, 20.0, 500.0])
def test_penalty_is_convex_in_the_square_and_its_tangents_lie_below(df, var):
    square = np.concatenate([np.linspace(0.0, 4.0, 300), np.linspace(4.0, 60.0, 100)])
    height, slope, bend = penalty(square, np.full_like(square, var), df)
    scale = 1e-9 * (1.0 + np.abs(height))
    tangent = height[:, None] + slope[:, None] * (square[None, :] - square[:, None])
    assert (tangent <= height[None, :] + scale[None, :] + 2e-8).all()
    assert (slope >= 0.0).all()
    assert (bend >= 0.0).all()


@pytest.mark.parametrize("df", [1.0, 2.0])
def test_penalty_is_minus_log_of_the_chance_and_never_above_it(df):
    rng = np.random.default_rng(3)
    square = rng.uniform(0.0, 9.0, 3000)
    var = 10.0 ** rng.uniform(-3.0, 2.0, 3000)
    x, nc = df / var, df * square / var
    exact = -stats.ncx2.logcdf(x, df=df, nc=nc)
    height, slope, bend = penalty(square, var, df)
    sds = (np.sqrt(square) - 1.0) / np.sqrt(var / df)
    near = (sds < 4.9) & np.isfinite(exact)
    np.testing.assert_allclose(height[near], exact[near], rtol=1e-7, atol=2e-8)
    far = np.isfinite(exact) & (sds > 4.9) & (sds < 12.0)
    assert (height[far] <= exact[far] * (1.0 + 1e-9)).all()
    inner = near & (sds > -5.5)
    step = 1e-5 * (1.0 + square)
    up, slope_up, _ = penalty(square + step, var, df)
    down, slope_down, _ = penalty(np.maximum(square - step, 0.0), var, df)
    width = square + step - np.maximum(square - step, 0.0)
    inner &= (square > step) & (sds < 4.5)
    rise = ((up - down) / width)[inner]
    np.testing.assert_allclose(slope[inner], rise, rtol=2e-3, atol=1e-4 * np.abs(rise).max())
    turn = ((slope_up - slope_down) / width)[inner]
    np.testing.assert_allclose(bend[inner], turn, rtol=2e-2, atol=1e-3 * np.abs(turn).max())


@pytest.mark.parametrize("df", [1.0, 2.0])
def test_inside_the_limit_a_penalty_rises_with_the_variance(df):
    square, var = np.meshgrid(np.linspace(0.0, 1.0, 60), 10.0 ** np.linspace(-4.0, 3.0, 200))
    chance = stats.ncx2.cdf(df / var, df=df, nc=df * square / var)
    assert (np.diff(chance, axis=0) <= 1e-13).all()
    # Wherever a chance is one half or more, the square is inside: the claim covers those plans.
    outside = stats.ncx2.cdf(df / var[:, :1], df=df, nc=df / var[:, :1])
    assert (outside < 0.5 + 1e-12).all()


@pytest.mark.parametrize("df", [1.0, 2.0])
def test_at_the_limit_the_slope_of_a_penalty_falls_with_the_variance(df):
    # What lets a tangent be held to the largest variance of a box.
    var = 10.0 ** np.linspace(-6.0, 4.0, 500)
    _, slope, _ = penalty(np.ones_like(var), var, df)
    assert (np.diff(slope) <= 1e-9 * slope[:-1]).all()


def product_of(chances: Chances, plans: np.ndarray) -> np.ndarray:
    """Return the product of the amplitudes' chances, shape (plan,)."""
    return chances.amplitudes(plans).prod(axis=1)


def best_of(chances: Chances, plans: np.ndarray, floor: float = 0.0) -> float:
    """Return the highest product over plans, if above the floor, else 0; spreads where needed."""
    products = product_of(chances, plans)
    best = 0.0
    for at in np.argsort(-products):
        if products[at] <= max(best, floor - 1e-9):
            break
        found = float(products[at])
        if chances.track:
            found *= float(chances.spreads(plans[at]).prod())
        best = max(best, found)
    return best if best >= floor else 0.0


def chance_job(seed: int, **shape: object) -> Job:
    rng = np.random.default_rng(seed)
    settings = {
        "adjusters": int(rng.integers(1, 3)),
        "regimes": int(rng.integers(1, 4)),
        "sensors": int(rng.integers(1, 3)),
        "runs": int(rng.integers(1, 5)),
        "blades": int(rng.integers(2, 5)),
        "track": False,
        "amount_sd": float(rng.choice([0.0, 0.1])),
        "carefree": True,
        "reach": 3,
        "rest": 0.15,
    }
    return drawn_job(rng, **{**settings, **shape})


def check_chances(job: Job, chances: Chances, plan: adapt.plan, tolerance: float) -> None:
    """The plan's own chance and every single one are those of the reference."""
    steps = steps_of(job, plan.moves)
    single = chances.amplitudes(steps[None])[0]
    shown = [r.chance for r in plan.readings if r.chance is not None]
    np.testing.assert_allclose(shown, single, atol=1e-9)
    spread = chances.spreads(steps)
    shown = [t.chance for t in plan.track if t.chance is not None]
    np.testing.assert_allclose(shown, spread, atol=tolerance)
    assert plan.chance == pytest.approx(single.prod() * spread.prod(), abs=2.0 * tolerance)


@pytest.mark.parametrize("seed", range(30))
def test_fewest_with_a_chance_is_what_enumeration_finds(seed):
    job = chance_job(seed)
    chances = chances_of(job)
    best = [best_of(chances, every_plan(job, k)) for k in range(4)]
    for asked in (0.9, 0.5, 0.2):
        plan = adapt.plan(job.rotor, job.coefficients, job.history, JOB, chance=asked, most_moves=3)
        check_chances(job, chances, plan, 1e-7)
        assert plan.proven
        enough = [k for k in range(4) if best[k] >= asked]
        if not enough:
            assert not plan.feasible
            if max(best) < 0.01:  # none is likely: the smoothest comes nearest
                smooth = adapt.plan(
                    job.rotor, job.coefficients, job.history, JOB, "smoothest", most_moves=3
                )
                assert plan.worst_ratio == smooth.worst_ratio
                continue
            assert plan.chance == pytest.approx(max(best), rel=2e-6)
            assert plan.lower_bound == pytest.approx(max(best), rel=2e-6)
            continue
        assert plan.feasible
        assert len(plan.moves) == plan.lower_bound == enough[0]
        assert plan.chance == pytest.approx(best[enough[0]], rel=2e-6)


@pytest.mark.parametrize("seed", range(50, 70))
def test_likeliest_is_what_enumeration_finds(seed):
    job = chance_job(seed, rest=float(np.random.default_rng(seed).choice([0.1, 0.4, 0.8])))
    chances = chances_of(job)
    best = 0.0
    for most in range(4):
        best = max(best, best_of(chances, every_plan(job, most)))
        plan = adapt.plan(
            job.rotor, job.coefficients, job.history, JOB, aim="likeliest", most_moves=most
        )
        assert plan.proven
        check_chances(job, chances, plan, 1e-7)
        assert plan.chance == pytest.approx(best, rel=2e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(80, 95))
def test_quickest_takes_the_fewest_minutes_that_enumeration_finds(seed):
    job = chance_job(seed)
    chances = chances_of(job)
    plans = np.concatenate([every_plan(job, k) for k in range(4)])
    minutes = np.array([_minutes(job, chances, plan) for plan in plans])
    for asked in (0.9, 0.3):
        plan = adapt.plan(
            job.rotor, job.coefficients, job.history, JOB, "quickest", chance=asked, most_moves=3
        )
        assert plan.proven
        good = product_of(chances, plans) >= asked
        if not good.any():
            assert not plan.feasible
            continue
        assert plan.feasible
        assert plan.minutes == pytest.approx(minutes[good].min())
        assert plan.lower_bound == pytest.approx(minutes[good].min())
        best = product_of(chances, plans[minutes <= minutes[good].min() + 1e-9]).max()
        assert plan.chance == pytest.approx(best, rel=2e-6)


def _minutes(job: Job, chances: Chances, plan: np.ndarray) -> float:
    used = [chances.variables[i].adjuster for i in np.flatnonzero(plan)]
    adjusters = job.rotor.adjusters
    return sum(adjusters[a].minutes for a in used) + sum(
        adjusters[a].access_minutes for a in set(used)
    )


@pytest.mark.parametrize("seed", range(120, 132))
def test_with_track_the_chance_is_that_of_the_multivariate_normal_law(seed):
    blades = 2 + seed % 3
    job = chance_job(seed, track=True, blades=blades, regimes=2, reach=2, rest=0.1)
    chances = chances_of(job)
    tolerance = 1e-7 if blades == 2 else 5e-6
    best = 0.0
    for most in range(3):
        best = max(best, best_of(chances, every_plan(job, most)))
        plan = adapt.plan(
            job.rotor, job.coefficients, job.history, JOB, aim="likeliest", most_moves=most
        )
        assert plan.proven
        check_chances(job, chances, plan, tolerance)
        assert plan.chance == pytest.approx(best, abs=4.0 * tolerance)
