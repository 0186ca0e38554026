"""Rows of a segment are independent, and the runs' table keeps what the log says."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import fleet, history, invented_rotor

from adapt.learning.rows.pairs import track_rows, vibration_rows
from adapt.learning.rows.runs import Runs, runs_of
from adapt.log import History
from adapt.rotor import Rotor


def rows_of(rotor: Rotor, runs: Runs):
    unit = np.repeat(runs.rotor[:, None], len(rotor.sensors), axis=1)
    return vibration_rows(rotor, runs, runs.starts, unit, len(runs.serials))


def one_job(runs: int, read: list[int], repeats: list[int]) -> tuple[Rotor, History]:
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    return rotor, history(
        [("R", "J", str(k), f"2024-01-{k + 1:02d}") for k in range(runs)],
        [
            ("J", str(k), "regime 1", "sensor 1", complex(k, k * k), np.nan, n)
            for k, n in zip(read, repeats, strict=True)
        ],
    )


def test_without_gaps_the_turn_is_the_sine_transform() -> None:
    """Eigenvalues 2 - 2 cos(m pi / (n + 1)) of the second difference (common knowledge)."""
    rotor, log = one_job(8, list(range(8)), [1] * 8)
    rows = rows_of(rotor, runs_of(rotor, log))
    n = 7
    m = np.arange(1, n + 1)
    np.testing.assert_allclose(np.sort(rows.lam[:, 0]), 2 - 2 * np.cos(m * np.pi / (n + 1)))
    sine = np.sqrt(2 / (n + 1)) * np.sin(np.outer(m, m) * np.pi / (n + 1))
    np.testing.assert_allclose(np.abs(rows.blocks[0].turn), np.abs(sine), atol=1e-12)


@given(
    read=st.sets(st.integers(0, 9), min_size=2).map(sorted),
    seed=st.integers(0, 1000),
    q=st.floats(0.01, 10),
    r=st.floats(0.01, 10),
)
def test_rows_have_the_stated_variances_and_no_covariance(
    read: list[int], seed: int, q: float, r: float
) -> None:
    """Through any gaps and repeats: from the runs' own random walk and scatter."""
    repeats = np.random.default_rng(seed).integers(1, 4, len(read))
    rotor, log = one_job(10, read, repeats.tolist())
    rows = rows_of(rotor, runs_of(rotor, log))
    walk = np.tril(np.ones((10, 10)))[:, 1:]
    cov = q * (walk @ walk.T)[np.ix_(read, read)] + np.diag(r / repeats)
    turn = rows.blocks[0].turn.T @ np.diff(np.eye(len(read)), axis=0)
    live = rows.live[:, 0]
    np.testing.assert_allclose(
        turn @ cov @ turn.T, np.diag(q + r * rows.lam[live, 0]), rtol=1e-9, atol=1e-9 * (q + 4 * r)
    )
    np.testing.assert_allclose(
        rows.d[live, 0], turn @ np.array([complex(k, k * k) for k in read]), atol=1e-9
    )


def test_moves_are_summed_over_a_gap() -> None:
    rotor, log = one_job(4, [0, 3], [1, 1])
    moves = history(
        [], [], moves=[("J", "0", "1", "hub weight", 10.0), ("J", "1", "1", "hub weight", 20.0),
                       ("J", "3", "1", "hub weight", 400.0)]
    ).moves  # fmt: skip
    rows = rows_of(rotor, runs_of(rotor, replace(log, moves=moves)))
    assert rows.live.sum() == 1
    # One difference over three run steps: variance 3 q + 2 r, scaled to q + lam r.
    assert rows.lam[0, 0] == pytest.approx(2 / 3)
    assert abs(rows.x[0, 0, 0]) == pytest.approx(30.0 / np.sqrt(3))
    assert rows.moved[0, 0, 0] == 1


def test_opposite_moves_that_cancel_are_no_pair_that_taught() -> None:
    rotor, log = one_job(2, [0, 1], [1, 1])
    moves = history(
        [], [], moves=[("J", "0", b, "hub weight", 10.0) for b in ("1", "3")]
    ).moves  # fmt: skip
    rows = rows_of(rotor, runs_of(rotor, replace(log, moves=moves)))
    assert rows.moved[0, 0, 0] == 0
    assert not rows.x.any()  # not even by rounding: divided by, it would be an effect
    doubled = replace(rotor, sensors=(replace(rotor.sensors[0], order=2),))
    rows = rows_of(doubled, runs_of(doubled, replace(log, moves=moves)))
    assert rows.moved[0, 0, 0] == 1
    assert abs(rows.x[0, 0, 0]) == pytest.approx(20.0)


def test_moves_that_cancel_over_a_gap_are_none() -> None:
    rotor, log = one_job(4, [0, 3], [1, 1])
    moves = history(
        [], [], moves=[("J", str(run), "2", "hub weight", amount)
                       for run, amount in enumerate((0.1, 0.2, -0.3))]
    ).moves  # fmt: skip
    rows = rows_of(rotor, runs_of(rotor, replace(log, moves=moves)))
    assert rows.live.sum() == 1
    assert not rows.x.any()


def test_all_blades_moved_alike_lift_none_against_another() -> None:
    f = fleet(np.random.default_rng(1), invented_rotor(blades=5), rotors=1, jobs=1, runs=3)
    moves = pd.DataFrame(
        [("J000-0", "1", blade, "trim tab", 0.7) for blade in f.rotor.blades],
        columns=f.history.moves.columns,
    )
    runs = runs_of(f.rotor, replace(f.history, moves=moves))
    assert runs.amounts.any()
    assert not track_rows(f.rotor, runs, runs.starts).x.any()
    assert not rows_of(f.rotor, runs).x.any()


def test_a_regime_with_a_blade_missing_has_no_track_rows() -> None:
    f = fleet(np.random.default_rng(1), rotors=1, jobs=1, runs=3)
    track = f.history.track
    lost = (track.run == "1") & (track.regime == "regime 2") & (track.blade == "3")
    runs = runs_of(f.rotor, replace(f.history, track=track[~lost]))
    rows = track_rows(f.rotor, runs, runs.starts)
    assert rows.live.sum(axis=0).tolist() == [6, 3, 6]


def test_the_first_runs_alone_give_the_same_rows_as_a_log_that_ends_there() -> None:
    f = fleet(np.random.default_rng(2), rotors=3, jobs=2, runs=4, missing=0.2)
    runs = runs_of(f.rotor, f.history)
    chosen = np.array([int(name) < 3 for name in runs.names])
    early = f.history.runs.run.astype(int) < 3
    kept = set(zip(f.history.runs.job[early], f.history.runs.run[early], strict=True))

    def within(table, column):
        return table[[key in kept for key in zip(table.job, table[column], strict=True)]]

    log = replace(
        f.history,
        runs=f.history.runs[early],
        readings=within(f.history.readings, "run"),
        track=within(f.history.track, "run"),
        moves=within(f.history.moves, "after_run"),
    )
    one, other = runs.only(chosen), runs_of(f.rotor, log)
    assert one.names == other.names
    for name in ("readings", "heights", "amounts", "starts", "rotor"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
