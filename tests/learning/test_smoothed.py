"""Scatter and change of every run given the readings, against one joint Gaussian solved densely."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.learning.robust.smoothed import Noises, smoothed_squares


@dataclass
class Line:
    """A channel of a segment and the dense answer.

    values (run, part), moves (run, part, adjuster); variances (run,). mean, cov: of c given values.
    reading, step: E|e|^2 and E|w|^2 over their variances, summed over parts, (run,).
    """

    values: np.ndarray
    moves: np.ndarray
    reading_var: np.ndarray
    step_var: np.ndarray
    inexact: np.ndarray
    mean: np.ndarray
    cov: np.ndarray
    reading: np.ndarray
    step: np.ndarray


def random_line(seed: int, runs: int, parts: int, real: bool, missing: float = 0.0) -> Line:
    """Return a line with everything drawn; unknowns: first levels (flat), c, changes, inexactness.

    One precision matrix over all of them, every reading an observation.
    """
    rng = np.random.default_rng(seed)

    def normal(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + (0 if real else 1j * rng.standard_normal(shape))

    adjusters = 2
    values, moves = normal(runs, parts), normal(runs, parts, adjusters)
    values[rng.random(runs) < missing] = np.nan
    reading_var, step_var = rng.uniform(0.1, 2.0, runs), rng.uniform(0.1, 2.0, runs)
    inexact = rng.uniform(0.0, 1.0, runs) * rng.integers(0, 2, runs)
    prior_mean, root = normal(adjusters), normal(adjusters, adjusters)
    prior_precision = np.linalg.inv(root @ root.conj().T + 0.1 * np.eye(adjusters))

    # theta: levels (part), c, changes (run - 1, part), inexact parts of changes (run - 1, part).
    changes = (runs - 1) * parts
    size = parts + adjusters + 2 * changes
    design = np.zeros((runs, parts, size), dtype=values.dtype)
    for k in range(runs):
        for p in range(parts):
            design[k, p, p] = 1.0
            design[k, p, parts : parts + adjusters] = moves[1 : k + 1, p].sum(axis=0)
            for earlier in range(k):
                at = parts + adjusters + earlier * parts + p
                design[k, p, [at, at + changes]] = 1.0
    precision = np.zeros((size, size), dtype=values.dtype)
    precision[parts : parts + adjusters, parts : parts + adjusters] = prior_precision
    tail = np.arange(parts + adjusters, size)
    exact = np.where(inexact[1:] > 0, inexact[1:], 1e-12)
    precision[tail, tail] = 1.0 / np.repeat(np.concatenate([step_var[1:], exact]), parts)
    right = np.zeros(size, dtype=values.dtype)
    right[parts : parts + adjusters] = prior_precision @ prior_mean
    read = ~np.isnan(values).any(axis=1)
    if not read.any():  # then the level stays unknown, and nothing else hangs on it
        precision[:parts, :parts] = np.eye(parts)
    for k in np.flatnonzero(read):
        precision = precision + design[k].conj().T @ design[k] / reading_var[k]
        right = right + design[k].conj().T @ values[k] / reading_var[k]
    cov = np.linalg.inv(precision)
    theta = cov @ right
    reading, step = np.zeros(runs), np.zeros(runs)
    for k in np.flatnonzero(read):
        doubt = np.einsum("pa,ab,pb->", design[k], cov, design[k].conj()).real
        reading[k] = ((np.abs(values[k] - design[k] @ theta) ** 2).sum() + doubt) / reading_var[k]
    for k in range(1, runs):
        at = parts + adjusters + (k - 1) * parts + np.arange(parts)
        step[k] = ((np.abs(theta[at]) ** 2).sum() + cov[at, at].sum().real) / step_var[k]
    c = slice(parts, parts + adjusters)
    return Line(
        values, moves, reading_var, step_var, inexact, theta[c], cov[c, c], reading, step
    )  # fmt: skip


def squares_of(lines: list[Line]):
    def all_(name: str) -> np.ndarray:
        return np.array([getattr(line, name) for line in lines])

    noises = Noises(all_("reading_var"), all_("step_var"), all_("step_var") + all_("inexact"))
    return smoothed_squares(all_("values"), all_("moves"), all_("mean"), all_("cov"), noises)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    runs=st.integers(2, 7),
    parts=st.integers(1, 3),
    real=st.booleans(),
    missing=st.sampled_from([0.0, 0.4]),
)
def test_squares_are_those_of_the_joint_normal(
    seed: int, runs: int, parts: int, real: bool, missing: float
) -> None:
    lines = [random_line(seed + k, runs, parts, real, missing) for k in range(3)]
    found = squares_of(lines)
    for k, line in enumerate(lines):
        read = np.flatnonzero(~np.isnan(line.values).any(axis=1))
        shown = read if len(read) > 1 else read[:0]
        assert np.flatnonzero(found.reading_shown[k]).tolist() == shown.tolist()
        np.testing.assert_allclose(found.reading[k, shown], line.reading[shown], rtol=1e-6)
        between = np.arange(read[0] + 1, read[-1] + 1) if len(read) > 1 else read[:0]
        assert np.flatnonzero(found.step_shown[k]).tolist() == between.tolist()
        np.testing.assert_allclose(found.step[k, between], line.step[between], rtol=1e-6)
        assert (found.reading[k][~found.reading_shown[k]] == 0).all()


@pytest.mark.parametrize("tiny", [1e-30, 1e-12])
def test_a_variance_of_next_to_nothing_loses_no_figures(tiny: float) -> None:
    """Where the other noise drowns it, the readings say nothing of it: its square is expected."""
    line = random_line(3, 5, 1, False)
    line.step_var = np.full(5, tiny)
    line.inexact = np.zeros(5)
    np.testing.assert_allclose(squares_of([line]).step[0, 1:], 1.0, rtol=1e-6)
    line = random_line(3, 5, 1, False)
    line.reading_var = np.full(5, tiny)
    np.testing.assert_allclose(squares_of([line]).reading[0], 1.0, rtol=1e-6)
