"""What learning gives on fleets whose truth is known, and on logs that hold next to nothing."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor
from scipy.stats import binom

from adapt.coefficients import Coefficients
from adapt.learning import learn
from adapt.learning.fitting.learner import fit
from adapt.learning.rows.runs import runs_of
from adapt.log import History
from adapt.outcomes import compare
from adapt.rotor import Rotor


@pytest.fixture(scope="module")
def large() -> tuple[Fleet, Coefficients]:
    """Forty rotors, three jobs each, and what was learned of them."""
    f = fleet(np.random.default_rng(11), rotors=40, jobs=3, runs=5)
    return f, learn(f.rotor, f.history, f.chart)


def own(f: Fleet, learned: Coefficients) -> np.ndarray:
    """Return learned minus true coefficients of every rotor, relative to the type's."""
    names = [f"R{i:03d}" for i in range(len(f.own))]
    return (np.array([learned.rotors[n].mean for n in names]) - f.own) / np.abs(f.type_)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


def test_learned_coefficients_are_nearer_the_truth_than_chart_or_type(
    large: tuple[Fleet, Coefficients],
) -> None:
    f, learned = large
    error = rms(own(f, learned))
    assert error < 0.5 * rms((f.chart.mean - f.own) / np.abs(f.type_))
    assert error < 0.85 * rms((f.type_ - f.own) / np.abs(f.type_))
    assert rms((learned.type_.mean - f.type_) / np.abs(f.type_)) < 0.06


def test_noise_and_spread_come_out_as_they_went_in(large: tuple[Fleet, Coefficients]) -> None:
    f, learned = large
    noise = learned.noise
    assert np.median(np.sqrt(noise.reading_var / 2)) == pytest.approx(f.reading_sd, rel=0.08)
    assert np.median(np.sqrt(noise.run_var / 2)) == pytest.approx(f.run_sd, rel=0.12)
    assert np.median(np.sqrt(noise.track_reading_var)) == pytest.approx(f.track_reading_sd, rel=0.1)
    assert np.median(np.sqrt(noise.track_run_var)) == pytest.approx(f.track_run_sd, rel=0.15)
    assert learned.origin["spread_of_rotors"] == pytest.approx(0.12, rel=0.1)


