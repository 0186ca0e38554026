"""How rotors differ, noise seen within runs, and regimes that share noise are learned as drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import fleet, invented_rotor

from adapt.learning.fitting.correlation import speaking_by_sensor
from adapt.learning.fitting.fleet import Spread
from adapt.learning.fitting.learner import fit
from adapt.learning.fitting.noise import Variances
from adapt.learning.fitting.shares import Shares, one_rotor
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.rows.table import Table

BLADES, REGIMES = 4, 4


def shared_fleet(
    seed: int, gain: float, adjuster: float, rest: float, rotors: int = 80
) -> tuple[object, Runs]:
    """Return a rotor design and runs of rotors that differ by these shares at two sensors."""
    rng = np.random.default_rng(seed)
    rotor = invented_rotor(blades=BLADES, sensors=2, regimes=REGIMES, track=False)
    made = fleet(rng, rotor, rotors=rotors, jobs=4, runs=5, spread=0.0)
    runs = runs_of(rotor, made.history)

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    share = gain * circular(rotors, 2, 1) + adjuster * circular(rotors, 2, 3)
    away = np.repeat(share, REGIMES, axis=1) + rest * circular(rotors, 2 * REGIMES, 3)
    x = np.einsum("kba,b->ka", runs.amounts, np.exp(1j * rotor.psi))
    more = np.einsum("ka,kja->kj", x, (made.type_ * away)[runs.rotor])
    levels = np.cumsum(more, axis=0)
    first = np.maximum.accumulate(np.where(runs.starts, np.arange(len(runs)), 0))
    return rotor, replace(runs, readings=runs.readings + levels - levels[first])


@pytest.mark.parametrize(
    ("gain", "adjuster", "rest"), [(0.10, 0.08, 0.08), (0.15, 0.04, 0.08), (0.03, 0.12, 0.12)]
)
def test_the_shares_by_which_rotors_differ_are_found(
    gain: float, adjuster: float, rest: float
) -> None:
    rotor, runs = shared_fleet(5, gain, adjuster, rest)
    _, learned, _ = fit(rotor, runs)
    shares = learned.variances.shares
    np.testing.assert_allclose(shares.gain, gain, rtol=0.3, atol=0.01)
    np.testing.assert_allclose(shares.adjuster, adjuster, rtol=0.25, atol=0.01)
    np.testing.assert_allclose(shares.rest, rest, rtol=0.12)


def test_what_one_regime_shows_is_believed_of_the_others_when_rotors_differ_alike() -> None:
    rotor, runs = shared_fleet(6, 0.02, 0.12, 0.02)
    moved = runs.rotor == 7
    blind = np.zeros(len(rotor.channels), dtype=bool)
    blind[1:REGIMES] = True  # this rotor's first sensor is read in its first regime only
    readings = np.where(moved[:, None] & blind, np.nan, runs.readings)
    coefficients, _, _ = fit(rotor, replace(runs, readings=readings))
    own, unseen = coefficients.rotors["R007"], coefficients.unseen
    before = np.einsum("jaa->ja", unseen.cov).real[1:REGIMES]
    after = np.einsum("jaa->ja", own.cov).real[1:REGIMES]
    assert (own.pairs[1:REGIMES] == 0).all()
    assert (after < 0.7 * before).all()


def test_one_rotor_is_taken_to_differ_as_expected() -> None:
    rotor, runs = shared_fleet(7, 0.1, 0.1, 0.1, rotors=1)
    _, learned, _ = fit(rotor, runs)
    shares = learned.variances.shares
    np.testing.assert_allclose(shares.total, one_rotor(2).total, rtol=1e-3)
    np.testing.assert_allclose(one_rotor(2).total, 0.12)


def test_scatter_noted_within_runs_informs_the_reading_scatter() -> None:
    """Few pairs know little of r; readings that were averaged, with their spread, know more."""
    rng = np.random.default_rng(8)
    rotor = invented_rotor(sensors=1, regimes=3, track=False)
    made = fleet(rng, rotor, rotors=3, jobs=2, runs=3, reading_sd=0.02, run_sd=0.03)
    runs = runs_of(rotor, made.history)
    # What is read is the mean of four, so one of them scatters by 0.04.
    repeats = np.full_like(runs.repeats, 4.0)
    freedom = 2 * (4 - 1)
    spread = 0.04 * np.sqrt(rng.chisquare(freedom, runs.spread.shape) / freedom)
    plain, _, _ = fit(rotor, replace(runs, repeats=repeats))
    told, _, _ = fit(rotor, replace(runs, repeats=repeats, spread=spread))

    def off(learned: object) -> float:
        return float(np.abs(np.log(learned.noise.reading_var / (2 * 0.04**2))).max())

    assert off(told) < 0.25
    assert off(told) < off(plain)


def test_regimes_that_share_all_noise_count_as_one() -> None:
    loading = np.ones((6, 2), dtype=complex)
    one = np.ones(6)
    spread = Spread(np.ones((6, 2)), loading, np.zeros((2, 2, 2)))
    variances = Variances(one, one, spread, one_rotor(2), one, None, one_rotor(2))
    same = np.kron(np.eye(2), np.ones((3, 3)))
    np.testing.assert_allclose(speaking_by_sensor(same, variances, 2), 1 / 3)
    np.testing.assert_allclose(speaking_by_sensor(np.eye(6), variances, 2), 1.0)
    # Noise in phase with an effect that turns half round between regimes says nothing of it twice.
    turned = replace(
        variances, spread=replace(spread, loading=loading * np.tile([[1], [-1], [1]], (2, 1)))
    )
    assert (speaking_by_sensor(same, turned, 2) > 1 / 3).all()


def test_cells_hold_the_sums_of_their_rows() -> None:
    made = fleet(np.random.default_rng(9), rotors=4, jobs=3, runs=4, missing=0.2)
    _, learned, _ = fit(made.rotor, runs_of(made.rotor, made.history))
    table: Table = learned.table
    rows = table.rows
    q, r = learned.variances.run_var, learned.variances.reading_var
    x = rows.x / table.scale
    for unit in range(rows.units):
        mine, cells = rows.unit == unit, table.unit == unit
        for j in range(len(q)):
            live = mine & rows.live[:, j]
            weight = 1 / (q[j] + r[j] * rows.lam[live, j])
            by_row = np.einsum("r,ra,rb->ab", weight, x[live, j].conj(), x[live, j])
            told = table.count[cells, j] > 0
            of_cell = np.where(told, 1 / (q[j] + r[j] * table.lam[cells, j]), 0.0)
            np.testing.assert_allclose(
                np.einsum("c,cab->ab", of_cell, table.outer[cells, j]),
                by_row,
                atol=1e-9 * abs(by_row).max(initial=1e-9),
            )
            assert table.count[cells, j].sum() == live.sum()
    # Whole logs come down to one cell for each lambda of a job, whatever the number of jobs.
    whole = fleet(np.random.default_rng(9), rotors=4, jobs=3, runs=4)
    _, learned, _ = fit(whole.rotor, runs_of(whole.rotor, whole.history))
    assert len(learned.table.unit) == 4 * 3
    assert len(learned.table.rows.unit) == 4 * 3 * 3


def test_a_fleet_of_like_rotors_keeps_a_small_rest() -> None:
    """The rest never collapses to nothing: regimes would know all about each other."""
    rotor, runs = shared_fleet(10, 0.0, 0.0, 0.0, rotors=12)
    _, learned, _ = fit(rotor, runs)
    shares: Shares = learned.variances.shares
    assert (shares.rest > 0.005).all()
    assert (shares.total < 0.06).all()
