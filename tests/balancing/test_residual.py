"""Residual unbalance against the truth of invented fans and against statics by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fans import EFFECTS, FRONT, REAR, TRIAL_IN_EACH_PLANE, fan, fan_job

from adapt.balancing.residual import Bearings, Machine, residual_unbalance
from adapt.balancing.trial.vectors import correction_of
from adapt.balancing.unbalance import GRADES
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster

MACHINE = Machine(
    mass_kg=40.0, radius_mm={FRONT: 110.0, REAR: 90.0}, rpm=3000.0, first_critical_rpm=9000.0
)
CORRECTED = [*TRIAL_IN_EACH_PLANE, [(REAR, 5, -5.0), (FRONT, 8, 7.0), (REAR, 4, 5.0)]]


def residual(job, machine=MACHINE, **more):
    _, correction, noise = correction_of(job.rotor, job.history, "J-1", **more)
    return residual_unbalance(job.rotor, correction, machine, noise)


def test_without_noise_the_unbalance_is_what_stands_on_the_rotor():
    job = fan_job(fan(), CORRECTED)
    found = residual(job)
    assert [p.g_mm for p in found.planes] == pytest.approx(np.abs(job.left) * [110.0, 90.0])
    assert [p.angle_deg for p in found.planes] == pytest.approx(
        np.rad2deg(np.angle(job.left)) % 360
    )
    assert found.g_mm == pytest.approx(sum(np.abs(job.left) * [110.0, 90.0]))
    assert found.grade_mm_s == pytest.approx(found.g_mm * 100.0 * np.pi / 40.0 / 1000.0)


def test_ounces_are_weighed():
    job = fan_job(fan(1, 1), [[(FRONT, 3, 5.0)]])
    ounces = replace(job.rotor, adjusters=(Adjuster(FRONT, "oz", 0.5, (0.0, 40.0)),))
    found = residual(replace(job, rotor=ounces), replace(MACHINE, radius_mm={FRONT: 110.0}))
    assert found.g_mm == pytest.approx(abs(job.left[0]) * 28.349523125 * 110.0)


def test_the_interval_holds_what_another_run_would_show():
    # 100 jobs, two planes each: 0.95 +- 0.054 in 999 of 1000 studies (binomial law of 200 draws).
    rng = np.random.default_rng(9)
    inside = []
    for _ in range(100):
        job = fan_job(fan(), CORRECTED, rng)
        again = job.level + 0.05 * (rng.normal(size=2) + 1j * rng.normal(size=2))
        true = np.abs(np.linalg.solve(EFFECTS, again)) * [110.0, 90.0]
        planes = residual(job).planes
        inside += [p.low_g_mm <= u <= p.high_g_mm for p, u in zip(planes, true, strict=True)]
    assert 0.89 < np.mean(inside) <= 1.0


def test_the_grade_that_is_met_allows_for_doubt_and_not_knowing_is_said():
    job = fan_job(fan(1, 1), [[(FRONT, 3, 5.0)]], np.random.default_rng(1))
    machine = replace(MACHINE, radius_mm={FRONT: MACHINE.radius_mm[FRONT]})
    found = residual(job, machine)
    assert found.low_mm_s < found.grade_mm_s < found.high_mm_s
    assert found.meets is not None
    assert found.meets >= found.high_mm_s
    for grade, verdict in (
        (1.01 * found.high_mm_s, True),
        (found.grade_mm_s, None),
        (0.99 * found.low_mm_s, False),
    ):
        assert residual(job, replace(machine, grade=grade)).inside is verdict


# Planes in the bearings' own planes, the centre of mass midway: each may have half of the whole.
EVEN = Bearings(300.0, 150.0, {FRONT: 0.0, REAR: 300.0})


def test_without_places_nothing_is_called_inside_that_is_not_with_them():
    job = fan_job(fan(), [*TRIAL_IN_EACH_PLANE, [(REAR, 5, -5.0)]])
    front, rear = np.abs(job.left) * [110.0, 90.0]
    assert front > rear
    # Both planes together are less than the whole, the front one alone is more than half of it.
    grade = 1.05 * residual(job).grade_mm_s
    machine = replace(MACHINE, grade=grade)
    assert residual(job, replace(machine, bearings=EVEN)).inside is False
    found = residual(job, machine)
    assert found.inside is None
    assert "30 %" in found.notes[0]
    # Within the least that any bearing may have both are inside wherever the planes stand between.
    wide = replace(MACHINE, grade=1.01 * residual(job).high_mm_s / 0.3)
    assert residual(job, wide).inside is True
    assert residual(job, replace(wide, bearings=EVEN)).inside is True


def test_far_more_than_the_whole_is_not_inside_wherever_the_planes_stand():
    job = fan_job(fan(), TRIAL_IN_EACH_PLANE, np.random.default_rng(1))
    assert residual(job, replace(MACHINE, grade=0.4)).inside is False


@pytest.mark.parametrize("bearings", [None, EVEN, replace(EVEN, mass_at_mm=350.0)])
def test_a_named_grade_is_met_just_where_it_would_be_inside(bearings):
    job = fan_job(fan(), CORRECTED, np.random.default_rng(1))
    machine = replace(MACHINE, bearings=bearings)
    met = residual(job, machine).meets
    assert met is not None
    assert residual(job, replace(machine, grade=met)).inside is True
    finer = GRADES[GRADES.index(met) - 1]
    assert residual(job, replace(machine, grade=finer)).inside is not True


def test_bearings_carry_the_planes_by_the_lever_law():
    job = fan_job(fan(), CORRECTED)
    places = Bearings(400.0, 100.0, {FRONT: -40.0, REAR: 300.0})
    found = residual(job, replace(MACHINE, grade=6.3, bearings=places))
    front, rear = job.left * [110.0, 90.0]
    # Moments about B and about A; the front plane overhangs by 40 mm.
    at_a = (front * 440.0 + rear * 100.0) / 400.0
    at_b = (front * -40.0 + rear * 300.0) / 400.0
    assert [p.g_mm for p in found.bearings] == pytest.approx([abs(at_a), abs(at_b)])
    whole = 1000.0 * 6.3 * 40.0 / (100.0 * np.pi)
    assert [p.permissible_g_mm for p in found.bearings] == pytest.approx([0.7 * whole, 0.3 * whole])


@pytest.mark.parametrize("critical", [3000.0, 2500.0])
def test_at_or_above_the_first_critical_speed_nothing_is_said(critical):
    job = fan_job(fan(), CORRECTED)
    with pytest.raises(CannotBeMet, match="first critical speed"):
        residual(job, replace(MACHINE, first_critical_rpm=critical))


def test_a_reading_above_the_critical_speed_counts_as_well():
    regimes = tuple(replace(r, rpm=5000.0) for r in fan().regimes)
    job = fan_job(fan(regimes=regimes), CORRECTED)
    with pytest.raises(CannotBeMet, match="5000 rpm"):
        residual(job, replace(MACHINE, first_critical_rpm=4000.0))


def test_above_70_percent_of_it_a_warning_stands():
    job = fan_job(fan(), CORRECTED)
    assert not any(
        "70 %" in n for n in residual(job, replace(MACHINE, first_critical_rpm=4290.0)).notes
    )
    assert any(
        "70 %" in n for n in residual(job, replace(MACHINE, first_critical_rpm=4280.0)).notes
    )


def test_planes_that_cannot_be_told_apart_have_no_residual_unbalance():
    job = fan_job(fan(2, 1), CORRECTED)
    with pytest.raises(CannotBeMet, match="too poorly known"):
        residual(job)


def test_everything_that_is_missing_is_told_at_once():
    job = fan_job(fan(), CORRECTED)
    bad = Machine(0.0, {FRONT: 110.0}, 3000.0, 9000.0, -1.0, Bearings(0.0, 1.0, {FRONT: 10.0}))
    with pytest.raises(BadInput) as told:
        residual(job, bad)
    # Mass, grade, radius and place of the rear plane, and the distance of the bearings.
    assert len(told.value.problems) == 5


def test_planes_that_are_no_weights_are_refused():
    job = fan_job(fan(1, 1), [[(FRONT, 3, 5.0)]])
    washers = replace(job.rotor, adjusters=(Adjuster(FRONT, "washers", 1.0, (0.0, 40.0)),))
    with pytest.raises(BadInput, match="unit of mass"):
        residual(replace(job, rotor=washers))