@pytest.mark.parametrize(("rotors", "jobs", "runs"), [(1, 4, 5), (4, 1, 4), (20, 1, 4), (20, 3, 5)])
def test_intervals_hold_what_they_state(rotors: int, jobs: int, runs: int) -> None:
    """Joint 95 % regions of all of a rotor's coefficients in a channel.

    Coefficients of one fleet share its type and its noise, so several fleets are drawn; the band is
    that of a binomial count with a quarter of the trials taken as independent.
    """
    inside = []
    for seed in range(6 if rotors < 20 else 3):
        f = fleet(np.random.default_rng(100 + seed), rotors=rotors, jobs=jobs, runs=runs)
        learned = learn(f.rotor, f.history, f.chart)
        for i in range(rotors):
            known = learned.rotors[f"R{i:03d}"]
            sd = np.sqrt(np.einsum("jaa->ja", known.cov).real / 2)
            error = known.mean - f.own[i]
            inside += [np.abs(part / sd) < 1.96 for part in (error.real, error.imag)]
    inside = np.array(inside)
    low, high = binom.ppf([0.001, 0.999], inside.size // 4, 0.95) / (inside.size // 4)
    assert low <= inside.mean() <= high


def test_an_unseen_rotors_intervals_hold_for_a_new_rotor(
    large: tuple[Fleet, Coefficients],
) -> None:
    f, learned = large
    rng = np.random.default_rng(12)
    sd = np.sqrt(np.einsum("jaa->ja", learned.unseen.cov).real / 2)
    new = f.type_ * (1 + 0.12 * rng.standard_normal((400, *f.type_.shape)))
    new = new + 1j * f.type_ * 0.12 * rng.standard_normal(new.shape)
    share = (np.abs((new - learned.unseen.mean).real) < 1.96 * sd).mean()
    assert 0.92 < share < 0.98


def test_moves_that_cancel_around_the_disc_teach_no_effect_of_their_adjuster() -> None:
    """Without a chart nothing else says what it does: the answer is that it is not known."""
    f = fleet(np.random.default_rng(3), rotors=4, jobs=2, runs=4)
    others = f.history.moves[f.history.moves.adjuster != "hub weight"]
    alike = pd.DataFrame(
        [(job, run, blade, "hub weight", 70.0)
         for job, run in zip(f.history.runs.job, f.history.runs.run, strict=True)
         for blade in f.rotor.blades],
        columns=others.columns,
    )  # fmt: skip
    plain = learn(f.rotor, replace(f.history, moves=others))
    with_them = learn(f.rotor, replace(f.history, moves=pd.concat([others, alike])))
    assert np.isnan(with_them.type_.mean[:, 0]).all()
    assert np.isnan(with_them.type_.track_mean[:, 0]).all()
    np.testing.assert_allclose(with_them.type_.mean[:, 1:], plain.type_.mean[:, 1:], rtol=1e-6)
    for serial, own in plain.rotors.items():
        assert np.isnan(with_them.rotors[serial].mean[:, 0]).all()
        np.testing.assert_allclose(with_them.rotors[serial].mean[:, 1:], own.mean[:, 1:], rtol=1e-6)


def test_adjusters_always_moved_in_one_proportion_are_not_known_apart() -> None:
    """Nor does any run say then whether a rotor changed."""
    f = fleet(np.random.default_rng(3), rotors=4, jobs=2, runs=4)
    moves = [
        (job, run, str(1 + k % 4), adjuster, (1 + k % 3) * step)
        for k, (job, run) in enumerate(zip(f.history.runs.job, f.history.runs.run, strict=True))
        for adjuster, step in (("hub weight", 10.0), ("trim tab", 0.5))
        if run != "3"
    ]
    table = pd.DataFrame(moves, columns=f.history.moves.columns)
    found = learn(f.rotor, replace(f.history, moves=table))
    assert np.isnan(found.type_.mean).all()
    assert found.health == ()


def test_a_small_log_without_a_chart_is_learned_run_by_run() -> None:
    """Its first moves of hub weights cancel around the disc."""
    f = fleet(np.random.default_rng(28), rotors=4, jobs=2, runs=4)
    found = compare(f.rotor, f.history).predictions
    learned = found[(found["method"] == "learned") & found["sensor"].notna()]
    foretold = np.array(learned["predicted"].tolist(), dtype=complex)
    assert np.isfinite(foretold).any()
    assert np.nanmax(np.abs(foretold)) < 10.0


def test_a_wrong_chart_is_overruled(large: tuple[Fleet, Coefficients]) -> None:
    f, learned = large
    turned = replace(f.chart, mean=1.5 * f.chart.mean * np.exp(0.6j))
    wrong = learn(f.rotor, f.history, turned)
    assert rms((wrong.type_.mean - f.type_) / np.abs(f.type_)) < 0.08
    assert rms(own(f, wrong)) < 1.15 * rms(own(f, learned))


def test_the_chart_alone_speaks_when_nothing_was_flown() -> None:
    f = fleet(np.random.default_rng(1), rotors=1)
    empty = history([], [])
    learned = learn(f.rotor, empty, f.chart)
    assert not learned.rotors
    assert not learned.taught
    np.testing.assert_allclose(learned.type_.mean, f.chart.mean, rtol=1e-12)
    np.testing.assert_allclose(
        np.einsum("jaa->ja", learned.type_.cov).real, 2 * f.chart.sd**2, rtol=1e-9
    )
    np.testing.assert_allclose(learned.type_.track_mean, f.chart.track_mean, rtol=1e-12)
    spread = np.einsum("jaa->ja", learned.unseen.cov - learned.type_.cov).real
    np.testing.assert_allclose(spread, 2 * (0.12 * np.abs(f.chart.mean)) ** 2, rtol=1e-6)
    assert any("scatter" in note and "5%" in note for note in learned.notes)


def test_nothing_is_known_without_chart_and_pairs() -> None:
    f = fleet(np.random.default_rng(1), rotors=1)
    learned = learn(f.rotor, history([], []))
    for known in (learned.type_, learned.unseen):
        assert np.isnan(known.mean).all()
        assert np.isnan(known.cov).all()
        assert np.isnan(known.track_mean).all()
    assert (learned.noise.reading_var > 0).all()


def test_jobs_of_one_run_teach_nothing_and_break_nothing() -> None:
    f = fleet(np.random.default_rng(1), rotors=3, jobs=2, runs=1)
    learned = learn(f.rotor, f.history, f.chart)
    assert not learned.taught
    assert set(learned.rotors) == {"R000", "R001", "R002"}
    np.testing.assert_allclose(learned.rotors["R001"].mean, f.chart.mean, rtol=1e-9)


def test_the_noise_of_the_rotor_file_holds_until_there_are_data() -> None:
    rotor = invented_rotor()
    sensors = tuple(replace(s, reading_sd=0.03, run_to_run_sd=0.007) for s in rotor.sensors)
    rotor = replace(rotor, sensors=sensors)
    few = fleet(np.random.default_rng(2), rotor, rotors=1, jobs=1, runs=1)
    learned = learn(rotor, few.history, few.chart)
    np.testing.assert_allclose(np.sqrt(learned.noise.reading_var / 2), 0.03, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(learned.noise.run_var / 2), 0.007, rtol=1e-6)
    many = fleet(np.random.default_rng(2), rotor, rotors=40, jobs=3, runs=5)
    learned = learn(rotor, many.history, many.chart)
    assert np.median(np.sqrt(learned.noise.run_var / 2)) == pytest.approx(0.015, rel=0.15)


def test_it_is_said_when_the_scatter_is_assumed() -> None:
    """One pair in which something moved leaves nothing to judge the scatter by."""
    for runs, told in ((2, True), (8, False)):
        f = fleet(np.random.default_rng(2), rotors=1, jobs=1, runs=runs)
        notes = learn(f.rotor, f.history, f.chart).notes
        assert any("too few pairs" in note for note in notes) == told
    sensors = tuple(replace(s, reading_sd=0.02, run_to_run_sd=0.01) for s in f.rotor.sensors)
    few = fleet(
        np.random.default_rng(2), replace(f.rotor, sensors=sensors), rotors=1, jobs=1, runs=2
    )
    assert not any("too few" in note for note in learn(few.rotor, few.history, few.chart).notes)


def test_one_pair_moves_the_coefficient_towards_what_it_showed() -> None:
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    f = fleet(np.random.default_rng(3), rotor, rotors=1, jobs=1, runs=1)
    effect = 0.5 * f.chart.mean[0, 0] * 200.0
    runs = [("R", "J", "1", "2024-01-01"), ("R", "J", "2", "2024-01-02")]
    readings = [
        ("J", "1", "regime 1", "sensor 1", 0.1 + 0j, np.nan, 1),
        ("J", "2", "regime 1", "sensor 1", 0.1 + effect, np.nan, 1),
    ]
    log = history(runs, readings, moves=[("J", "1", "1", "hub weight", 200.0)])
    learned = learn(rotor, log, f.chart)
    share = (learned.rotors["R"].mean[0, 0] / f.chart.mean[0, 0]).real
    assert 0.5 < share < 1.0
    assert learned.rotors["R"].pairs.tolist() == [[1]]
    free = learn(rotor, log)
    np.testing.assert_allclose(free.rotors["R"].mean[0, 0], 0.5 * f.chart.mean[0, 0], rtol=1e-9)


def test_adjusters_only_moved_together_are_not_told_apart() -> None:
    """Without a chart the pair's sum is known, neither of the two is; with one both are."""
    f = fleet(np.random.default_rng(4), invented_rotor(track=False), rotors=4, moves=1)
    moves = f.history.moves[f.history.moves.adjuster == "hub weight"]
    twin = moves.assign(adjuster="pitch link", amount=moves.amount / 10)
    tabs = f.history.moves[f.history.moves.adjuster == "trim tab"]
    log = replace(f.history, moves=pd.concat([moves, twin, tabs]))
    learned = learn(f.rotor, log)
    assert np.isnan(learned.type_.mean[:, :2]).all()
    assert np.isfinite(learned.type_.mean[:, 2]).all()
    assert any("hub weight" in note and "pitch link" in note for note in learned.notes)
    assert np.isfinite(learn(f.rotor, log, f.chart).type_.mean).all()


def test_units_of_the_adjusters_do_not_matter(large: tuple[Fleet, Coefficients]) -> None:
    """Kilograms, minutes of arc: the same readings give the same effects."""
    f, learned = large
    factor = {"hub weight": 1e-3, "pitch link": 1.0, "trim tab": 60.0}
    moves = f.history.moves
    log = replace(f.history, moves=moves.assign(amount=moves.amount * moves.adjuster.map(factor)))
    scale = np.array(list(factor.values()))
    chart = replace(
        f.chart,
        mean=f.chart.mean / scale,
        sd=f.chart.sd / scale,
        track_mean=f.chart.track_mean / scale,
        track_sd=f.chart.track_sd / scale,
    )
    other = learn(f.rotor, log, chart)
    np.testing.assert_allclose(other.rotors["R005"].mean * scale, learned.rotors["R005"].mean,
                               rtol=1e-5)  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        {"blades": 2},
        {"blades": 5},
        {"blades": 7, "sensors": 1, "regimes": 1},
        {"adjusters": 1, "regimes": 1},
    ],
)
def test_other_rotors_are_learned_as_well(change: dict[str, int]) -> None:
    f = fleet(np.random.default_rng(5), invented_rotor(**change), rotors=15, jobs=2, runs=5)
    learned = learn(f.rotor, f.history, f.chart)
    assert rms(own(f, learned)) < 0.6 * rms((f.chart.mean - f.own) / np.abs(f.type_))


