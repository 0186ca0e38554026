"""Intervals against published laws, distances against dense algebra, coverage on known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import Fleet, fleet, invented_rotor
from scipy import integrate, stats

from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.coefficients.distance import distances_of, factors_of, own_weight
from adapt.coefficients.intervals import (
    amplitude_interval,
    holds_zero,
    phase_half_width,
    phase_interval_deg,
)
from adapt.coefficients.summary import rotors_summary_of, summary_of, track_summary_of
from adapt.learning import learn

RATIOS = st.floats(0.0, 190.0)


# Intervals.


@given(RATIOS, st.floats(0.01, 100.0))
def test_an_amplitude_interval_holds_95_per_cent_of_the_rice_law(ratio: float, sd: float) -> None:
    """Outside: scipy.stats.rice."""
    low, high = amplitude_interval(np.array(1j * ratio * sd), np.array(sd))
    law = stats.rice(ratio, scale=sd)
    assert law.cdf(high) - law.cdf(low) == pytest.approx(0.95, abs=1e-6)
    assert (low == 0.0) == (ratio <= np.sqrt(stats.chi2(2).ppf(0.95)))


def test_a_large_ratio_is_taken_as_normal_without_a_jump() -> None:
    low, high = amplitude_interval(np.array([199.999, 200.001]), np.ones(2))
    assert np.ptp(low) == pytest.approx(0.002, abs=2e-5)
    assert np.ptp(high) == pytest.approx(0.002, abs=2e-5)
    far = amplitude_interval(np.array([1e9]), np.ones(1))
    np.testing.assert_allclose(np.ravel(far) - 1e9, [-1.96, 1.96], atol=1e-3)


@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0, 2.5, 4.0, 30.0])
def test_a_phase_interval_holds_95_per_cent_of_the_projected_normal(ratio: float) -> None:
    """Outside: its density (Mardia and Jupp 2000, section 3.5.6, from memory) integrated."""

    def density(t: float) -> float:
        along = ratio * np.cos(t)
        tail = along * stats.norm.cdf(along) / stats.norm.pdf(along) if along > -30 else -1.0
        return float(np.exp(-0.5 * ratio**2) / (2 * np.pi) * (1 + tail))

    assert integrate.quad(density, -np.pi, np.pi, points=[0.0])[0] == pytest.approx(1.0, abs=1e-6)
    half = float(phase_half_width(np.array(ratio)))
    held = integrate.quad(density, -half, half, points=[0.0])[0]
    assert held == pytest.approx(0.95, abs=1e-6)


def test_a_phase_is_any_where_zero_is_inside_the_region() -> None:
    inside = np.sqrt(stats.chi2(2).ppf(0.95))
    mean = np.array([0.99, 1.01]) * inside * 1j
    np.testing.assert_array_equal(holds_zero(mean, np.ones(2)), [True, False])
    low, high = phase_interval_deg(mean, np.ones(2))
    assert (low[0], high[0]) == (0.0, 360.0)
    assert 0.0 < low[1] < 90.0 < high[1] < 180.0


def test_a_lead_sensor_shows_the_mirrored_interval_in_growing_phase() -> None:
    mean, sd = np.exp(1j * np.deg2rad([40.0, 5.0])), np.array([0.1, 0.2])
    low, high = phase_interval_deg(mean, sd)
    lead_low, lead_high = phase_interval_deg(mean, sd, lead=True)
    np.testing.assert_allclose(lead_low, (-high) % 360.0)
    np.testing.assert_allclose(lead_high, (-low) % 360.0)


def test_what_is_not_known_has_no_interval_and_what_is_sure_has_its_value() -> None:
    mean = np.array([np.nan + 0j, 2j, 0j])
    sd = np.array([np.nan, 0.0, 0.0])
    low, high = amplitude_interval(mean, sd)
    np.testing.assert_array_equal(low, [np.nan, 2.0, 0.0])
    np.testing.assert_array_equal(high, [np.nan, 2.0, 0.0])
    low, high = phase_interval_deg(mean, sd)
    np.testing.assert_array_equal(low, [np.nan, 90.0, 0.0])
    np.testing.assert_array_equal(high, [np.nan, 90.0, 360.0])


# Coverage on fleets whose truth is known.


CASES: tuple[dict[str, float], ...] = (
    {"rotors": 20},
    {"rotors": 12, "run_sd": 0.06, "reading_sd": 0.06, "jobs": 1},
    {"rotors": 12, "run_sd": 0.1, "reading_sd": 0.1, "jobs": 1, "runs": 4},
)
FLEETS = 8  # of each case


@pytest.fixture(scope="module")
def known() -> list[tuple[Fleet, Coefficients]]:
    """Fleets of the learner's own model, some so noisy that many phases are not known."""
    drawn = [
        (fleet(np.random.default_rng(70 + 10 * s + i), **case), i)  # type: ignore[arg-type]
        for i, case in enumerate(CASES)
        for s in range(FLEETS)
    ]
    return [(f, learn(f.rotor, f.history, f.chart if i == 1 else None)) for f, i in drawn]


