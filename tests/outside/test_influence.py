"""Leverage and Cook's distance of pairs against statsmodels' OLSInfluence and GLS without the pair.

OLSInfluence knows real independent rows of unknown variance. Moves on the first blade alone have a
real X, so that real and imaginary parts are two such regressions; without reading scatter the rows
are independent; and its Cook's distance, times its variance over ours, is ours.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from invented_fleet import Fleet, fleet, history, invented_rotor
from statsmodels.stats.outliers_influence import OLSInfluence

from adapt.coefficients import Coefficients, read_coefficients, write_coefficients
from adapt.effects import harmonic_sums
from adapt.learning import learn
from adapt.learning.fitting.fleet import Spread, informed_directions, solve_fleet
from adapt.learning.fitting.learner import fit, units_of
from adapt.learning.influence import influence
from adapt.learning.robust.kept_weights import WEIGHTS, rows_of_weights
from adapt.learning.robust.reweighting import fit_robust
from adapt.learning.rows.pairs import track_rows, vibration_rows
from adapt.learning.rows.runs import runs_of
from adapt.learning.rows.table import Table
from adapt.learning.rows.weights import Weight, Weights

NUMBERS = ["leverage", "distance", "real", "imag", "sds"]


def stacked(x: np.ndarray) -> np.ndarray:
    return np.block([[x.real, -x.imag], [x.imag, x.real]])


def one_rotor(runs: int = 12, real: bool = False, reading_sd: float = 0.02) -> Fleet:
    """Return one rotor and one job, one channel and no chart's word needed."""
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=2, track=False)
    f = fleet(np.random.default_rng(1), rotor, rotors=1, jobs=1, runs=runs, reading_sd=reading_sd)
    if real:
        f.history = replace(f.history, moves=f.history.moves.assign(blade="1"))
    return f


def given(f: Fleet, q: float, r: float) -> tuple[Coefficients, np.ndarray, np.ndarray, np.ndarray]:
    """Return coefficients with exactly these variances from generalised least squares by hand."""
    runs = runs_of(f.rotor, f.history)
    x = harmonic_sums(f.rotor, runs.amounts[1:])
    y = np.diff(runs.readings[:, 0])
    count = len(y)
    v = (q + 2 * r) * np.eye(count) - r * (np.eye(count, k=1) + np.eye(count, k=-1))
    cov = np.linalg.inv(x.conj().T @ np.linalg.solve(v, x))
    mean = cov @ x.conj().T @ np.linalg.solve(v, y)
    base = learn(f.rotor, f.history)
    own = replace(base.rotors["R000"], mean=mean[None], joint=cov[None])
    noise = replace(
        base.noise, run_var=np.array([q]), reading_var=np.array([r]), move_var=None, speaking=None
    )  # fmt: skip
    taught = frozenset(pair for pair in runs.pair if pair is not None)
    return replace(base, rotors={"R000": own}, noise=noise, taught=taught), x, y, v


def by_pair(table: pd.DataFrame) -> pd.DataFrame:
    return table.sort_values("after_run", key=lambda names: names.astype(int), ignore_index=True)


def test_leverage_distance_and_change_are_those_of_ols_influence() -> None:
    q = 2 * 0.015**2
    f = one_rotor(real=True, reading_sd=0.0)
    coefficients, x, y, _ = given(f, q, 0.0)
    table = by_pair(influence(coefficients, f.rotor, f.history))
    parts = [OLSInfluence(sm.OLS(part, x.real).fit()) for part in (y.real, y.imag)]
    np.testing.assert_allclose(table["leverage"], parts[0].hat_matrix_diag, rtol=1e-9)
    # Two regressions of two coefficients each make one of four.
    distance = sum(p.cooks_distance[0] * p.results.mse_resid / (q / 2) / 2 for p in parts)
    np.testing.assert_allclose(table["distance"], distance, rtol=1e-9)
    names = list(f.rotor.adjuster_names)
    for k, row in enumerate(table.itertuples()):
        a = names.index(row.adjuster)
        # Theirs: with the pair minus without it.
        assert row.real == pytest.approx(-parts[0].dfbeta[k, a], rel=1e-9)
        assert row.imag == pytest.approx(-parts[1].dfbeta[k, a], rel=1e-9)
        sd = np.sqrt(q / 2 * np.linalg.inv(x.real.T @ x.real)[a, a])
        assert row.sds == pytest.approx(abs(complex(row.real, row.imag)) / sd, rel=1e-9)