def test_a_sensor_of_order_two_has_its_own_blade_phasors() -> None:
    rotor = invented_rotor(blades=5, sensors=2, regimes=2)
    rotor = replace(rotor, sensors=(rotor.sensors[0], replace(rotor.sensors[1], order=2)))
    f = fleet(np.random.default_rng(6), rotor, rotors=15, jobs=2, runs=5)
    learned = learn(rotor, f.history, f.chart)
    error = own(f, learned)
    assert rms(error[:, 2:]) < 1.3 * rms(error[:, :2])


def test_missing_readings_cost_precision_and_nothing_else() -> None:
    f = fleet(np.random.default_rng(7), rotors=25, jobs=3, runs=5, missing=0.4)
    learned = learn(f.rotor, f.history, f.chart)
    assert rms(own(f, learned)) < 0.6 * rms((f.chart.mean - f.own) / np.abs(f.type_))
    assert np.median(np.sqrt(learned.noise.reading_var / 2)) == pytest.approx(0.02, rel=0.15)


def test_a_regime_never_read_keeps_its_chart() -> None:
    f = fleet(np.random.default_rng(8), rotors=6)
    readings = f.history.readings[f.history.readings.regime != "regime 2"]
    learned = learn(f.rotor, replace(f.history, readings=readings), f.chart)
    np.testing.assert_allclose(learned.type_.mean[[1, 4]], f.chart.mean[[1, 4]], rtol=1e-9)
    assert (learned.type_.pairs[[1, 4]] == 0).all()
    assert (learned.noise.reading_var > 0).all()


