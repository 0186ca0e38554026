"""The likelihood of mistakes by sums, against scipy.stats' normal density worked out whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import invented_rotor
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from adapt.learning.suspects.likelihood import GUST, GUST_SHARE, LOOSE, Likelihood
from adapt.learning.suspects.segments import Segments
from adapt.learning.suspects.sieve import Candidates, sieve
from adapt.learning.suspects.weighing import of_moves, of_readings, of_wild, total_of
from adapt.learning.suspects.wrong_moves import unrecorded, wrong_moves
from adapt.learning.suspects.wrong_readings import changes, wrong_readings

RUNS, CHANNELS, ADJUSTERS, BLADES = 5, 6, 3, 5


@pytest.fixture(scope="module")
def segments() -> Segments:
    """Three segments with track, some readings missing, some averaged."""
    rng = np.random.default_rng(5)
    rotor = invented_rotor(blades=BLADES, sensors=2, regimes=3)
    lines = CHANNELS + (BLADES - 1) * 3

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    readings = circular(3, RUNS, lines)
    readings[..., CHANNELS:].imag = 0.0
    readings[0, 1, 2] = readings[0, 4, 3] = readings[1, 2, :CHANNELS] = np.nan
    readings[2, 1:, 0] = np.nan
    repeats = np.ones(readings.shape)
    repeats[1, :, 1] = [1, 4, 2, 1, 1]
    root = 0.3 * circular(3, lines, ADJUSTERS, ADJUSTERS)
    root[:, CHANNELS:].imag = 0.0
    mean = circular(3, lines, ADJUSTERS)
    mean[:, CHANNELS:].imag = 0.0
    extra = np.zeros(readings.shape)
    extra[2, 1:] = rng.uniform(0.0, 3.0, (RUNS - 1, lines))
    amounts = rng.integers(-2, 3, (3, RUNS, BLADES, ADJUSTERS)).astype(float)
    amounts[:, 0] = 0.0
    return Segments(
        rotor=rotor,
        first=np.array([0, 5, 10]),
        readings=readings,
        repeats=repeats,
        amounts=amounts,
        extra=extra,
        kept=np.zeros((3, RUNS), dtype=bool),
        motion=np.concatenate([np.zeros(CHANNELS, int), 1 + np.repeat(np.arange(4), 3)]),
        channels=CHANNELS,
        half=np.where(np.arange(lines) < CHANNELS, 1.0, 0.5),
        mean=mean,
        cov=root @ np.swapaxes(root.conj(), -1, -2),
        run_var=rng.uniform(0.2, 0.5, lines),
        reading_var=rng.uniform(0.2, 0.5, lines),
        share=1.0,
    )  # fmt: skip


def log_density(s: Segments, i: int, line: int, steps: np.ndarray | None = None) -> float:
    """Return the log density of a line's differences by scipy, steps: relative step variances."""
    y = s.readings[i, :, line]
    at = np.flatnonzero(~np.isnan(y))
    if len(at) < 2:
        return 0.0
    steps = (np.ones(RUNS) if steps is None else steps) + s.extra[i, :, line]
    walk = np.cumsum(np.where(np.arange(RUNS) == 0, 0.0, steps))
    noise = s.run_var[line] * np.minimum.outer(walk, walk)
    noise = noise + np.diag(s.reading_var[line] / s.repeats[i, :, line])
    m = np.cumsum(s.effects(s.amounts[i]), axis=0)[:, s.motion[line]]
    whole = noise + m @ s.cov[i, line] @ m.conj().T
    error = y - m @ s.mean[i, line]
    difference = np.diff(np.eye(RUNS)[at], axis=0)
    d = difference @ np.where(np.isnan(error), 0.0, error)
    cov = difference @ whole @ difference.T
    if s.half[line] == 0.5:
        return float(multivariate_normal(np.zeros(len(d)), cov.real).logpdf(d.real))
    real = 0.5 * np.block([[cov.real, -cov.imag], [cov.imag, cov.real]])
    both = np.concatenate([d.real, d.imag])
    return float(multivariate_normal(np.zeros(len(both)), real).logpdf(both))


def all_lines(s: Segments, i: int, steps: np.ndarray | None = None) -> np.ndarray:
    return np.array([log_density(s, i, j, steps) for j in range(len(s.motion))])


def test_other_moves_change_the_density_as_scipy_says(segments: Segments) -> None:
    rng = np.random.default_rng(6)
    likelihood = Likelihood(segments)
    for i in range(3):
        for step in range(RUNS - 1):
            change = rng.integers(-3, 4, (BLADES, ADJUSTERS)).astype(float)
            found = likelihood.with_moves(np.array([i]), np.array([step]), change[None])
            other = segments.amounts.copy()
            other[i, step + 1] += change
            expected = all_lines(replace(segments, amounts=other), i) - all_lines(segments, i)
            gain = found.log_density[0] - likelihood.entered.log_density[i]
            assert gain == pytest.approx(expected, rel=1e-8, abs=1e-8)


def test_a_gust_beside_other_moves_changes_the_density_as_scipy_says(segments: Segments) -> None:
    likelihood = Likelihood(segments)
    change = np.zeros((BLADES, ADJUSTERS))
    change[2, 1] = 2.0
    found = likelihood.with_moves(np.array([0]), np.array([1]), change[None])
    other = segments.amounts.copy()
    other[0, 2] += change
    moved = replace(segments, amounts=other)
    gain = found.shifted(8.0 * segments.run_var, segments.half)[0]
    for step in range(RUNS - 1):
        steps = np.ones(RUNS)
        steps[step + 1] = 9.0
        expected = all_lines(moved, 0, steps) - all_lines(moved, 0)
        assert gain[:, step] == pytest.approx(expected, rel=1e-8, abs=1e-8)


