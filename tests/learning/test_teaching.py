"""What a pair would teach, held against the exact filter that then takes the pair in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import fleet, invented_rotor, without_chart_rows

from adapt.coefficients import Coefficients
from adapt.effects import contrasts, harmonic_sums
from adapt.learning import learn
from adapt.learning.next_moves import usual_amounts
from adapt.learning.teaching import TeachingStep, poorly_known, teaching_moves
from adapt.level import follow_run, start
from adapt.rotor import Limit, Rotor


@pytest.fixture(scope="module")
def rotor() -> Rotor:
    """Two sensors of different order, one regime of one of them without a limit; track limited."""
    made = invented_rotor(blades=5, sensors=2, regimes=2)
    return replace(
        made,
        sensors=(made.sensors[0], replace(made.sensors[1], order=2)),
        limits=(
            Limit("sensor 1", 0.2),
            Limit("sensor 2", 0.3, "regime 2"),
            Limit(None, 15.0),
        ),
    )


@pytest.fixture(scope="module")
def learned(rotor: Rotor) -> Coefficients:
    """A small fleet; channels share noise, and no word of theirs counts whole."""
    f = fleet(np.random.default_rng(4), rotor, rotors=6, jobs=1)
    known = learn(rotor, f.history, f.chart)
    shares = {"speaking": np.array([0.5, 0.6, 0.7, 0.8]), "track_speaking": np.array([0.4, 0.9])}
    return replace(known, noise=replace(known.noise, **shares))


def table_of(rotor: Rotor, step: TeachingStep) -> np.ndarray:
    table = np.zeros((len(rotor.blades), len(rotor.adjusters)))
    for move in step.moves:
        at = rotor.blades.index(move.blade), rotor.adjuster_names.index(move.adjuster)
        table[at] += move.amount
    return table


def after_the_pair(
    rotor: Rotor, learned: Coefficients, serial: str | None, table: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return variances after two runs with the moves between, by the filter: vibration, track."""
    known = learned.unseen if serial is None else learned.of(serial)
    noise = learned.noise
    orders = [rotor.sensor(s).order for s, _ in rotor.channels]
    x = np.array([harmonic_sums(rotor, table, order) for order in orders])[:, None, :]
    state = start(known.mean, known.joint)
    nothing = np.zeros((len(x), 1), dtype=complex)
    state = follow_run(state, 0 * x, nothing, noise.reading_var, noise.run_var)
    state = follow_run(state, x, nothing, noise.reading_var, noise.run_var, speaking=noise.speaking)
    basis = contrasts(len(rotor.blades))
    parts = np.broadcast_to(basis @ table, (len(rotor.regimes), len(basis), table.shape[1]))
    level = start(known.track_mean, known.track_joint, len(basis))
    heights = np.zeros((len(rotor.regimes), len(basis)))
    level = follow_run(level, 0 * parts, heights, noise.track_reading_var, noise.track_run_var)
    level = follow_run(
        level, parts, heights, noise.track_reading_var, noise.track_run_var,
        speaking=noise.track_speaking,
    )  # fmt: skip
    return (
        np.einsum("jaa->ja", state.cov).real,
        np.einsum("gaa->ga", level.cov),
    )


def ratios(rotor: Rotor, vibration: np.ndarray, track: np.ndarray) -> np.ndarray:
    """Squared doubt of usual moves over limits, (limited reading, adjuster), by hand."""
    usual = np.array([120.0, 10.0, 4.0])  # a quarter of 0..500 g, -20..20 flat, -8..8 deg
    rows = [usual**2 * vibration[j] / 2 / 0.2**2 for j in (0, 1)]
    rows += [usual**2 * vibration[3] / 2 / 0.3**2]
    rows += [usual**2 * track[g] / 15.0**2 for g in (0, 1)]
    return np.array(rows)


@pytest.mark.parametrize("serial", [None, "R002"])
def test_the_promise_is_what_the_filter_then_finds(
    rotor: Rotor, learned: Coefficients, serial: str | None
) -> None:
    known = learned.unseen if serial is None else learned.of(serial)
    now = ratios(
        rotor,
        np.einsum("jaa->ja", known.cov).real,
        np.einsum("gaa->ga", known.track_cov),
    )
    steps = teaching_moves(learned, rotor, serial)
    assert {len(s.moves) for s in steps} == {1, 2}
    for step in steps:
        table = table_of(rotor, step)
        then = ratios(rotor, *after_the_pair(rotor, learned, serial, table))
        moved = (table != 0).any(axis=0)
        assert step.before == pytest.approx(np.sqrt(now[:, moved].mean()), rel=1e-9)
        assert step.after == pytest.approx(np.sqrt(then[:, moved].mean()), rel=1e-9)
        assert step.removed == pytest.approx(1 - then.sum() / now.sum(), rel=1e-7, abs=1e-9)
        assert 0.0 < step.removed < 1.0


def test_the_most_teaching_stands_first_and_a_larger_move_teaches_more(
    rotor: Rotor, learned: Coefficients
) -> None:
    steps = teaching_moves(learned, rotor, "R001")
    removed = [s.removed for s in steps]
    assert removed == sorted(removed, reverse=True)
    single = [s for s in steps if len(s.moves) == 1]
    for name in rotor.adjuster_names:
        large, small = (s for s in single if s.moves[0].adjuster == name)
        assert large.moves[0].amount > small.moves[0].amount
    pairs = {tuple(m.adjuster for m in s.moves) for s in steps if len(s.moves) == 2}
    assert pairs == {
        ("hub weight", "pitch link"), ("hub weight", "trim tab"), ("pitch link", "trim tab")
    }  # fmt: skip