def with_events(f: Fleet, *events: tuple[str, str, str, str]) -> History:
    table = history([], [], events=[(*event, "") for event in events]).events
    return replace(f.history, events=table)


def test_a_pair_across_an_event_teaches_nothing() -> None:
    f = fleet(np.random.default_rng(9), rotors=3, jobs=1, runs=4)
    whole = learn(f.rotor, f.history, f.chart)
    log = with_events(f, ("J001-0", "1", "hardware changed", ""))
    cut = learn(f.rotor, log, f.chart)
    assert whole.taught - cut.taught == {("J001-0", "1")}
    jump = log.readings.copy()
    later = (jump.job == "J001-0") & (jump.run.astype(int) >= 2)
    jump.loc[later, "value"] += 3.0 - 2.0j
    shifted = learn(f.rotor, replace(log, readings=jump), f.chart)
    np.testing.assert_allclose(shifted.rotors["R001"].mean, cut.rotors["R001"].mean, rtol=1e-6)


def test_where_frames_stay_apart_earlier_pairs_teach_the_type_alone() -> None:
    f = fleet(np.random.default_rng(10), rotors=6, jobs=2, runs=5)
    log = with_events(f, ("J001-0", "4", "reference moved", ""))
    learned, _, _ = fit(f.rotor, runs_of(f.rotor, log), f.chart)
    plain, _, _ = fit(f.rotor, runs_of(f.rotor, f.history), f.chart)
    mine = learned.rotors["R001"]
    second = f.history.moves[f.history.moves.job == "J001-1"]
    assert mine.pairs.max() <= second.after_run.nunique()
    assert (learned.type_.pairs == plain.type_.pairs).all()
    assert (mine.track_pairs == plain.rotors["R001"].track_pairs).all()
    wider = np.einsum("jaa->j", mine.cov).real > np.einsum("jaa->j", plain.rotors["R001"].cov).real
    assert wider.all()


TURN = np.exp(-0.5 * np.deg2rad(30.0) ** 2)  # the mean of exp(i angle), by how far is not known


