"""Trial weights: every bound worked out by hand from the definitions."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fans import FRONT, fan_job
from fans import fan as two_planes

from adapt.balancing.trial.asked import Asked, Now
from adapt.balancing.trial.before import chosen_channel, last_read, now_of
from adapt.balancing.trial.size import centrifugal_force_n, trial_weight
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

WEIGHT = Adjuster("plane weight", "g", 0.5, (0.0, 40.0))
# 40 kg at 3000 rpm: G 6.3 permits 1000 * 6.3 * 40 / 314.159 = 802.1 g mm, 7.29 g at 110 mm; ten
# times that are 72.9 g. A gram at 110 mm pulls with 1e-3 * 0.11 * 314.159^2 = 10.857 N, and a tenth
# of the weight of 40 kg is 39.23 N: 3.61 g.
ASKED = Asked(mass_kg=40.0, radius_mm=110.0, rpm=3000.0)
READ = Now("bearing", "full speed", amplitude=2.0, noise_sd=0.05, unit="mm/s")


def test_without_readings_the_largest_safe_amount_is_taken_and_the_force_decides():
    found = trial_weight(WEIGHT, ASKED)
    assert found.bounds[0].kind == "force"
    assert found.bounds[0].amount == pytest.approx(39.2266 / 10.8566, rel=1e-4)
    assert found.amount == 3.5
    assert found.force_n == pytest.approx(3.5 * 1e-3 * 0.11 * (100.0 * math.pi) ** 2)
    assert found.usable


def test_the_grade_decides_for_a_slow_rotor():
    slow = replace(ASKED, rpm=300.0, multiple=0.2)
    found = trial_weight(WEIGHT, slow)
    # 0.2 * 8021 g mm / 110 mm = 14.58 g; a tenth of the weight would be 361 g.
    assert (found.bounds[0].kind, found.amount) == ("grade", 14.5)
    assert found.multiple == pytest.approx(14.5 * 110 / 8021.4, rel=1e-4)


@pytest.mark.parametrize(
    ("part", "kind", "amount"),
    [
        (replace(WEIGHT, fitted_range=(0.0, 12.0)), "fitted range", 2.0),
        (replace(WEIGHT, largest_move=1.2), "largest move", 1.0),
        (replace(WEIGHT, sum_range=(-4.0, 1.5)), "sum", 1.5),
    ],
)
def test_the_hardware_bounds_the_weight(part, kind, amount):
    found = trial_weight(part, replace(ASKED, fitted=10.0 if kind == "fitted range" else 0.0))
    assert (found.bounds[0].kind, found.amount) == (kind, amount)


def test_the_amount_is_rounded_down_to_steps():
    for step in (0.25, 0.3, 1.0, 3.6):
        amount = trial_weight(replace(WEIGHT, step=step), ASKED).amount
        assert amount <= 39.2266 / 10.8566 < amount + step
        assert amount / step == pytest.approx(round(amount / step))


def test_no_step_small_enough_is_said_and_nothing_is_advised():
    found = trial_weight(replace(WEIGHT, step=5.0), ASKED)
    assert (found.amount, found.usable) == (0.0, False)
    assert "no step is small enough" in found.useless
    assert "5 g" in found.useless


def test_in_the_worst_place_the_known_effect_must_not_pass_the_stop_amplitude():
    known = replace(READ, effect=0.8, effect_sd=0.1, stop=3.0)
    found = trial_weight(WEIGHT, ASKED, [known])
    # Worst: 2.0 + 2 * 0.05 read, and 0.8 + 2 * 0.1 for each gram: 0.9 g are left to 3.0.
    assert found.bounds[0].kind == "amplitude"
    assert found.bounds[0].amount == pytest.approx(0.9)
    assert found.amount == 0.5


def test_no_more_is_taken_than_is_sure_to_show_something():
    strong = replace(READ, effect=1.0, stop=20.0)
    found = trial_weight(WEIGHT, replace(ASKED, force_share=1.0), [strong])
    # A change of |1.3 exp(30 deg i) - 1| = 0.6621 of 2.0 changes it by 30 % or 30 deg whatever its
    # direction: 1.324 g, rounded up to a step.
    assert found.wanted == pytest.approx(1.3243, abs=1e-3)
    assert (found.amount, found.bounds[0].kind, found.shows) == (1.5, "enough", True)


def test_a_change_of_the_sure_size_shows_in_every_direction():
    found = trial_weight(WEIGHT, ASKED, [replace(READ, effect=1.0, stop=20.0)])
    change = found.wanted * np.exp(1j * np.linspace(0, 2 * np.pi, 720)) * 1.0
    after = 2.0 + change
    shows = (np.abs(np.abs(after) / 2.0 - 1.0) >= 0.3 - 1e-9) | (
        np.abs(np.rad2deg(np.angle(after))) >= 30.0 - 1e-9
    )
    assert shows.all()


def test_a_trial_that_noise_hides_is_told_to_be_useless():
    weak = replace(READ, amplitude=0.1, effect=0.01, stop=1.0)
    found = trial_weight(WEIGHT, ASKED, [weak])
    # 3.5 g make 0.035 of change; three sds of noise are 0.15.
    assert "times its noise" in found.useless
    assert not found.usable


def test_a_trial_too_small_for_the_amplitude_is_told_to_be_useless():
    found = trial_weight(WEIGHT, ASKED, [replace(READ, amplitude=10.0, effect=0.5, stop=30.0)])
    assert "30 %" in found.useless


def test_where_no_effect_is_known_it_says_so_and_gives_the_stop_rule():
    found = trial_weight(WEIGHT, ASKED, [READ])
    assert found.stops == (("bearing", "full speed", 4.0),)
    assert any("not known" in note for note in found.notes)
    assert found.wanted is None
    assert found.shows is None
    limited = trial_weight(WEIGHT, ASKED, [replace(READ, limit=4.5)])
    assert limited.stops[0][2] == 4.5


def test_everything_wrong_with_the_numbers_is_told_at_once():
    bad = Asked(mass_kg=0.0, radius_mm=-1.0, rpm=math.nan, grade=0.0, fitted=-3.0)
    with pytest.raises(BadInput) as told:
        trial_weight(WEIGHT, bad, [replace(READ, amplitude=-1.0, stop=0.0)])
    assert len(told.value.problems) == 7


def test_a_stop_amplitude_that_is_passed_already_is_refused():
    with pytest.raises(BadInput, match="read there already"):
        trial_weight(WEIGHT, ASKED, [replace(READ, stop=1.5)])


def test_an_adjuster_that_is_no_mass_is_refused():
    with pytest.raises(BadInput, match="unit of mass"):
        trial_weight(Adjuster("pitch link", "flats", 1.0, (-5.0, 5.0)), ASKED)


def test_the_force_is_mass_times_acceleration():
    # 1 kg at 1 m once round in a second: 4 pi^2 N.
    assert centrifugal_force_n(1000.0, 1000.0, 60.0) == pytest.approx(4.0 * math.pi**2)


def fan() -> Rotor:
    return Rotor(
        "fan",
        ("1", "2"),
        3000.0,
        (Sensor("front", "mm/s", reading_sd=0.03, run_to_run_sd=0.04), Sensor("rear", "mm/s")),
        (Regime("idle"), Regime("run up", on_ground=True)),
        (WEIGHT,),
        (Limit("front", 4.5),),
    )


def test_the_noise_of_a_change_counts_both_readings_and_one_run_to_run_change():
    (now,) = now_of(fan(), {("front", "idle"): 2.0}, (np.array([0.1, 0.2, np.nan, np.nan]),) * 2)
    assert now.noise_sd == pytest.approx(math.sqrt(0.04**2 + 2 * 0.03**2))
    assert (now.limit, now.effect, now.effect_sd) == (4.5, 0.1, 0.1)
    (other,) = now_of(fan(), {("rear", "idle"): 2.0}, (np.array([0.1, 0.2, np.nan, np.nan]),) * 2)
    assert (other.limit, other.effect) == (None, None)


def test_the_regime_on_the_ground_is_meant_where_none_is_said():
    assert chosen_channel(fan(), "rear", None) == ("rear", "run up")


def test_an_unknown_sensor_and_regime_are_told_together():
    with pytest.raises(BadInput) as told:
        chosen_channel(fan(), None, "idel")
    assert len(told.value.problems) == 2
    assert "did you mean 'idle'" in str(told.value)


def test_a_set_of_limits_that_is_not_there_is_refused():
    with pytest.raises(BadInput, match="set of limits"):
        now_of(fan(), {("front", "idle"): 2.0}, limits="acceptance")


def test_what_the_last_run_read_counts_until_something_is_moved_after_it():
    job = fan_job(two_planes(), [[(FRONT, 3, 5.0)]])
    read = last_read(job.rotor, job.history, "J-1")
    assert read["front bearing", "full speed"] == pytest.approx(abs(job.level[0]))
    runs = job.history.runs[:1]
    readings = job.history.readings[job.history.readings["run"] == "1"]
    with pytest.raises(CannotBeMet, match="moves logged after run 1"):
        last_read(job.rotor, replace(job.history, runs=runs, readings=readings), "J-1")


def test_where_only_the_rule_on_force_makes_a_trial_too_small_that_is_said():
    known = replace(READ, effect=0.02)
    found = trial_weight(WEIGHT, ASKED, [known])  # 3.5 g change 0.07 mm/s, noise is 0.05
    assert "would show nothing. The next bound leaves 40 g" in found.useless
    assert "--force-share" in found.useless
    small = replace(WEIGHT, fitted_range=(0.0, 3.0))
    assert "--force-share" not in trial_weight(small, ASKED, [known]).useless
    may = trial_weight(WEIGHT, replace(ASKED, force_share=0.02), [READ])  # 0.5 g, not known to do
    assert may.useless == ""
    assert any("The next bound leaves 40 g" in note for note in may.notes)
