"""Which numbers of two sets of coefficients differ, and what they are held against."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.coefficients.differing import compare_numbers


def posterior() -> Posterior:
    cov = np.array([[[4.0, 1e-12], [1e-12, 9.0]], [[1.0, 0.5], [0.5, 1.0]]], dtype=complex)
    return Posterior.of_channels(
        mean=np.array([[1 + 1j, np.nan], [3.0, 4j]]),
        cov=cov,
        track_mean=np.array([[0.5, 0.25], [0.0, 1.0]]),
        track_cov=cov.real,
        pairs=np.array([[1, 2], [3, 4]]),
        track_pairs=np.array([[1, 0], [0, 1]]),
    )


@pytest.fixture
def stored() -> Coefficients:
    noise = Noise(np.array([1e-4, 2e-4]), np.array([3e-4, 4e-4]), np.full(2, 1.0), np.full(2, 2.0),
                  correlation=np.eye(2, dtype=complex))  # fmt: skip
    return Coefficients(
        design="main rotor",
        channels=(("lateral", "ground"), ("lateral", "hover")),
        regimes=("ground", "hover"),
        adjusters=("hub weight", "pitch link"),
        type_=posterior(),
        unseen=posterior(),
        rotors={"MR-1": posterior()},
        noise=noise,
        taught=frozenset({("J-1", "1"), ("J-1", "2")}),
        suspects=({"job": "J-1", "probability": 0.5, "explanations": [{"text": "sign"}]},),
        notes=("one rotor",),
        origin={"made": "then", "version": "0.1", "jobs": 2},
    )


def of_rotor(stored: Coefficients, **fields: object) -> Coefficients:
    return replace(stored, rotors={"MR-1": replace(stored.rotors["MR-1"], **fields)})


def test_the_same_agrees_whenever_and_from_wherever_it_was_made(stored: Coefficients) -> None:
    other = replace(stored, origin={**stored.origin, "made": "now", "log": "elsewhere"})
    found = compare_numbers(stored, other)
    assert (found.agrees, found.largest, found.differing, found.other) == (True, 0.0, (), ())
    # Three posteriors (4 means, 16 covariances, 4 pairs, twice for track), 8 variances and 4
    # correlations of noise, a probability, a number of jobs.
    assert found.numbers == 3 * 2 * (4 + 16 + 4) + 8 + 4 + 2


@pytest.mark.parametrize(("off", "told"), [(9e-10, 0), (1.1e-9, 1), (1e-3, 1)])
def test_a_mean_is_held_against_its_own_size(stored: Coefficients, off: float, told: int) -> None:
    mean = stored.rotors["MR-1"].mean.copy()
    mean[1, 0] *= 1.0 + off
    found = compare_numbers(stored, of_rotor(stored, mean=mean))
    assert found.differing_count == told
    assert found.largest == pytest.approx(off, rel=1e-3)
    assert found.agrees == (told == 0)
    if told:
        (one,) = found.differing
        assert one.where == "MR-1, mean, lateral in hover, hub weight"
        assert (one.stored, one.now) == (3.0, 3.0 * (1.0 + off))


def test_a_covariance_is_held_against_its_variances(stored: Coefficients) -> None:
    joint = stored.rotors["MR-1"].joint.copy()
    place = tuple(np.argwhere(joint == 1e-12)[0])
    joint[place] = 2e-12  # twice as large, and nothing beside 2 * 3
    assert compare_numbers(stored, of_rotor(stored, joint=joint)).agrees
    joint[place] = 6e-8
    found = compare_numbers(stored, of_rotor(stored, joint=joint))
    assert found.largest == pytest.approx(1e-8, rel=1e-3)
    assert found.differing[0].where == (
        "MR-1, covariance, lateral, ground hub weight, ground pitch link"
    )


def test_a_number_that_is_not_there_any_more_differs_without_bound(stored: Coefficients) -> None:
    mean = stored.rotors["MR-1"].mean.copy()
    mean[0, 1] = 1.0
    found = compare_numbers(stored, of_rotor(stored, mean=mean))
    assert found.differing_count == 1
    assert found.largest == np.inf


def test_what_is_told_beside_the_numbers_must_be_the_same(stored: Coefficients) -> None:
    suspect = {**stored.suspects[0], "probability": 0.5 + 1e-8}
    found = compare_numbers(stored, replace(stored, suspects=(suspect,)))
    assert [one.where for one in found.differing] == ["suspect entries 1, probability"]
    found = compare_numbers(stored, replace(stored, suspects=(), notes=("two rotors",)))
    assert len(found.other) == 2
    assert found.other[1] == "notes 1: one rotor, now two rotors"
    found = compare_numbers(
        stored,
        replace(stored, taught=frozenset({("J-1", "1"), ("J-9", "1")}), rotors={}, design="x"),
    )
    assert found.other == (
        "design: main rotor, now x",
        "rotors, only stored: MR-1",
        "pairs that taught, only stored: J-1 after run 2",
        "pairs that taught, only now: J-9 after run 1",
    )
    assert not found.agrees


def test_an_array_of_another_shape_is_told_and_not_compared(stored: Coefficients) -> None:
    noise = replace(stored.noise, correlation=None)
    found = compare_numbers(stored, replace(stored, noise=noise))
    assert found.other == ("noise, correlation: (2, 2) numbers, now (0,)",)
