"""A reference moved by nobody knows how far: what is known, and how soon it is again."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import fleet, history, invented_rotor

from adapt.coefficients import Posterior
from adapt.learning import learn, update
from adapt.learning.frames.unknown_turn import TURN_SD_DEG, with_unknown_turn
from adapt.rotor import Rotor

ROTOR = invented_rotor(sensors=2, regimes=2, adjusters=2, track=False)
SIZE = 4  # regimes x adjusters


def drawn(rng: np.random.Generator) -> Posterior:
    """A posterior of two sensors, regimes known together."""
    mean = rng.standard_normal((4, 2)) + 1j * rng.standard_normal((4, 2))
    roots = 0.2 * (rng.standard_normal((2, SIZE, SIZE)) + 1j * rng.standard_normal((2, SIZE, SIZE)))
    joint = roots @ roots.conj().transpose(0, 2, 1) + 0.01 * np.eye(SIZE)
    counts = np.zeros((4, 2), dtype=np.int64)
    none = np.zeros((2, 2))
    return Posterior(mean, joint, none, np.zeros((1, SIZE, SIZE)), counts, counts[:2])


def after_pair(
    mean: np.ndarray, cov: np.ndarray, row: np.ndarray, target: complex, noise: float
) -> tuple[np.ndarray, np.ndarray]:
    """One linear observation: row @ c + CN(0, noise) = target."""
    gain = cov @ row.conj() / (np.real(row @ cov @ row.conj()) + noise)
    return mean + gain * (target - row @ mean), cov - np.outer(gain, row @ cov)


@pytest.mark.parametrize("order", [1, 2])
def test_without_a_pair_the_moments_are_those_of_turned_coefficients(order: int) -> None:
    """Monte Carlo of exp(i n angle) c, the angle normal with 30 deg."""
    rng = np.random.default_rng(1)
    rotor = replace(ROTOR, sensors=tuple(replace(s, order=order) for s in ROTOR.sensors))
    unseen = drawn(rng)
    found = with_unknown_turn(unseen, unseen, rotor, np.array([True, False]))
    np.testing.assert_array_equal(found.mean[2:], unseen.mean[2:])
    np.testing.assert_array_equal(found.joint[1], unseen.joint[1])
    draws = 400_000
    root = np.linalg.cholesky(unseen.joint[0])
    z = (rng.standard_normal((draws, SIZE)) + 1j * rng.standard_normal((draws, SIZE))) / np.sqrt(2)
    turn = np.exp(1j * order * np.deg2rad(TURN_SD_DEG) * rng.standard_normal(draws))
    c = (unseen.mean[:2].ravel() + z @ root.T) * turn[:, None]
    size = np.abs(c).max()
    np.testing.assert_allclose(found.mean[:2].ravel(), c.mean(axis=0), atol=2e-3 * size)
    away = c - c.mean(axis=0)
    np.testing.assert_allclose(
        found.joint[0], away.T @ away.conj() / draws, atol=4e-3 * size * np.abs(c).mean()
    )


def test_pairs_since_are_taken_in_as_if_the_wider_doubt_had_been_there_from_the_start() -> None:
    """Three pairs on the narrow prior, then widened: as three pairs on the wide one."""
    rng = np.random.default_rng(2)
    unseen = drawn(rng)
    every = np.ones(2, dtype=bool)
    wide = with_unknown_turn(unseen, unseen, ROTOR, every)
    narrow, right = unseen, wide
    for _ in range(3):
        row = rng.standard_normal(SIZE) + 1j * rng.standard_normal(SIZE)
        target = complex(rng.standard_normal(), rng.standard_normal())

        def told(known: Posterior, row: np.ndarray = row, target: complex = target) -> Posterior:
            mean, joint = known.mean.copy(), known.joint.copy()
            m, joint[0] = after_pair(mean[:2].ravel(), joint[0], row, target, 0.05)
            mean[:2] = m.reshape(2, 2)
            return replace(known, mean=mean, joint=joint)

        narrow, right = told(narrow), told(right)
    found = with_unknown_turn(narrow, unseen, ROTOR, every)
    np.testing.assert_allclose(found.mean, right.mean, rtol=1e-6)
    np.testing.assert_allclose(found.joint, right.joint, rtol=1e-5, atol=1e-8)


def test_what_is_not_known_stays_so() -> None:
    unseen = drawn(np.random.default_rng(3))
    unseen.mean[1, 1] = np.nan
    at = 1 * 2 + 1
    unseen.joint[0, at] = unseen.joint[0, :, at] = np.nan
    found = with_unknown_turn(unseen, unseen, ROTOR, np.array([True, True]))
    assert np.isnan(found.mean[1, 1])
    assert np.isfinite(np.delete(found.mean.ravel(), 3)).all()
    assert np.isfinite(np.delete(np.delete(found.joint[0], at, 0), at, 1)).all()
    nothing = replace(unseen, mean=np.full_like(unseen.mean, np.nan))
    assert np.isnan(with_unknown_turn(nothing, nothing, ROTOR, np.array([True, True])).mean).all()


def test_coefficients_that_are_exact_take_the_doubt_of_the_turn_alone() -> None:
    unseen = replace(drawn(np.random.default_rng(4)), joint=np.zeros((2, SIZE, SIZE), complex))
    found = with_unknown_turn(unseen, unseen, ROTOR, np.array([True, True]))
    m = unseen.mean[:2].ravel()
    rho = np.exp(-0.5 * np.deg2rad(TURN_SD_DEG) ** 2)
    np.testing.assert_allclose(found.mean, rho * unseen.mean, rtol=1e-4)
    np.testing.assert_allclose(
        found.joint[0], (1 - rho**2) * np.outer(m, m.conj()), atol=1e-6 * (np.abs(m) ** 2).max()
    )


@pytest.mark.parametrize("how", ["learn", "update"])
@pytest.mark.parametrize("turned_deg", [0.0, 70.0])
def test_one_run_after_moves_tells_the_turn(how: str, turned_deg: float) -> None:
    """The reference is moved between two jobs; the second job has two runs, or none yet."""
    rotor: Rotor = invented_rotor(track=False)
    f = fleet(np.random.default_rng(5), rotor, rotors=10, jobs=2, runs=3, spread=0.05, moves=3)
    turn = np.exp(1j * np.deg2rad(turned_deg))
    readings = f.history.readings.copy()
    late = readings.job == "J004-1"
    readings.loc[late, "value"] = readings.loc[late, "value"] * turn
    events = history([], [], events=[("J004-0", "2", "reference moved", "", "")]).events
    whole = replace(f.history, readings=readings, events=events)
    runs = whole.runs[whole.runs.job != "J004-1"]
    before = replace(
        whole, runs=runs, readings=readings[~late], moves=whole.moves[whole.moves.job != "J004-1"]
    )
    start = learn(rotor, before, f.chart)
    truth = f.own[4] * turn

    def miss(mean: np.ndarray) -> float:
        return float(np.sqrt((np.abs(mean - truth) ** 2).sum() / (np.abs(truth) ** 2).sum()))

    first = start.rotors["R004"]
    stated = np.sqrt(np.einsum("sxx->", first.joint).real / (np.abs(truth) ** 2).sum())
    assert 0.35 < stated < 0.65
    assert miss(first.mean) < 2.6 * stated
    after = learn(rotor, whole, f.chart) if how == "learn" else update(start, rotor, whole)
    assert miss(after.rotors["R004"].mean) < 0.2


@pytest.mark.parametrize("turned_deg", [0.0, 90.0])
def test_an_update_over_an_event_takes_the_first_pairs_as_entered(turned_deg: float) -> None:
    """Coefficients from before the event; a quarter turn looks like moves on the next blade."""
    rotor = invented_rotor(track=False)
    f = fleet(np.random.default_rng(6), rotor, rotors=10, jobs=2, runs=3, spread=0.05, moves=3)
    log = f.history
    late = log.readings.job == "J004-1"
    start = learn(
        rotor,
        replace(
            log,
            runs=log.runs[log.runs.job != "J004-1"],
            readings=log.readings[~late],
            moves=log.moves[log.moves.job != "J004-1"],
        ),
        f.chart,
    )
    turn = np.exp(1j * np.deg2rad(turned_deg))
    readings = log.readings.copy()
    readings.loc[late, "value"] = readings.loc[late, "value"] * turn
    events = history([], [], events=[("J004-0", "2", "reference moved", "", "")]).events
    told = update(start, rotor, replace(log, readings=readings, events=events))
    assert not any(job == "J004-1" for job, _ in told.withheld)
    own = told.rotors["R004"].mean
    truth = f.own[4] * turn
    assert np.sqrt((np.abs(own - truth) ** 2).sum() / (np.abs(truth) ** 2).sum()) < 0.2
    assert any("taken as they were entered" in note for note in told.notes)
    again = update(told, rotor, replace(log, readings=readings, events=events))
    np.testing.assert_allclose(again.rotors["R004"].mean, own)