def close_to_95(shares: list[float]) -> None:
    """Check that shares of independent fleets are 95 % within three sds of their sampling."""
    held = np.array(shares)
    sampling = held.std(ddof=1) / np.sqrt(len(held))
    assert sampling < 0.01
    assert abs(held.mean() - 0.95) < 3.0 * sampling, (held.mean(), sampling)


def test_stated_intervals_of_amplitude_and_phase_hold_the_truth(
    known: list[tuple[Fleet, Coefficients]],
) -> None:
    amplitude, phase, any_ = [], [], []
    for f, learned in known:
        table = learned.summary(f.rotor)
        table = table[table["rotor"].notna()]
        true = f.own.ravel()
        low, high = table["low"], table["high"]
        amplitude.append(float(np.mean((low <= np.abs(true)) & (np.abs(true) <= high))))
        low, high = table["phase_low_deg"], table["phase_high_deg"]
        true_deg = np.rad2deg(np.angle(true)) % 360.0
        inside = ((true_deg - low) % 360.0) <= (high - low) % 360.0
        any_.append(float((table["clock"] == "any").mean()))
        phase.append(float(inside[table["clock"] != "any"].mean()))
    close_to_95(amplitude)
    close_to_95(phase)
    assert max(any_) > 0.05


def test_stated_intervals_of_track_hold_the_truth(known: list[tuple[Fleet, Coefficients]]) -> None:
    shares = []
    for f, learned in known:
        table = track_summary_of(learned, f.rotor)
        table = table[table["rotor"].notna() & (table["adjuster"] != "hub weight")]
        true = f.track_own[:, :, 1:].ravel()
        shares.append(float(np.mean((table["low"] <= true) & (true <= table["high"]))))
    close_to_95(shares)


def test_the_interval_of_a_rotors_gain_and_turn_holds_its_true_projection() -> None:
    """Drawn from the posterior itself: the factor is linear in the coefficients."""
    rng = np.random.default_rng(5)
    learned = _exact(rng, rotors=4)[0]
    name = "R2"
    own = learned.rotors[name]
    found = factors_of(learned, [name])
    root = np.linalg.cholesky(own.joint[0])
    draws = own.mean.ravel() + _circular(rng, (20000, len(root))) @ root.T
    type_ = learned.type_.mean.ravel()
    weight = own_weight(learned, own)[0].ravel() / np.einsum("xx->x", learned.unseen.joint[0]).real
    factor = draws @ (weight * type_.conj()) / np.sum(weight * np.abs(type_) ** 2)
    assert found.factor[0] == pytest.approx(factor.mean(), abs=4 * found.sd[0] / np.sqrt(20000) * 2)
    assert found.sd[0] == pytest.approx(factor.real.std(), rel=0.03)


# Distances.


