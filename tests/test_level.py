"""The level beside the coefficients, against one joint Gaussian of everything, solved densely."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.level import Level, follow_run, predict_run, start


@dataclass
class Job:
    """A job of one channel: moves (run, part, adjuster), readings (run, part), r by run and q."""

    mean: np.ndarray
    cov: np.ndarray
    moves: np.ndarray
    readings: np.ndarray
    reading_var: np.ndarray
    run_var: float


def random_job(
    seed: int, runs: int, parts: int, missing: float, real: bool, adjusters: int = 2
) -> Job:
    rng = np.random.default_rng(seed)

    def normal(*shape: int) -> np.ndarray:
        imag = 0 if real else 1j * rng.standard_normal(shape)
        return rng.standard_normal(shape) + imag

    root = normal(adjusters, adjusters)
    readings = normal(runs, parts)
    readings[rng.random(runs) < missing] = np.nan
    moves = normal(runs, parts, adjusters)
    moves[0] = 0
    return Job(
        normal(adjusters), root @ root.conj().T + 0.1 * np.eye(adjusters), moves, readings,
        rng.uniform(0.2, 2.0, runs), float(rng.uniform(0.1, 1.0)),
    )  # fmt: skip


def followed(job: Job, runs: int, teach: bool = True) -> Level:
    state = start(job.mean[None], job.cov[None], job.readings.shape[1])
    for k in range(runs):
        state = follow_run(
            state, job.moves[k][None], job.readings[k][None], job.reading_var[k : k + 1],
            np.array([job.run_var]), teach,
        )  # fmt: skip
    return state


def dense(job: Job, runs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return mean and cov of c, then of the next reading, given the first `runs` runs.

    Unknowns: c, the first levels, every run's change. The next run is number `runs`.
    """
    adjusters, parts = len(job.mean), job.readings.shape[1]
    size = adjusters + parts + (runs + 1) * parts
    # Information form, so that the first levels are flat exactly.
    information = np.zeros((size, size), dtype=complex)
    information[:adjusters, :adjusters] = np.linalg.inv(job.cov)
    changes = np.arange(adjusters + parts, size)
    information[changes, changes] = 1 / job.run_var
    right = np.zeros(size, dtype=complex)
    right[:adjusters] = information[:adjusters, :adjusters] @ job.mean

    def row(k: int, part: int) -> np.ndarray:
        h = np.zeros(size, dtype=complex)
        h[:adjusters] = job.moves[: k + 1, part].sum(axis=0)
        h[adjusters + part] = 1
        for step in range(1, k + 1):
            h[adjusters + parts + step * parts + part] = 1
        return h

    for k in range(runs):
        for part in range(parts):
            if not np.isnan(job.readings[k, part]):
                h = row(k, part)
                information += np.outer(h.conj(), h) / job.reading_var[k]
                right += h.conj() * job.readings[k, part] / job.reading_var[k]
    if np.isnan(job.readings[:runs]).all():
        levels = slice(adjusters, adjusters + parts)
        information[levels, levels] += np.eye(parts)  # never asked for
    cov = np.linalg.inv(information)
    mean = cov @ right
    ahead = np.array([row(runs, p) for p in range(parts)])
    noise = job.reading_var[runs] * np.eye(parts)
    return (
        mean[:adjusters],
        cov[:adjusters, :adjusters],
        ahead @ mean,
        (ahead @ cov @ ahead.conj().T + noise),
    )


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    runs=st.integers(1, 7),
    parts=st.sampled_from([1, 3]),
    missing=st.sampled_from([0.0, 0.3]),
    real=st.booleans(),
)
def test_following_runs_equals_the_dense_posterior(
    seed: int, runs: int, parts: int, missing: float, real: bool
) -> None:
    job = random_job(seed, runs + 1, parts, missing, real)
    state = followed(job, runs)
    mean, cov, ahead, ahead_cov = dense(job, runs)
    np.testing.assert_allclose(state.mean[0], mean, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(state.cov[0], cov, rtol=1e-8, atol=1e-10)
    predicted, spread = predict_run(
        state, job.moves[runs][None], job.reading_var[runs : runs + 1], np.array([job.run_var])
    )
    if np.isnan(job.readings[:runs]).all():
        assert np.isnan(predicted).all()
        assert np.isnan(state.level_mean).all()
    else:
        np.testing.assert_allclose(predicted[0], ahead, rtol=1e-8, atol=1e-9)
        np.testing.assert_allclose(spread[0], ahead_cov, rtol=1e-8, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000), runs=st.integers(2, 6))
