"""One plane without phase: exact cases, what cannot be told, intervals against drawn readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fans import FRONT, TURN, fan
from scipy import stats

from adapt.balancing.trial.amplitude_table import read_amplitudes, without_phase
from adapt.balancing.trial.amplitudes import fit_amplitudes
from adapt.balancing.trial.likelihood import cost, far_out, maxima
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Sensor

INITIAL, EFFECT = 4.0 * np.exp(0.7j), 0.3 * np.exp(2.5j)
WANTED = -INITIAL / EFFECT
THREE = np.array([0, 10, 10 * TURN[3], 10 * TURN[5]])


def read(
    weights: np.ndarray, rng: np.random.Generator | None = None, sd: float = 0.0
) -> np.ndarray:
    value = INITIAL + EFFECT * np.asarray(weights, dtype=complex)
    if rng is not None:
        value = value + rng.normal(0, sd, len(value)) + 1j * rng.normal(0, sd, len(value))
    return np.abs(value)


@pytest.mark.parametrize(
    "weights",
    [
        THREE,
        [0, 10, 10 * TURN[2], 10 * TURN[4]],
        [0, 5, 12 * TURN[3], 8 * TURN[6]],  # unequal weights
        [0, 0, 10, -10, 10 * TURN[1]],  # repeated run, a weight taken off
    ],
)
def test_three_places_or_more_give_one_exact_answer(weights):
    found = fit_amplitudes(read(weights), weights, 1e-4)
    assert found.usable
    assert found.answers[0].correction == pytest.approx(WANTED, rel=1e-4)
    assert found.answers[0].effect == pytest.approx(0.3, rel=1e-4)


def test_two_places_leave_two_answers_and_both_fit():
    weights = np.array([0, 10, 10 * TURN[2]])
    found = fit_amplitudes(read(weights), weights, 1e-4)
    assert len(found.answers) == 2
    assert not found.usable
    assert min(abs(a.correction - WANTED) for a in found.answers) < 1e-3
    for answer in found.answers:
        assert answer.fitted == pytest.approx(read(weights), abs=1e-4)


def test_weights_on_one_line_leave_mirror_images_however_many_there_are():
    weights = np.array([0, 10, -10, 5, -5]) * TURN[1]
    found = fit_amplitudes(read(weights), weights, 1e-4)
    mirror = np.conj(WANTED / TURN[1]) * TURN[1]
    both = sorted((a.correction for a in found.answers), key=lambda c: abs(c - WANTED))
    assert both == pytest.approx([WANTED, mirror], rel=1e-3)
    assert "one line" in found.reasons[0]
    assert found.on_line is not None
    along = (WANTED / TURN[1]).real * TURN[1]
    assert found.on_line.correction == pytest.approx(along, rel=1e-3)
    assert found.on_line.remaining == pytest.approx(abs(INITIAL + EFFECT * along), rel=1e-3)


def test_an_unbalance_along_the_line_of_the_weights_is_no_reason_to_trust_its_angle():
    weights = np.array([0, 10, -10, 5])
    amplitudes = np.abs(4.0 - 0.3 * weights)
    found = fit_amplitudes(amplitudes, weights.astype(complex), 0.05)
    assert not found.usable
    assert "one line" in found.reasons[0]
    assert found.on_line is not None
    assert found.on_line.correction == pytest.approx(4.0 / 0.3, rel=0.02)
    assert found.on_line.sd < 0.5


@pytest.mark.parametrize("weights", [[0, 10], [0, 10 * TURN[3], 10 * TURN[3]], [0, 0]])
def test_one_trial_weight_is_a_circle_of_answers_and_refused(weights):
    with pytest.raises(CannotBeMet, match="two places"):
        fit_amplitudes(np.linspace(1, 2, len(weights)), weights, 0.05)


def test_without_a_first_run_it_is_refused():
    with pytest.raises(CannotBeMet, match="without a trial weight"):
        fit_amplitudes(read(THREE[1:]), THREE[1:], 0.05)


def test_amplitudes_that_are_all_zero_are_refused_and_one_zero_is_a_reading():
    with pytest.raises(CannotBeMet, match="every amplitude is 0"):
        fit_amplitudes(np.zeros(4), THREE, 0.05)
    # The second trial weight happens to take everything away.
    weights = np.array([0, 10, WANTED, 10 * TURN[5]])
    found = fit_amplitudes(np.round(read(weights), 9), weights, 0.01)
    assert found.answers[0].correction == pytest.approx(WANTED, rel=0.01)


def test_negative_and_missing_amplitudes_are_told():
    with pytest.raises(BadInput) as told:
        fit_amplitudes(np.array([1.0, -1.0, np.nan, 2.0]), THREE, 0.05)
    assert len(told.value.problems) == 2


def test_a_trial_weight_that_changes_nothing_gives_no_answer():
    rng = np.random.default_rng(0)
    amplitudes = np.abs(INITIAL + rng.normal(0, 0.05, 4))
    found = fit_amplitudes(amplitudes, THREE, 0.05)
    assert found.answers == ()
    assert not found.usable
    assert "no more than noise" in found.reasons[0]


def test_noise_that_the_runs_themselves_tell_seldom_passes_for_an_effect():
    # 1 of 100 by the F law; more than 2 of 40 stand in 7 of 1000 studies (binomial law).
    rng = np.random.default_rng(5)
    weights = np.array([0.0, *(10.0 * np.exp(2j * np.pi * np.arange(3) / 3)), 0.0, 0.0])
    seen = 0
    for _ in range(40):
        noise = rng.normal(size=6) + 1j * rng.normal(size=6)
        seen += bool(fit_amplitudes(np.abs(0.4 + 0.012 * noise), weights).answers)
    assert seen <= 2


def test_places_that_are_too_near_are_told():
    weights = np.array([0, 10, 10 * np.exp(0.04j), 10 * np.exp(0.08j)])
    found = fit_amplitudes(read(weights, np.random.default_rng(3), 0.05), weights, 0.05)
    assert not found.usable


def test_runs_that_no_effect_fits_are_told():
    amplitudes = read(THREE)
    amplitudes[2] += 1.0
    repeated = np.concatenate([THREE, THREE])
    found = fit_amplitudes(np.concatenate([amplitudes, read(THREE)]), repeated, 0.05)
    assert found.fit_chance is not None
    assert found.fit_chance < 0.001
    assert any("do not fit" in r for r in found.reasons)


def test_the_noise_may_come_from_the_residual_where_enough_is_left_over():
    rng = np.random.default_rng(12)
    weights = np.concatenate([THREE] * 6)
    found = fit_amplitudes(read(weights, rng, 0.05), weights)
    assert (found.noise_from, found.freedom) == ("residual", 21)
    assert 0.03 < found.noise_sd < 0.08
    with pytest.raises(CannotBeMet, match="noise of a reading is not known"):
        fit_amplitudes(read(THREE), THREE)


@pytest.mark.parametrize(
    ("weights", "sd"),
    [
        (THREE, 0.05),
        (np.array([0, 0, 10, 10 * TURN[2], 10 * TURN[5], 12 * TURN[6], 10 * TURN[3]]), None),
    ],
)
def test_stated_sds_and_what_remains_hold_in_95_of_100_cases(weights, sd):
    # 150 drawn jobs: 0.95 +- 0.059 in 999 of 1000 studies (binomial law).
    rng = np.random.default_rng(77)
    amount, angle, below = [], [], []
    for _ in range(150):
        turn = np.exp(2j * np.pi * rng.random())
        value = INITIAL + EFFECT * turn * weights
        noise = 0.05 * (rng.normal(size=(2, len(weights) + 1)))
        amplitudes = np.abs(value + noise[0, 1:] + 1j * noise[1, 1:])
        best = fit_amplitudes(amplitudes, weights, sd).answers[0]
        wanted = -INITIAL / (EFFECT * turn)
        amount.append(abs(abs(wanted) - abs(best.correction)) < 1.96 * best.sd)
        off = np.rad2deg(np.angle(wanted / best.correction))
        angle.append(abs(off) < 1.96 * best.angle_sd_deg)
        after = INITIAL + EFFECT * turn * best.correction + noise[0, 0] + 1j * noise[1, 0]
        below.append(abs(after) < best.remaining)
    for held in (amount, angle, below):
        assert 0.89 < np.mean(held) <= 1.0


def test_the_likelihood_is_that_of_the_rice_law():
    p, q = np.array([0.9, 0.2, -0.3]), np.array([1.0, 0.25, -0.2])
    x, sd = THREE / 10.0, 0.2
    a = np.array([0.8, 1.1, 0.5, 0.0])

    def log_density(point: np.ndarray) -> float:
        size = np.abs(point[0] + (point[1] + 1j * point[2]) * x)
        return float(stats.rice.logpdf(a[:3], size[:3] / sd, scale=sd).sum())

    here = cost(p, a[:3], x[:3], sd) - cost(q, a[:3], x[:3], sd)
    assert here == pytest.approx(log_density(q) - log_density(p), rel=1e-9)


def test_the_search_ends_at_a_maximum_of_the_likelihood_also_where_noise_is_large():
    a, x, sd = np.array([0.9, 1.0, 0.35, 0.7]), THREE / 10.0, 0.3
    (best, *_) = sorted(maxima(a, x, sd), key=lambda p: cost(p, a, x, sd))
    least_squares = min(maxima(a, x, 1e-4), key=lambda p: cost(p, a, x, 1e-4))
    assert np.abs(best - least_squares).max() > 0.01
    around = np.concatenate([np.eye(3), -np.eye(3)]) * 1e-3
    assert all(cost(best + step, a, x, sd) > cost(best, a, x, sd) for step in around)


def test_the_length_that_holds_95_percent_is_that_of_drawn_vectors():
    cov = np.array([[2.0, 0.7], [0.7, 0.5]])
    drawn = np.random.default_rng(1).multivariate_normal([0, 0], cov, 200_000)
    share = np.mean(np.hypot(*drawn.T) < far_out(cov))
    assert share == pytest.approx(0.95, abs=0.002)


TABLE = "run,amplitude,blade,adjuster,amount\n"


def runs_from(tmp_path, text: str, rotor=None):
    path = tmp_path / "amplitudes.csv"
    path.write_text(text)
    return read_amplitudes(path, rotor or fan(2, 1), "front bearing", "full speed")


def table_of(weights: list[tuple[str, str, float]]) -> str:
    rows = [f"1,{abs(INITIAL):.6f},,,"]
    for k, (blade, adjuster, amount) in enumerate(weights, 2):
        value = INITIAL + EFFECT * amount * TURN[int(blade) - 1]
        rows.append(f"{k},{abs(value):.6f},{blade},{adjuster},{amount}")
    return TABLE + "\n".join(rows) + "\n"


def test_a_table_is_read_and_solved(tmp_path):
    rotor = fan(2, 1, sd=1e-4)
    text = table_of([("1", FRONT, 10.0), ("4", FRONT, 10.0), ("6", FRONT, 8.0)])
    runs = runs_from(tmp_path, text, rotor)
    assert runs.weights == pytest.approx(np.array([0, 10, 10 * TURN[3], 8 * TURN[5]]))
    found = without_phase(rotor, runs)
    assert found.noise_from == "rotor file"
    assert found.noise_sd == pytest.approx(np.sqrt(2) * 1e-4)
    assert found.answers[0].correction == pytest.approx(WANTED, rel=1e-3)


def test_weights_on_two_blades_in_one_run_are_two_rows(tmp_path):
    text = TABLE + f"1,4,,,\n2,3,1,{FRONT},5\n2,3,3,{FRONT},5\n3,2,5,{FRONT},5\n3,,6,{FRONT},5\n"
    runs = runs_from(tmp_path, text)
    assert runs.runs == ("1", "2", "3")
    assert runs.weights[1] == pytest.approx(5 + 5j)


def test_two_blades_stand_on_one_line_and_what_they_can_take_is_all_there_is(tmp_path):
    rotor = fan(1, 1, blades=("1", "2"), sd=0.01)
    line = {1: 1.0, 2: -1.0}
    rows = [
        f"{k},{abs(INITIAL + EFFECT * 10 * line[b]):.6f},{b},{FRONT},10"
        for k, b in ((2, 1), (3, 2))
    ]
    runs = runs_from(tmp_path, TABLE + f"1,{abs(INITIAL):.6f},,,\n" + "\n".join(rows), rotor)
    found = without_phase(rotor, runs)
    assert found.line_is_all
    assert found.on_line is not None
    assert found.on_line.correction.real == pytest.approx(WANTED.real, rel=1e-3)
    assert found.usable


def test_every_problem_of_a_table_is_told_at_once(tmp_path):
    text = TABLE + (
        f"1,4,,,\n2,x,1,{FRONT},5\n3,2,11,{FRONT},5\n4,2,3,rear wheel,5\n5,2,3,rear weight,5\n"
        f"6,2,3,{FRONT},0\n7,2,,{FRONT},5\n8,-2,1,{FRONT},5\n,2,1,{FRONT},5\n9,2,1,{FRONT},\n"
        f"1,4,2,{FRONT},5\n10,1,1,{FRONT},5\n10,2,2,{FRONT},5\n11,,2,{FRONT},5\n"
    )
    with pytest.raises(BadInput) as told:
        runs_from(tmp_path, text)
    found = {(p.row, p.column) for p in told.value.problems}
    assert found == {
        (3, "amplitude"), (4, "blade"), (5, "adjuster"), (6, "adjuster"), (7, "amount"),
        (8, "blade"), (9, "amplitude"), (10, "run"), (11, "amount"), (12, "blade"),
        (14, "amplitude"), (15, "amplitude"),
    }  # fmt: skip


def test_units_other_than_the_rotor_files_are_refused(tmp_path):
    text = f"run,amplitude [ips],blade,adjuster,amount [oz]\n1,4,,,\n2,3,1,{FRONT},5\n"
    with pytest.raises(BadInput) as told:
        runs_from(tmp_path, text)
    assert {p.column for p in told.value.problems} == {"amplitude", "amount"}


def test_a_table_without_rows_or_columns_is_refused(tmp_path):
    with pytest.raises(BadInput, match="no rows"):
        runs_from(tmp_path, TABLE)
    with pytest.raises(BadInput) as told:
        runs_from(tmp_path, "run,amplitude\n1,4\n")
    assert {p.column for p in told.value.problems} == {"blade", "amount"}


def test_an_unknown_sensor_and_regime_are_told(tmp_path):
    path = tmp_path / "amplitudes.csv"
    path.write_text(TABLE)
    with pytest.raises(BadInput) as told:
        read_amplitudes(path, fan(), "front baering", "idle")
    assert len(told.value.problems) == 2


def test_amounts_off_the_step_are_doubts_and_used(tmp_path):
    text = table_of([("1", FRONT, 10.2), ("4", FRONT, 10.0), ("6", FRONT, 8.0)])
    runs = runs_from(tmp_path, text)
    assert [p.row for p in runs.doubts] == [3]
    assert runs.amounts[1, 0] == 10.2


def test_the_noise_is_as_expected_where_nothing_says_better(tmp_path):
    rotor = fan(1, 1)
    unstated = tuple(Sensor(s.name, s.unit) for s in rotor.sensors)
    text = table_of([("1", FRONT, 10.0), ("4", FRONT, 10.0), ("6", FRONT, 8.0)])
    found = without_phase(replace(rotor, sensors=unstated), runs_from(tmp_path, text, rotor))
    # 5 % of the limit of 1.0 for reading and for run-to-run change.
    assert found.noise_from == "expected"
    assert found.noise_sd == pytest.approx(np.sqrt(2) * 0.05)
    with pytest.raises(BadInput, match="above 0"):
        without_phase(rotor, runs_from(tmp_path, text, rotor), 0.0)