def test_two_adjusters_on_the_best_blades_beat_every_other_blade_and_sense(
    rotor: Rotor, learned: Coefficients
) -> None:
    best = next(
        s
        for s in teaching_moves(learned, rotor)
        if tuple(m.adjuster for m in s.moves) == ("hub weight", "trim tab")
    )
    now = ratios(
        rotor,
        np.einsum("jaa->ja", learned.unseen.cov).real,
        np.einsum("gaa->ga", learned.unseen.track_cov),
    ).sum()
    for blade in range(5):
        for sense in (4.0, -4.0):
            table = np.zeros((5, 3))
            table[0, 0], table[blade, 2] = 120.0, sense
            then = ratios(rotor, *after_the_pair(rotor, learned, None, table)).sum()
            assert 1 - then / now <= best.removed + 1e-9


def test_moves_keep_to_the_hardware(rotor: Rotor, learned: Coefficients) -> None:
    hub, link, tab = rotor.adjusters
    held = replace(
        rotor,
        adjusters=(
            replace(hub, largest_move=47.0, blades=("2", "4")),
            replace(link, sum_range=(0.0, 0.0)),
            replace(tab, fitted_range=(0.0, 0.3)),
        ),
    )
    np.testing.assert_array_equal(usual_amounts(held), [40.0, 10.0, 0.0])
    steps = teaching_moves(learned, held)
    assert steps
    for step in steps:
        used = {m.adjuster for m in step.moves}
        assert "trim tab" not in used
        if "hub weight" in used:
            assert {m.blade for m in step.moves if m.adjuster == "hub weight"} <= {"2", "4"}
            assert {abs(m.amount) for m in step.moves} <= {40.0, 20.0}
        if "pitch link" in used:
            assert sum(m.amount for m in step.moves) == 0.0
            assert len({m.blade for m in step.moves}) == 2


def test_a_positive_sum_range_turns_the_move_round(rotor: Rotor, learned: Coefficients) -> None:
    hub = replace(rotor.adjusters[0], sum_range=(-500.0, 0.0))
    held = replace(rotor, adjusters=(hub, *rotor.adjusters[1:]))
    amounts = {
        m.amount for s in teaching_moves(learned, held) for m in s.moves if m.adjuster == hub.name
    }
    assert amounts == {-120.0, -60.0}


def test_an_adjuster_of_which_nothing_is_known_stands_first_without_numbers(rotor: Rotor) -> None:
    f = fleet(np.random.default_rng(4), rotor, rotors=3, jobs=1)
    moves = f.history.moves[f.history.moves["adjuster"] != "trim tab"]
    learned = learn(rotor, replace(f.history, moves=moves), without_chart_rows(f.chart))
    steps = teaching_moves(learned, rotor, "R001")
    new = [any(m.adjuster == "trim tab" for m in s.moves) for s in steps]
    assert new == sorted(new, reverse=True)
    assert np.isnan([s.removed for s, n in zip(steps, new, strict=True) if n]).all()
    assert np.isfinite([s.removed for s, n in zip(steps, new, strict=True) if not n]).all()
    table = poorly_known(learned, rotor)
    first = table[np.isinf(table["ratio"])]
    assert set(first["adjuster"]) == {"trim tab"}
    assert list(first.index) == list(range(len(first)))


def test_poorly_known_by_hand(rotor: Rotor, learned: Coefficients) -> None:
    table = poorly_known(learned, rotor)
    assert len(table) == 7 * 5 * 3  # six rotors and one without runs, five limits, adjusters
    assert table["ratio"].is_monotonic_decreasing
    row = table[
        (table["rotor"] == "R003")
        & (table["sensor"] == "sensor 2")
        & (table["regime"] == "regime 2")
        & (table["adjuster"] == "pitch link")
    ].iloc[0]
    var = learned.rotors["R003"].cov[3, 1, 1].real
    assert row["amount"] == 10.0
    assert row["sd"] == pytest.approx(10.0 * np.sqrt(var / 2))
    assert row["ratio"] == pytest.approx(10.0 * np.sqrt(var / 2) / 0.3)
    track = table[table["sensor"].isna() & table["rotor"].isna()]
    assert len(track) == 6
    assert set(track["limit"]) == {15.0}


def test_a_rotor_without_track_or_limits_is_taken_as_it_is() -> None:
    rotor = invented_rotor(blades=2, sensors=1, regimes=1, adjusters=1, track=False)
    f = fleet(np.random.default_rng(1), rotor, rotors=2)
    learned = learn(rotor, f.history, f.chart)
    assert [len(s.moves) for s in teaching_moves(learned, rotor)] == [1, 1]
    unlimited = replace(rotor, limits=())
    assert teaching_moves(learned, unlimited) == ()
    assert not len(poorly_known(learned, unlimited))


def test_a_rotor_of_one_blade_is_taught_too() -> None:
    rotor = invented_rotor(blades=1, sensors=1, regimes=1, adjusters=2, track=False)
    f = fleet(np.random.default_rng(1), rotor, rotors=2)
    learned = learn(rotor, f.history, f.chart)
    assert max(s.removed for s in teaching_moves(learned, rotor, "R000")) > 0.0


def test_moves_that_are_not_exact_teach_less(rotor: Rotor, learned: Coefficients) -> None:
    none = np.zeros((len(rotor.channels), 3))
    inexact = replace(
        learned,
        noise=replace(learned.noise, move_var=none + 0.01, track_move_var=none[:2]),
    )
    exact = {s.moves[0]: s.removed for s in teaching_moves(learned, rotor) if len(s.moves) == 1}
    for step in teaching_moves(inexact, rotor):
        if len(step.moves) == 1:
            assert step.removed < exact[step.moves[0]]