def test_pairs_that_taught_before_give_the_same_level(seed: int, runs: int) -> None:
    """Coefficients that already hold these runs, followed again without teaching."""
    job = random_job(seed, runs + 1, 1, 0.2, False)
    once = followed(job, runs)
    known = Job(
        once.mean[0], once.cov[0], job.moves, job.readings, job.reading_var, job.run_var
    )  # fmt: skip
    again = followed(known, runs, teach=False)
    np.testing.assert_array_equal(again.mean, once.mean)
    np.testing.assert_array_equal(again.cov, once.cov)
    for one, other in zip(
        *(
            predict_run(s, job.moves[runs][None], job.reading_var[:1], np.array([job.run_var]))
            for s in (once, again)
        ),
        strict=True,
    ):
        np.testing.assert_allclose(other, one, rtol=1e-9, atol=1e-12)


def test_age_counts_runs_since_the_channel_was_read() -> None:
    job = random_job(1, 5, 1, 0.0, False)
    job.readings[[0, 3, 4]] = np.nan
    ages = [int(followed(job, k).age[0]) for k in range(6)]
    assert ages == [-1, -1, 0, 0, 1, 2]


def test_a_move_whose_effect_is_unknown_cuts_the_level() -> None:
    job = random_job(2, 4, 1, 0.0, False)
    job.mean[1] = np.nan
    job.cov[1] = job.cov[:, 1] = np.nan
    job.moves[1, 0] = [0.7, 0.0]  # only the known one moves: the level is followed
    job.moves[2, 0] = [0.0, 1.0]
    job.moves[3, 0] = [0.4, 0.0]
    at_one = followed(job, 2)
    assert 0 < at_one.own_var[0] < np.inf
    assert at_one.own_var[0] < job.reading_var[1]
    predicted, _ = predict_run(at_one, job.moves[2][None], np.ones(1), np.ones(1))
    assert np.isnan(predicted).all()
    at_two = followed(job, 3)
    assert at_two.own_var[0] == job.reading_var[2]
    np.testing.assert_allclose(at_two.level_mean[0], job.readings[2])
    np.testing.assert_array_equal(at_two.mean, at_one.mean)
    predicted, spread = predict_run(at_two, job.moves[3][None], np.ones(1), np.ones(1))
    np.testing.assert_allclose(predicted[0, 0], job.readings[2, 0] + 0.4 * at_two.mean[0, 0])
    assert np.isfinite(spread).all()


def test_levels_do_not_change_the_state_they_start_from() -> None:
    job = random_job(3, 3, 1, 0.0, False)
    state = followed(job, 2)
    kept = state.mean.copy(), state.cov.copy(), state.offset.copy()
    follow_run(
        state, job.moves[2][None], job.readings[2][None], job.reading_var[2:3],
        np.array([job.run_var]),
    )  # fmt: skip
    for a, b in zip(kept, (state.mean, state.cov, state.offset), strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("teach", [True, False])
def test_channels_do_not_talk_to_each_other(teach: bool) -> None:
    jobs = [random_job(seed, 5, 1, 0.3, False) for seed in (4, 5, 6)]
    together = start(np.array([j.mean for j in jobs]), np.array([j.cov for j in jobs]))
    for k in range(5):
        together = follow_run(
            together,
            np.array([j.moves[k] for j in jobs]),
            np.array([j.readings[k] for j in jobs]),
            np.array([j.reading_var[k] for j in jobs]),
            np.array([j.run_var for j in jobs]),
            teach,
        )
    for i, job in enumerate(jobs):
        alone = followed(job, 5, teach)
        np.testing.assert_allclose(together.mean[i], alone.mean[0], rtol=1e-12)
        np.testing.assert_allclose(together.offset[i], alone.offset[0], rtol=1e-12)