def test_with_shared_runs_and_turned_moves_it_is_gls_without_the_pair() -> None:
    """Dropping a difference leaves those on both sides with the covariance that they have."""
    q, r = 2 * 0.015**2, 2 * 0.02**2
    f = one_rotor()
    coefficients, x, y, v = given(f, q, r)
    table = by_pair(influence(coefficients, f.rotor, f.history))
    names = list(f.rotor.adjuster_names)

    def gls(keep: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        theirs = sm.GLS(
            np.concatenate([y[keep].real, y[keep].imag]), stacked(x[keep]),
            sigma=np.kron(np.eye(2), v[np.ix_(keep, keep)] / 2),
        ).fit()  # fmt: skip
        return theirs.params, theirs.normalized_cov_params

    whole, cov = gls(np.arange(len(y)))
    for k, row in enumerate(table.itertuples()):
        without, wider = gls(np.delete(np.arange(len(y)), k))
        moved = without - whole
        assert row.distance == pytest.approx(moved @ np.linalg.solve(cov, moved) / 4, rel=1e-7)
        a = names.index(row.adjuster)
        assert row.real == pytest.approx(moved[a], rel=1e-7)
        assert row.imag == pytest.approx(moved[a + 2], rel=1e-7)
        # A row's leverage is what its determinant lacks: |cov| / |cov without| = (1 - h)^2.
        ratio = np.linalg.det(cov) / np.linalg.det(wider)
        assert row.leverage == pytest.approx(1 - np.sqrt(ratio), rel=1e-6)


def weighed(f: Fleet, base: Coefficients, weights: Weights) -> Coefficients:
    """Return coefficients that say which weights their runs had."""
    rows = rows_of_weights(runs_of(f.rotor, f.history), weights)
    return replace(base, origin={**base.origin, WEIGHTS: rows})


def test_with_weights_of_single_runs_it_is_weighted_least_squares() -> None:
    """OLSInfluence of rows times the root of their weight is that of statsmodels' WLS."""
    q = 2 * 0.015**2
    f = one_rotor(real=True, reading_sd=0.0)
    base, x, y, _ = given(f, q, 0.0)
    step = np.random.default_rng(4).uniform(0.1, 3.0, len(y) + 1)
    w = step[1:]
    cov = np.linalg.inv(x.conj().T @ (w[:, None] * x) / q)
    mean = cov @ x.conj().T @ (w * y) / q
    own = replace(base.rotors["R000"], mean=mean[None], joint=cov[None])
    coefficients = weighed(
        f, replace(base, rotors={"R000": own}), Weights(Weight(None, step), Weight())
    )
    table = by_pair(influence(coefficients, f.rotor, f.history))
    parts = [OLSInfluence(sm.OLS(np.sqrt(w) * part, np.sqrt(w)[:, None] * x.real).fit())
             for part in (y.real, y.imag)]  # fmt: skip
    np.testing.assert_allclose(table["leverage"], parts[0].hat_matrix_diag, rtol=1e-9)
    distance = sum(p.cooks_distance[0] * p.results.mse_resid / (q / 2) / 2 for p in parts)
    np.testing.assert_allclose(table["distance"], distance, rtol=1e-9)
    for k, row in enumerate(table.itertuples()):
        keep = np.delete(np.arange(len(y)), k)
        for part, moved in ((y.real, row.real), (y.imag, row.imag)):
            without, whole = (sm.WLS(part[n], x.real[n], weights=w[n]).fit().params
                              for n in (keep, np.arange(len(y))))  # fmt: skip
            a = f.rotor.adjuster_names.index(row.adjuster)
            assert moved == pytest.approx((without - whole)[a], rel=1e-7)


def test_a_robust_fit_is_weighed_as_it_was_learned_also_from_its_file(tmp_path: Path) -> None:
    """Against dense generalised least squares at the weights of the fit, without each pair."""
    f = one_rotor(runs=30)
    readings = f.history.readings.copy()
    readings.loc[readings.run.isin(["7", "15", "16"]), "value"] += 0.5
    f.history = replace(f.history, readings=readings)
    runs = runs_of(f.rotor, f.history)
    learned, vibration, _ = fit_robust(f.rotor, runs)
    assert vibration.weight.reading is not None
    assert vibration.weight.reading.min() < 0.5
    write_coefficients(learned, tmp_path / "c.json")
    learned = read_coefficients(tmp_path / "c.json", f.rotor)
    table = by_pair(influence(learned, f.rotor, f.history))
    of_reading = vibration.weight.reading
    of_step = vibration.weight.step
    r = learned.noise.reading_var[0] / of_reading
    q = learned.noise.run_var[0] / (np.ones(len(r)) if of_step is None else of_step)
    x, y = harmonic_sums(f.rotor, runs.amounts[1:]), np.diff(runs.readings[:, 0])
    v = np.diag(q[1:] + r[1:] + r[:-1]) - np.diag(r[1:-1], 1) - np.diag(r[1:-1], -1)
    names = list(f.rotor.adjuster_names)
    # What else is known (of the type) comes in as rows: the posterior without these.
    own = learned.rotors["R000"]
    inner = np.linalg.inv(own.joint[0]) - x.conj().T @ np.linalg.solve(v, x)
    pull = np.linalg.solve(own.joint[0], own.mean[0]) - x.conj().T @ np.linalg.solve(v, y)
    for k, row in enumerate(table.itertuples()):
        keep = np.delete(np.arange(len(y)), k)
        part = v[np.ix_(keep, keep)]
        again = np.linalg.solve(
            inner + x[keep].conj().T @ np.linalg.solve(part, x[keep]),
            pull + x[keep].conj().T @ np.linalg.solve(part, y[keep]),
        )
        moved = (again - own.mean[0])[names.index(row.adjuster)]
        size = np.abs(again).max()
        assert complex(row.real, row.imag) == pytest.approx(moved, rel=1e-5, abs=1e-8 * size)


@pytest.mark.parametrize("amount_sd", [0.0, 0.3])
@pytest.mark.parametrize("sensor", ["sensor 2", None])
def test_in_a_fleet_it_is_the_fleet_solved_again_without_the_pair(
    sensor: str | None, amount_sd: float
) -> None:
    """With a chart, missing readings, inexact moves and shares in common; track too."""
    rotor = invented_rotor()
    exact = rotor.adjusters
    rotor = replace(rotor, adjusters=(*exact[:2], replace(exact[2], amount_sd=amount_sd)))
    f = fleet(np.random.default_rng(3), rotor, rotors=4, jobs=2, runs=5, missing=0.15)
    runs = runs_of(f.rotor, f.history)
    coefficients, vibration, track = fit(f.rotor, runs, f.chart)
    assert track is not None
    learned = track if sensor is None else vibration
    table = influence(coefficients, f.rotor, f.history, "R002")
    table = table[table["sensor"].isna() if sensor is None else table["sensor"] == sensor]
    assert len(table) == 8
    unit, _, units = units_of(f.rotor, runs)
    noise = coefficients.noise
    added = noise.track_move_var if sensor is None else noise.move_var
    assert (added is None) == (amount_sd == 0)
    extra = None if added is None else runs.moved @ (added.T / learned.variances.run_var)
    for row in table.itertuples():
        cut = runs.starts.copy()
        cut[runs.pair.index((row.job, row.after_run))] = True
        rows = (
            track_rows(f.rotor, runs, cut, extra)
            if sensor is None
            else vibration_rows(f.rotor, runs, cut, unit, units, extra)
        )
        again = Table.of(rows, learned.prior.fixed, learned.table.groups)
        by = again.scale / learned.table.scale  # columns are scaled by what is in the table
        v, prior = learned.variances, learned.prior
        spread = Spread(v.spread.rest * by**2, v.spread.loading * by, v.spread.share)
        prior = replace(prior, mean=prior.mean * by, var=prior.var * by**2)
        known = informed_directions(again, prior)
        solved = solve_fleet(again, v.taught_run_var, v.taught_reading_var, spread, prior, known)
        own = solved.unit_mean[2] / again.scale
        posterior = coefficients.rotors["R002"]
        before = posterior.track_mean if sensor is None else posterior.mean
        place = f.rotor.regime_names.index(row.regime) + (0 if sensor is None else 3)
        at = place, f.rotor.adjuster_names.index(row.adjuster)
        moved = complex(own[at] - before[at])
        size = abs(before[at])
        assert complex(row.real, row.imag) == pytest.approx(moved, rel=1e-5, abs=1e-9 * size)


def test_leverage_is_a_share_and_sums_to_no_more_than_what_was_learned() -> None:
    f = fleet(np.random.default_rng(5), rotors=5, jobs=2, runs=5)
    learned = learn(f.rotor, f.history, f.chart)
    table = influence(learned, f.rotor, f.history)
    assert ((table["leverage"] >= 0) & (table["leverage"] < 1)).all()
    assert (table["distance"].diff().dropna() <= 0).all()
    assert table["sensor"].isna().sum() == 5 * 2 * 4
    one = influence(learned, f.rotor, f.history, "R003")
    pd.testing.assert_frame_equal(one, table[table["rotor"] == "R003"].reset_index(drop=True))
    # A job's independent differences times their leverage: at most the number of coefficients.
    assert one[one["sensor"] == "sensor 1"]["leverage"].sum() < 2 * 3


def test_a_wrong_pair_weighs_most() -> None:
    f = fleet(np.random.default_rng(6), rotors=3, jobs=2, runs=5)
    readings = f.history.readings.copy()
    last = (readings.job == "J001-1") & (readings.run == "4")
    readings.loc[last & (readings.sensor == "sensor 1"), "value"] += 0.4
    learned, _, _ = fit(f.rotor, runs_of(f.rotor, replace(f.history, readings=readings)), f.chart)
    table = influence(learned, f.rotor, replace(f.history, readings=readings))
    first = table[table["sensor"].notna()].iloc[0]
    assert (first.sensor, first.job, first.after_run) == ("sensor 1", "J001-1", "3")


def test_without_the_only_pair_nothing_is_known_and_that_is_said() -> None:
    f = one_rotor(runs=3)
    moves = [("J000-0", "0", "1", "hub weight", 30.0), ("J000-0", "1", "2", "pitch link", 3.0)]
    f.history = replace(f.history, moves=history([], [], moves=moves).moves)
    coefficients, *_ = given(f, 4e-4, 8e-4)
    table = influence(coefficients, f.rotor, f.history)
    np.testing.assert_allclose(table["leverage"], 1.0, rtol=1e-6)
    assert table[["distance", "sds"]].isna().all(axis=None)


def test_pairs_that_did_not_teach_and_logs_without_pairs_have_no_rows() -> None:
    f = fleet(np.random.default_rng(7), rotors=2, jobs=1, runs=4)
    learned = learn(f.rotor, f.history, f.chart)
    held = replace(learned, taught=learned.taught - {("J000-0", "1")})
    table = influence(held, f.rotor, f.history)
    assert set(table[table["rotor"] == "R000"]["after_run"]) == {"0", "2"}
    empty = influence(learned, f.rotor, history([("R", "J", "1", "2024-01-01")], []))
    assert empty.empty
    assert list(empty.columns[:4]) == ["rotor", "job", "after_run", "sensor"]
    assert influence(learned, f.rotor, f.history, "never seen").empty
    assert empty[NUMBERS].dtypes.eq(float).all()


def test_pairs_before_a_hardware_change_or_in_an_earlier_frame_are_left_out() -> None:
    f = fleet(np.random.default_rng(8), rotors=1, jobs=1, runs=6)
    for kind in ("hardware changed", "reference moved"):
        events = history([], [], events=[("J000-0", "2", kind, "", "")]).events
        log = replace(f.history, events=events)
        learned = learn(f.rotor, log, f.chart)
        table = influence(learned, f.rotor, log)
        vibration = table[table["sensor"].notna()]
        assert set(vibration["after_run"]) == {"3", "4"}