def _circular(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    """E|z|^2 = 1."""
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def _exact(
    rng: np.random.Generator, rotors: int, regimes: int = 2, adjusters: int = 2, odd: complex = 1.0
) -> tuple[Coefficients, np.ndarray]:
    """Return posteriors of a fleet by dense generalised least squares, and each rotor's square.

    One sensor; rotor i is seen directly with noise: c_i = c + d_i, seen = c_i + e_i; type's mean
    with a flat prior. odd: a factor on the first rotor's coefficients. Squares: r' Var(r)^-1 r of
    r = seen - mean, by definition.
    """
    size = regimes * adjusters
    c = _circular(rng, (size,)) * 5.0
    root = np.eye(size) + 0.2 * _circular(rng, (size, size))
    spread = root @ root.conj().T
    noise = [np.diag(rng.uniform(0.2, 3.0, size)) for _ in range(rotors)]
    own = c + _circular(rng, (rotors, size)) @ np.linalg.cholesky(spread).T
    own[0] *= odd
    seen = own + np.array([_circular(rng, (size,)) @ np.sqrt(n) for n in noise])
    a = [np.linalg.inv(spread + n) for n in noise]
    cov = np.linalg.inv(sum(a))
    mean = cov @ sum(w @ y for w, y in zip(a, seen, strict=True))

    def posterior(m: np.ndarray, v: np.ndarray, pairs: int) -> Posterior:
        flat = np.zeros((regimes, adjusters))
        return Posterior(
            m.reshape(regimes, adjusters), v[None], flat, np.zeros((1, size, size)),
            np.full(flat.shape, pairs), np.zeros(flat.shape, dtype=int),
        )  # fmt: skip

    members, squares = {}, []
    for i in range(rotors):
        lean = spread @ a[i]
        through = np.eye(size) - lean
        v = spread - lean @ spread + through @ cov @ through.conj().T
        members[f"R{i}"] = posterior(mean + lean @ (seen[i] - mean), v, 1)
        r = seen[i] - mean
        squares.append((r.conj() @ np.linalg.solve(spread + noise[i] - cov, r)).real)
    quiet = np.ones(regimes)
    learned = Coefficients(
        design="main rotor",
        channels=tuple(("sensor 1", f"regime {g + 1}") for g in range(regimes)),
        regimes=tuple(f"regime {g + 1}" for g in range(regimes)),
        adjusters=("hub weight", "pitch link")[:adjusters],
        type_=posterior(mean, cov, rotors),
        unseen=posterior(mean, cov + spread, 0),
        rotors=members,
        noise=Noise(quiet, quiet, quiet * np.nan, quiet * np.nan),
    )
    return learned, np.array(squares)


@pytest.mark.parametrize("rotors", [2, 3, 8])
def test_the_distance_is_that_of_dense_algebra(rotors: int) -> None:
    learned, squares = _exact(np.random.default_rng(rotors), rotors)
    found = distances_of(learned, list(learned.rotors))
    np.testing.assert_allclose(found.distance, np.sqrt(squares / 4), rtol=1e-7)
    np.testing.assert_array_equal(found.numbers, 8)


def test_rotors_of_one_type_are_called_unlike_as_seldom_as_stated() -> None:
    rng = np.random.default_rng(1)
    smallest = []
    for _ in range(400):
        learned, _ = _exact(rng, rotors=6)
        smallest.append(distances_of(learned, list(learned.rotors)).p_value.min())
    share = np.mean(np.array(smallest) < 0.05)
    assert share < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
    assert share > 0.005  # the odds are not just large


def test_a_rotor_that_turns_everything_is_found_though_it_widens_the_spread() -> None:
    turned = np.exp(1j * np.deg2rad(60.0))
    f = fleet(np.random.default_rng(3), rotors=9, jobs=2)
    history = f.history
    mine = set(history.runs[history.runs["rotor"] == "R004"]["job"])
    at = history.readings["job"].isin(mine)
    readings = history.readings.assign(
        value=history.readings["value"].where(~at, history.readings["value"] * turned)
    )
    learned = learn(f.rotor, replace(history, readings=readings), f.chart)
    table = rotors_summary_of(learned, f.rotor).set_index("rotor")
    assert table["p_value"].idxmin() == "R004"
    assert table.loc["R004", "p_value"] < 0.01
    assert (table["p_value"].drop("R004") > 0.05).all()
    row = table.loc["R004"]
    assert row["type_rotation_low"] > 20.0
    # The type's own mean is turned by a ninth of it.
    assert 40.0 < row["type_rotation_deg"] < 65.0


def test_without_other_rotors_nothing_is_called_unlike() -> None:
    f = fleet(np.random.default_rng(4), rotors=1)
    learned = learn(f.rotor, f.history, f.chart)
    assert np.isnan(rotors_summary_of(learned, f.rotor)["p_value"]).all()


# The tables.


def _row(table: pd.DataFrame, **labels: str) -> pd.Series:
    for key, value in labels.items():
        table = table[table[key] == value]
    assert len(table) == 1
    return table.iloc[0]


def test_a_rotors_row_by_hand() -> None:
    """Type 2 at 40 deg, own 3 at 70 deg; variances: type 0.1, rotors differ by 0.8, own 0.3."""
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    learned = _by_hand(
        2 * np.exp(1j * np.deg2rad(40)), 0.1, 0.8, 3 * np.exp(1j * np.deg2rad(70)), 0.3
    )
    row = _row(summary_of(learned, rotor), rotor="R1")
    assert row["clock"] == "2:20"  # 70 deg of 30 deg an hour
    assert row["sd"] == pytest.approx(np.sqrt(0.15))
    assert row["type_gain"] == pytest.approx(1.5)
    assert row["type_rotation_deg"] == pytest.approx(30.0)
    # |3 e^(i30) - 2| = sqrt(9 + 4 - 12 cos 30), over sqrt(0.8 / 2).
    assert row["from_fleet"] == pytest.approx(np.sqrt(13 - 12 * np.cos(np.pi / 6)) / np.sqrt(0.4))
    assert row["weight"] == pytest.approx(1 - 0.3 / 0.9)
    assert np.isnan(row["chart_amplitude"])
    type_ = summary_of(learned, rotor).iloc[0]
    assert type_["rotor"] is None
    assert np.isnan([type_["from_fleet"], type_["weight"], type_["type_gain"]]).all()


def test_a_rotor_near_zero_has_any_clock_and_an_interval_from_zero() -> None:
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    row = _row(summary_of(_by_hand(0.1, 0.1, 0.8, 0.2, 0.3), rotor), rotor="R1")
    assert (row["clock"], row["low"]) == ("any", 0.0)
    assert (row["phase_low_deg"], row["phase_high_deg"]) == (0.0, 360.0)
    assert row["high"] > 0.2


def _by_hand(
    type_: complex, type_var: float, spread: float, own: complex, own_var: float
) -> Coefficients:
    def one(mean: complex, var: float) -> Posterior:
        nothing = np.full((1, 1), np.nan)
        return Posterior.of_channels(
            np.array([[mean]], dtype=complex), np.array([[[var]]], dtype=complex), nothing,
            nothing[None], np.array([[3]]), np.array([[0]]),
        )  # fmt: skip

    return Coefficients(
        design="main rotor",
        channels=(("sensor 1", "regime 1"),),
        regimes=("regime 1",),
        adjusters=("hub weight",),
        type_=one(type_, type_var),
        unseen=one(type_, type_var + spread),
        rotors={"R1": one(own, own_var)},
        noise=Noise(np.ones(1), np.ones(1), np.full(1, np.nan), np.full(1, np.nan)),
    )


def test_more_own_pairs_give_the_own_data_more_weight() -> None:
    f = fleet(np.random.default_rng(6), rotors=6, jobs=3, missing=0.0)
    runs = f.history.runs
    keep = ~((runs["rotor"] == "R000") & ~runs["job"].str.endswith("-0"))
    jobs = set(runs[keep]["job"])
    kept = {
        name: getattr(f.history, name)[getattr(f.history, name)["job"].isin(jobs)]
        for name in ("runs", "readings", "track", "moves")
    }
    learned = learn(f.rotor, replace(f.history, **kept), f.chart)
    table = rotors_summary_of(learned, f.rotor).set_index("rotor")
    assert table["weight"].between(0.0, 1.0).all()
    assert table["weight"].idxmin() == "R000"


def test_what_nothing_informs_is_nan_in_every_column() -> None:
    f = fleet(np.random.default_rng(1), rotors=3)
    moves = f.history.moves[f.history.moves["adjuster"] != "trim tab"]
    learned = learn(f.rotor, replace(f.history, moves=moves))
    table = summary_of(learned, f.rotor)
    tab = table[table["adjuster"] == "trim tab"]
    numbers = tab.drop(columns=["rotor", "sensor", "regime", "adjuster", "pairs", "clock"])
    assert numbers.isna().to_numpy().all()
    assert tab["clock"].isna().all()
    assert np.isfinite(rotors_summary_of(learned, f.rotor)["type_gain"]).all()


def test_only_the_rotors_asked_for_and_no_track_where_there_is_none() -> None:
    rotor = invented_rotor(track=False)
    f = fleet(np.random.default_rng(2), rotor, rotors=3)
    learned = learn(rotor, f.history, f.chart)
    assert set(summary_of(learned, rotor, only=["R001"])["rotor"]) == {"R001"}
    assert list(rotors_summary_of(learned, rotor, only=["R002"])["rotor"]) == ["R002"]
    track = track_summary_of(learned, rotor)
    assert not len(track)
    assert {"rotor", "regime", "adjuster"} <= set(track.columns)


def test_a_fleet_without_runs_has_the_charts_rows_and_no_rotors() -> None:
    f = fleet(np.random.default_rng(2), rotors=1)
    empty = {name: getattr(f.history, name)[:0] for name in ("runs", "readings", "track", "moves")}
    learned = learn(f.rotor, replace(f.history, **empty), f.chart)
    assert set(summary_of(learned, f.rotor)["rotor"]) == {None}
    assert not len(rotors_summary_of(learned, f.rotor))
