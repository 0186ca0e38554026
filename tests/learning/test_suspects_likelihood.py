"""The likelihood of mistakes by sums, against scipy.stats' normal density worked out whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import invented_rotor
from scipy.stats import multivariate_normal

from adapt.learning.suspects.likelihood import Likelihood
from adapt.learning.suspects.segments import Segments

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
    gain = found.shifted((8.0 * segments.run_var)[:, None], segments.half)[0]
    for step in range(RUNS - 1):
        steps = np.ones(RUNS)
        steps[step + 1] = 9.0
        expected = all_lines(moved, 0, steps) - all_lines(moved, 0)
        assert gain[:, step] == pytest.approx(expected, rel=1e-8, abs=1e-8)