def test_an_event_at_the_very_end_starts_the_rotor_again_from_the_fleet() -> None:
    f = fleet(np.random.default_rng(10), rotors=4, jobs=2, runs=4)
    for serial, following in (("R001", "R002"), ("R003", "R000")):
        log = with_events(f, (f"J{serial[1:]}-1", "3", "reference moved", ""))
        learned = learn(f.rotor, log, f.chart)
        turned = TURN * learned.unseen.mean
        np.testing.assert_allclose(learned.rotors[serial].mean, turned, rtol=1e-6)
        assert (learned.rotors[serial].pairs == 0).all()
        assert (learned.rotors[following].pairs > 0).any()


def test_a_moved_sensor_concerns_that_sensor_and_what_is_made_of_it() -> None:
    rotor = invented_rotor(sensors=3)
    sensors = (*rotor.sensors[:2], replace(rotor.sensors[2], combination={"sensor 1": 1.0}))
    rotor = replace(rotor, sensors=sensors)
    f = fleet(np.random.default_rng(13), rotor, rotors=4, jobs=2, runs=4)
    log = with_events(f, ("J001-1", "3", "sensor moved", "sensor 1"))
    learned = learn(rotor, log, f.chart)
    mine, unseen = learned.rotors["R001"], learned.unseen
    touched = [0, 1, 2, 6, 7, 8]
    np.testing.assert_allclose(mine.mean[touched], TURN * unseen.mean[touched], rtol=1e-6)
    assert (np.abs(mine.mean[3:6] - unseen.mean[3:6]) > 0).all()


def test_names_that_look_like_numbers_stay_text() -> None:
    f = fleet(np.random.default_rng(1), rotors=2)
    names = {"R000": "007", "R001": "7"}
    log = replace(f.history, runs=f.history.runs.assign(rotor=f.history.runs.rotor.map(names)))
    assert set(learn(f.rotor, log, f.chart).rotors) == {"007", "7"}


def test_the_order_of_rows_in_the_tables_does_not_matter() -> None:
    f = fleet(np.random.default_rng(14), rotors=5, missing=0.2)
    rng = np.random.default_rng(1)

    def shuffled(table: pd.DataFrame) -> pd.DataFrame:
        return table.iloc[rng.permutation(len(table))]

    log = replace(
        f.history,
        readings=shuffled(f.history.readings),
        moves=shuffled(f.history.moves),
        track=shuffled(f.history.track),
    )
    one, other = learn(f.rotor, f.history, f.chart), learn(f.rotor, log, f.chart)
    np.testing.assert_allclose(other.rotors["R003"].mean, one.rotors["R003"].mean, rtol=1e-9)


def test_readings_without_any_scatter_give_exact_coefficients() -> None:
    f = fleet(np.random.default_rng(15), rotors=8, jobs=4, runs=6, run_sd=0.0, reading_sd=0.0)
    learned = learn(f.rotor, f.history, f.chart)
    assert rms(own(f, learned)) < 1e-3


def test_wrong_entries_hardly_bend_the_fleet() -> None:
    """Two signs and a blade wrong among a hundred and twenty pairs."""
    f = fleet(np.random.default_rng(16), rotors=15, jobs=2, runs=5)
    moves = f.history.moves.copy()
    rows = np.flatnonzero(moves.after_run == "1")[[3, 20, 40]]
    for row in rows[:2]:
        moves.iloc[row, moves.columns.get_loc("amount")] *= -1
    blade = moves.iloc[rows[2]].blade
    moves.iloc[rows[2], moves.columns.get_loc("blade")] = "3" if blade != "3" else "4"
    clean = learn(f.rotor, f.history, f.chart)
    wrong = learn(f.rotor, replace(f.history, moves=moves), f.chart)
    assert rms(own(f, wrong)) < 1.25 * rms(own(f, clean))
    assert np.median(wrong.noise.run_var) < 1.5 * np.median(clean.noise.run_var)


def test_a_rotor_without_track_has_no_track_coefficients() -> None:
    rotor: Rotor = invented_rotor(track=False)
    f = fleet(np.random.default_rng(1), rotor, rotors=2)
    learned = learn(rotor, f.history, f.chart)
    assert np.isnan(learned.type_.track_mean).all()
    assert np.isnan(learned.noise.track_run_var).all()


def test_progress_is_told_up_to_the_end() -> None:
    f = fleet(np.random.default_rng(1), rotors=2)
    told: list[tuple[int, int]] = []
    learn(f.rotor, f.history, f.chart, progress=lambda done, of: told.append((done, of)))
    assert told[0][0] == 0
    assert told[-1][0] == told[-1][1]
