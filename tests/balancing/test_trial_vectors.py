"""One and two planes from a job's own runs, against truth and against least squares by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fans import EFFECTS, FRONT, HOLES, REAR, TRIAL_IN_EACH_PLANE, TURN, fan, fan_job
from scipy.stats import chi2

from adapt.balancing.trial.own_runs import last_run, own_runs
from adapt.balancing.trial.vectors import balance, correction_of
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster, Limit, Regime, Sensor

ALIKE = np.array(
    [[0.4 * np.exp(1j), 0.38 * np.exp(1.03j)], [0.3 * np.exp(0.5j), 0.29 * np.exp(0.52j)]]
)


def weights(found) -> np.ndarray:
    return found.correction.weights


def test_without_noise_both_planes_are_corrected_exactly():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert weights(found) == pytest.approx(-job.left, rel=1e-9)
    assert max(abs(r.after) for r in found.correction.remaining) < 1e-9


def test_one_plane_and_one_sensor_is_the_vector_triangle():
    job = fan_job(fan(1, 1), [[(FRONT, 2, 6.0)]])
    before, after = job.history.readings["value"].to_numpy()
    # Textbook: the effect is the change over the trial weight where it stood.
    effect = (after - before) / (6.0 * TURN[1])
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert weights(found) == pytest.approx([-after / effect])


def test_a_link_that_was_moved_is_no_plane_unless_it_is_named():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    front, rear = job.rotor.adjusters
    mixed = replace(job.rotor, adjusters=(front, replace(rear, unit="flats", kind="pitch link")))
    assert balance(mixed, job.history, "J-1", in_steps=False).planes == (FRONT,)
    named = balance(mixed, job.history, "J-1", planes=[FRONT, REAR], in_steps=False)
    assert named.planes == (FRONT, REAR)
    assert weights(named) == pytest.approx(-job.left, rel=1e-9)


def test_no_weight_is_moved_to_put_track_right():
    # Two runs whose track differs by what the tracker reads badly; its limit is far below both.
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    rotor = replace(
        job.rotor, track_unit="mm", limits=(*job.rotor.limits, Limit(None, 0.5)),
        track_reading_sd=1.0, track_run_to_run_sd=1.0,
    )  # fmt: skip
    rng = np.random.default_rng(3)
    rows = [
        ("J-1", str(run), "full speed", blade, height, np.nan)
        for run in (1, 2, 3)
        for blade, height in zip(rotor.blades, rng.normal(0.0, 3.0, HOLES), strict=True)
    ]
    columns = ["job", "run", "regime", "blade", "height", "lag"]
    history = replace(job.history, track=pd.DataFrame(rows, columns=columns))
    found = balance(rotor, history, "J-1", seconds=10.0)
    without = balance(job.rotor, job.history, "J-1", seconds=10.0)
    assert found.plan is not None
    assert without.plan is not None
    assert found.plan.moves == without.plan.moves
    assert found.plan.track == ()


def test_a_trial_weight_left_on_or_taken_off_gives_the_same_balanced_rotor():
    off = fan_job(fan(1, 1), [[(FRONT, 2, 6.0)], [(FRONT, 2, -6.0)]])
    on = fan_job(fan(1, 1), [[(FRONT, 2, 6.0)]])
    added_off = weights(balance(off.rotor, off.history, "J-1", in_steps=False))
    added_on = weights(balance(on.rotor, on.history, "J-1", in_steps=False))
    assert added_off == pytest.approx(added_on + 6.0 * TURN[1])


def test_effects_are_generalised_least_squares_at_the_noise_that_is_stated():
    job = fan_job(fan(1, 1), [[(FRONT, 3, 5.0)], [(FRONT, 6, 4.0)]], np.random.default_rng(4))
    own = own_runs(job.rotor, job.history, "J-1")
    noise = own.coefficients.noise
    y = job.history.readings["value"].to_numpy()
    moved = np.cumsum([0.0, 5.0 * TURN[2], 4.0 * TURN[5]])
    design = np.stack([np.ones(3), moved], axis=1)
    run = np.arange(3)
    cov = noise.run_var[0] * np.minimum.outer(run, run) + noise.reading_var[0] * np.eye(3)
    information = design.conj().T @ np.linalg.solve(cov, design)
    by_hand = np.linalg.solve(information, design.conj().T @ np.linalg.solve(cov, y))
    posterior = own.coefficients.of("F-1")
    assert posterior.mean[0, 0] == pytest.approx(by_hand[1], rel=1e-9)
    var = np.linalg.inv(information)[1, 1].real
    assert posterior.cov[0, 0, 0].real == pytest.approx(var, rel=1e-6)


def test_a_later_correction_run_makes_the_effects_surer():
    rng = np.random.default_rng(8)
    later = [*TRIAL_IN_EACH_PLANE, [(REAR, 5, -5.0), (FRONT, 8, 7.0), (REAR, 4, 5.0)]]
    job = fan_job(fan(), later, rng)
    first = replace(
        job.history,
        runs=job.history.runs[:3],
        readings=job.history.readings[:6],
        moves=job.history.moves[:3],
    )
    before = {
        (e.plane, e.sensor): e.sd for e in balance(job.rotor, first, "J-1", in_steps=False).effects
    }
    after = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert all(e.sd < before[e.plane, e.sensor] for e in after.effects)


def test_stated_intervals_hold_what_is_true():
    # 120 jobs of four runs; each share would lie between 0.88 and 1.0 in 999 of 1000 studies if
    # the intervals of 95 % were right (binomial law of 240 draws: 0.95 +- 0.046).
    rng = np.random.default_rng(21)
    moves = [*TRIAL_IN_EACH_PLANE, [(REAR, 5, -5.0), (FRONT, 8, 7.0), (REAR, 4, 5.0)]]
    inside, next_inside, effects, odd, early = [], [], [], [], []
    for _ in range(120):
        job = fan_job(fan(), moves, rng)
        found = balance(job.rotor, job.history, "J-1", in_steps=False)
        wanted = -np.linalg.solve(EFFECTS, job.level)
        var = np.diag(found.correction.cov).real
        inside += list(np.abs(weights(found) - wanted) ** 2 < var * chi2.ppf(0.95, 2) / 2)
        draw = rng.normal(0.0, 0.05, (4, 2))
        read = (
            job.level + EFFECTS @ weights(found) + draw[0] + 1j * draw[1] + draw[2] + 1j * draw[3]
        )
        next_inside += [
            r.low <= abs(z) <= r.high for r, z in zip(found.correction.remaining, read, strict=True)
        ]
        effects += [
            e.low <= abs(EFFECTS[j, p]) <= e.high
            for e, (p, j) in zip(found.effects, np.ndindex(2, 2), strict=True)
        ]
        odd.append(not found.last_run.fits)
        early.append(found.last_run.chance < 0.2)
    for held in (inside, next_inside, effects):
        assert 0.88 < np.mean(held) <= 1.0
    assert np.mean(odd) < 0.06
    # One of two channels is so far off in 1 - 0.9^2 = 0.19 of all last runs, +- 0.12 of 120.
    assert 0.07 < np.mean(early) < 0.31


def test_sds_know_that_weight_and_wind_move_all_regimes_of_a_sensor():
    # Six regimes whose noise goes together by 0.35: were they taken as independent, the variance
    # of a weight would be 1 + 5 * 0.35 = 2.75 times what is stated. Mean of 100 draws of an
    # exponential law of mean 1: 1 +- 0.31 in 999 of 1000 studies.
    rng = np.random.default_rng(2)
    regimes = tuple(Regime(f"regime {k}") for k in range(6))
    rotor = fan(1, 1, regimes=regimes)
    one = fan_job(fan(1, 1), [[(FRONT, 3, 5.0)]])
    effect = 0.4 * np.exp(1j) * (1.0 + 0.05 * np.arange(6))

    def noise() -> np.ndarray:
        draw = rng.normal(0.0, 0.05, (2, 7))
        parts = draw[0] + 1j * draw[1]
        return np.sqrt(0.35) * parts[0] + np.sqrt(0.65) * parts[1:]

    square = []
    for _ in range(100):
        drift = noise()
        first, level = effect * 9.0, effect * (9.0 + 5.0 * TURN[2]) + drift
        rows = [
            ("J-1", run, r.name, "front bearing", v, np.nan, 1)
            for run, value in (("1", first + noise()), ("2", level + noise()))
            for r, v in zip(regimes, value, strict=True)
        ]
        readings = pd.DataFrame(rows, columns=one.history.readings.columns)
        history = replace(one.history, readings=readings)
        found = balance(rotor, history, "J-1", in_steps=False).correction
        wanted = -np.vdot(effect, level) / np.vdot(effect, effect)
        square.append(abs(found.weights[0] - wanted) ** 2 / found.cov[0, 0].real)
    assert np.mean(square) == pytest.approx(1.0, abs=0.31)


def test_planes_that_look_alike_are_told_and_the_sum_is_corrected_alone():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE, np.random.default_rng(3), effects=ALIKE)
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    seen = found.correction.conditioning
    assert seen.condition > 10.0
    assert [d.known for d in seen.directions] == [True, False]
    well, poor = (np.array(d.parts) for d in seen.directions)
    assert abs(np.angle(well[0] / well[1], deg=True)) < 20.0  # the sum
    assert abs(np.angle(-poor[0] / poor[1], deg=True)) < 20.0  # the difference
    assert found.correction.poorly_known
    alone = found.well_known
    assert alone is not None
    # No part of it goes along the poorly known combination.
    along = np.vdot(poor / seen.length, alone.weights * seen.length**2)
    assert abs(along) < 1e-9 * np.abs(alone.weights * seen.length).max() * 10
    assert np.all(alone.sd < 0.2 * found.correction.sd)
    left = np.abs(job.level + ALIKE @ alone.weights)
    assert left.max() < 0.15 * np.abs(job.level).max()


def test_one_sensor_cannot_tell_two_planes_apart():
    job = fan_job(fan(2, 1), TRIAL_IN_EACH_PLANE)
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert np.isinf(found.correction.conditioning.condition)
    assert "cannot be told apart" in found.correction.poorly_known
    assert found.well_known is not None
    assert abs(job.level + EFFECTS[:1] @ found.well_known.weights)[0] < 1e-6


def test_a_trial_weight_that_changes_nothing_is_told_and_its_plane_not_planned_with():
    effects = EFFECTS * np.array([1.0, 1e-6])
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE, np.random.default_rng(2), effects=effects)
    found = balance(job.rotor, job.history, "J-1", seconds=5.0)
    assert found.correction.conditioning.without_effect == (REAR,)
    assert REAR in found.correction.poorly_known
    assert found.plan is not None
    assert {m.adjuster for m in found.plan.moves} <= {FRONT}


def test_when_no_trial_weight_changes_anything_there_is_no_correction():
    job = fan_job(fan(1), [[(FRONT, 3, 5.0)]], np.random.default_rng(2), effects=1e-6 * EFFECTS)
    found = balance(job.rotor, job.history, "J-1")
    assert not found.usable
    assert found.well_known is None
    assert found.plan is None


def test_the_plan_in_steps_uses_what_the_runs_taught_and_comes_inside():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE, np.random.default_rng(5))
    found = balance(job.rotor, job.history, "J-1", seconds=10.0)
    assert found.plan is not None
    assert found.plan.feasible
    added = np.zeros(2, dtype=complex)
    for move in found.plan.moves:
        added[[FRONT, REAR].index(move.adjuster)] += move.amount * TURN[int(move.blade) - 1]
    assert np.abs(job.level + EFFECTS @ added).max() < 1.0


def test_without_limits_there_is_a_correction_and_no_plan():
    job = fan_job(fan(limits=()), TRIAL_IN_EACH_PLANE)
    found = balance(job.rotor, job.history, "J-1")
    assert found.plan is None
    assert "no limits" in found.why_no_plan
    assert weights(found) == pytest.approx(-job.left, rel=1e-6)


def test_a_wrong_last_run_is_told():
    later = [*TRIAL_IN_EACH_PLANE, [(FRONT, 8, 7.0)]]
    job = fan_job(fan(), later, np.random.default_rng(11))
    own = own_runs(job.rotor, job.history, "J-1")
    assert last_run(job.rotor, own).fits
    value = job.history.readings["value"].copy()
    value.iloc[-1] *= np.exp(1j * np.pi / 3)
    wrong = replace(job.history, readings=job.history.readings.assign(value=value))
    found = last_run(job.rotor, own_runs(job.rotor, wrong, "J-1"))
    assert not found.fits
    assert (found.sensor, found.run) == ("rear bearing", "4")


def test_the_first_run_with_a_plane_cannot_be_held_against_anything():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    assert last_run(job.rotor, own_runs(job.rotor, job.history, "J-1")).tested == 0


def test_a_job_without_a_trial_weight_is_told_what_to_do():
    job = fan_job(fan(), [])
    with pytest.raises(CannotBeMet, match="fit a trial weight"):
        balance(job.rotor, job.history, "J-1")


def test_planes_moved_only_together_are_not_told():
    job = fan_job(fan(), [[(FRONT, 3, 5.0), (REAR, 5, 5.0)]])
    with pytest.raises(CannotBeMet, match="front weight or rear weight"):
        balance(job.rotor, job.history, "J-1")


def test_a_plane_that_was_never_moved_is_told_by_name():
    job = fan_job(fan(), [[(FRONT, 3, 5.0)]])
    with pytest.raises(CannotBeMet, match="rear weight"):
        balance(job.rotor, job.history, "J-1", planes=[FRONT, REAR])
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert found.planes == (FRONT,)


def test_unknown_planes_regimes_and_limits_are_told():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    with pytest.raises(BadInput) as told:
        balance(job.rotor, job.history, "J-1", planes=["rear wheel"], regimes=["full sped"])
    assert len(told.value.problems) == 2
    with pytest.raises(BadInput, match="set of limits"):
        balance(job.rotor, job.history, "J-1", limits="acceptance")
    with pytest.raises(BadInput, match="J-1"):
        balance(job.rotor, job.history, "J-7")


def test_moves_after_the_last_run_wait_for_a_run():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    late = pd.DataFrame([("J-1", "3", "1", FRONT, 2.0)], columns=job.history.moves.columns)
    waiting = replace(job.history, moves=pd.concat([job.history.moves, late]))
    with pytest.raises(CannotBeMet, match="after run 3"):
        balance(job.rotor, waiting, "J-1")


def test_readings_from_before_the_reference_was_moved_are_left_out():
    moves = [[], *TRIAL_IN_EACH_PLANE]
    job = fan_job(fan(), moves)
    value = job.history.readings["value"].to_numpy().copy()
    value[:2] *= np.exp(1j)  # another frame
    event = [("J-1", "1", "reference moved", "", "")]
    turned = replace(
        job.history,
        readings=job.history.readings.assign(value=value),
        events=pd.DataFrame(event, columns=job.history.events.columns),
    )
    found = balance(job.rotor, turned, "J-1", in_steps=False)
    assert weights(found) == pytest.approx(-job.left, rel=1e-9)
    assert any("up to run 1 are left out" in note for note in found.notes)


def test_a_sensor_of_a_higher_order_is_foretold_nothing_and_not_corrected_for():
    sensors = (Sensor("front bearing", "mm/s"), Sensor("rear bearing", "mm/s", order=2))
    job = fan_job(replace(fan(), sensors=sensors), [[(FRONT, 3, 5.0)]])
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert [r.sensor for r in found.correction.remaining] == ["front bearing"]


def test_regimes_without_readings_are_left_out_of_the_correction():
    regimes = (Regime("full speed"), Regime("idle"))
    job = fan_job(fan(regimes=regimes), TRIAL_IN_EACH_PLANE)
    found = balance(job.rotor, job.history, "J-1", in_steps=False)
    assert {r.regime for r in found.correction.remaining} == {"full speed"}
    assert {e.value for e in found.effects if e.regime == "idle"} == {None}
    with pytest.raises(CannotBeMet, match="nothing to correct for"):
        balance(job.rotor, job.history, "J-1", regimes=["idle"], in_steps=False)


def test_one_hole_alone_is_enough_for_a_trial():
    single = fan(1, 1, blades=("1",), adjusters=(Adjuster(FRONT, "g", 0.5, (0.0, 40.0)),))
    job = fan_job(single, [[(FRONT, 1, 5.0)]])
    found = balance(single, job.history, "J-1", in_steps=False)
    assert weights(found) == pytest.approx(-job.left)


def test_given_coefficients_correct_a_job_of_one_run():
    taught = fan_job(fan(), TRIAL_IN_EACH_PLANE)
    coefficients = own_runs(taught.rotor, taught.history, "J-1").coefficients
    other = fan_job(fan(), [], unbalance=np.array([3.0 + 1j, -2.0j]))
    renamed = {
        name: getattr(other.history, name).assign(job="J-2")
        for name in ("runs", "readings", "moves", "events", "fitted")
    }
    standing, found, _ = correction_of(
        taught.rotor, replace(other.history, **renamed), "J-2", coefficients, (FRONT, REAR)
    )
    assert (standing.job, standing.after_run) == ("J-2", "1")
    assert found.weights == pytest.approx(-other.left, rel=1e-9)


def test_angles_count_in_passing_order_whatever_the_spacing_of_the_holes():
    around = (0.0, 30.0, 100.0, 170.0, 200.0, 260.0, 290.0, 330.0)
    uneven = fan(1, 1, azimuth_deg=around)
    job = fan_job(uneven, [])
    trial = 4.0 * np.exp(1j * np.deg2rad(100.0))
    first = job.history.readings["value"].to_numpy()[0]
    second = first + EFFECTS[0, 0] * trial
    rows = [
        ("J-1", str(k), "full speed", "front bearing", v, np.nan, 1)
        for k, v in ((1, first), (2, second))
    ]
    history = replace(
        job.history,
        runs=pd.concat([job.history.runs, job.history.runs.assign(run="2")], ignore_index=True),
        readings=pd.DataFrame(rows, columns=job.history.readings.columns),
        moves=pd.DataFrame([("J-1", "1", "3", FRONT, 4.0)], columns=job.history.moves.columns),
    )
    assert len(around) == HOLES
    found = balance(uneven, history, "J-1", in_steps=False)
    assert weights(found) == pytest.approx([-second / EFFECTS[0, 0]])