def total(s: Segments, i: int, base: np.ndarray | None = None) -> float:
    """Return the log density of a segment whose steps may be gusts, worked out step by step.

    base: (line, run), relative step variances.
    """
    base = np.ones((len(s.motion), RUNS)) if base is None else base
    calm = sum(log_density(s, i, j, base[j]) for j in range(len(s.motion)))
    ways = [(RUNS - 1) * np.log1p(-GUST_SHARE)]
    for step in range(1, RUNS):
        gusty = base.copy()
        gusty[:, step] += GUST - 1.0
        gust = sum(log_density(s, i, j, gusty[j]) for j in range(len(s.motion))) - calm
        share = np.log(GUST_SHARE) + (RUNS - 2) * np.log1p(-GUST_SHARE)
        ways.append(s.share * gust + share)
    whole = s.share * calm + logsumexp(ways)
    return float(whole)


def test_a_step_left_unexplained_weighs_what_scipy_says(segments: Segments) -> None:
    likelihood = Likelihood(segments)
    entered = total_of(likelihood, likelihood.entered_of(np.arange(3)))
    nothing = np.zeros(0, dtype=np.int64)
    empty = unrecorded(segments.rotor).only(nothing)
    at = np.arange(3), np.array([0, 2, 3])
    found = of_wild(
        likelihood,
        Candidates(np.zeros(3), empty, nothing, nothing, nothing, nothing, np.zeros(0), *at),
    )
    for i, step in zip(*at, strict=True):
        loose = np.ones((len(segments.motion), RUNS))
        loose[:, step + 1] = LOOSE
        expected = total(segments, i, loose) - total(segments, i)
        assert found[i] - entered[i] == pytest.approx(expected, rel=1e-8, abs=1e-8)


def test_other_readings_weigh_what_scipy_says(segments: Segments) -> None:
    likelihood = Likelihood(segments)
    misread = wrong_readings(segments.rotor)
    entered = total_of(likelihood, likelihood.entered_of(np.arange(3)))
    nothing = np.zeros(0, dtype=np.int64)
    empty = unrecorded(segments.rotor).only(nothing)
    which = np.arange(len(misread))
    of, run = which % 3, which % RUNS
    found = of_readings(
        likelihood,
        Candidates(
            np.zeros(3), empty, nothing, of, run, which, np.zeros(len(of)), nothing, nothing
        ),
        misread,
    )
    for n, (i, k) in enumerate(zip(of, run, strict=True)):
        readings = segments.readings.copy()
        for _, at, change in changes(
            segments.rotor, misread, readings[i, k, None, :CHANNELS], only=n
        ):
            readings[i, k, at] += change[0]
        expected = total(replace(segments, readings=readings), i) - total(segments, i)
        assert found[n] - entered[i] == pytest.approx(expected, rel=1e-8, abs=1e-8)


def lived(s: Segments, rng: np.random.Generator) -> Segments:
    """Return segments that follow from the model, moves before one run each entered wrongly."""
    count, _, lines = s.readings.shape
    real = np.arange(lines) >= CHANNELS

    def normal(*shape: int) -> np.ndarray:
        z = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
        return np.where(real, z.real, z / np.sqrt(2.0))

    mean = 2.0 * s.mean
    c = mean + 0.1 * np.abs(mean) * np.moveaxis(normal(count, ADJUSTERS, lines), 1, 2)
    moves = np.cumsum(s.effects(s.amounts), axis=1)[:, :, s.motion]
    level = np.einsum("nkja,nja->nkj", moves, c)
    level += np.cumsum(np.sqrt(s.run_var) * normal(count, RUNS, lines), axis=1)
    read = level + np.sqrt(s.reading_var) * normal(count, RUNS, lines)
    cov = 0.01 * np.abs(mean[..., :, None]) * np.abs(mean[..., None, :]) * np.eye(ADJUSTERS)
    amounts = s.amounts.copy()
    for i in range(count):
        k = rng.integers(1, RUNS)
        amounts[i, k] = np.roll(amounts[i, k], 1, axis=0) if rng.random() < 0.5 else -amounts[i, k]
    still = np.zeros(s.extra.shape), np.ones(s.repeats.shape)
    return replace(s, readings=read, mean=mean, cov=cov + 0j, amounts=amounts, extra=still[0],
                   repeats=still[1], share=0.7)  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_the_first_look_keeps_the_likeliest_wrong_moves(segments: Segments, seed: int) -> None:
    """Against every wrong move weighed exactly."""
    likelihood = Likelihood(lived(segments, np.random.default_rng(seed)))
    made = likelihood.segments.amounts[:, 1:].reshape(-1, BLADES, ADJUSTERS)
    found = wrong_moves(segments.rotor, made)
    owner, step = np.divmod(found.owner, RUNS - 1)
    weight = total_of(likelihood, likelihood.with_moves(owner, step, found.change))
    weight += found.log_prior
    candidates = sieve(likelihood, wrong_readings(segments.rotor), segments.kept, 0.0)
    kept = of_moves(likelihood, candidates)
    entered = total_of(likelihood, likelihood.entered_of(np.arange(3)))
    for i in range(3):
        best = weight[owner == i].max()
        if best > entered[i]:
            assert kept[candidates.moves.owner == i].max() >= best - 1e-6
