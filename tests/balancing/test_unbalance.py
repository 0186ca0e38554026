"""Grades, masses and bearing shares against the definitions, worked out by other means."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from adapt.balancing.grams import grams_per_unit, highest_rpm, one_weight, weights_of
from adapt.balancing.unbalance import (
    GRADES,
    bearing_shares,
    grade_of,
    named_grade,
    permissible_g_mm,
)
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Regime, Rotor


def rotor(*adjusters: Adjuster, **more: object) -> Rotor:
    return Rotor("fan", ("1", "2"), 1000.0, (), (), adjusters, (), **more)


def test_a_mass_displaced_by_the_permissible_eccentricity_moves_at_the_grade():
    # e [mm] of a rotor of m kg that carries U g mm: U / (1000 m); its centre moves at e omega.
    for grade, mass, rpm in [(6.3, 40.0, 3000.0), (2.5, 0.3, 12000.0), (16.0, 280.0, 348.0)]:
        eccentricity_mm = permissible_g_mm(grade, mass, rpm) / (1000.0 * mass)
        assert eccentricity_mm * rpm / 60.0 * 2.0 * math.pi == pytest.approx(grade, rel=1e-12)


def test_the_constant_in_g_mm_is_9549():
    assert permissible_g_mm(1.0, 1.0, 1.0) == pytest.approx(9549.2966, abs=1e-3)


def test_the_grade_of_an_unbalance_undoes_what_a_grade_permits():
    assert grade_of(permissible_g_mm(2.5, 12.0, 1450.0), 12.0, 1450.0) == pytest.approx(2.5)


def test_an_unbalance_meets_the_finest_grade_that_permits_it_and_none_beyond_the_coarsest():
    assert [named_grade(g) for g in (0.1, 0.41, 6.3, 6.31, 3999.0)] == [0.4, 1.0, 6.3, 16.0, 4000.0]
    assert named_grade(4001.0) is None
    assert named_grade(math.nan) is None


def test_grades_stand_a_factor_of_about_two_and_a_half_apart():
    assert all(2.4 < b / a < 2.6 for a, b in pairwise(GRADES))


def test_numbers_that_are_not_above_zero_are_all_told_at_once():
    with pytest.raises(BadInput) as told:
        permissible_g_mm(-1.0, 0.0, math.nan)
    assert len(told.value.problems) == 3


@pytest.mark.parametrize(
    ("mass_at", "shares"),
    [
        (300.0, (0.5, 0.5)),
        (200.0, (2 / 3, 1 / 3)),
        (0.0, (0.7, 0.3)),  # kept within 0.3 to 0.7 between the bearings
        (-60.0, (1.1, 0.3)),  # overhung beyond A: A may take more than the whole
        (720.0, (0.3, 1.2)),
        (-300.0, (1.3, 0.5)),
    ],
)
def test_the_bearing_nearer_to_the_mass_may_carry_more(mass_at, shares):
    assert bearing_shares(600.0, mass_at) == pytest.approx(shares)


def test_an_overhang_beyond_the_distance_of_the_bearings_is_not_answered():
    with pytest.raises(BadInput, match="overhangs"):
        bearing_shares(600.0, 1300.0)


def test_amounts_are_weighed_in_any_unit_of_mass_and_in_no_other():
    assert grams_per_unit(Adjuster("tip weight", "lb", 0.1, (0, 1))) == pytest.approx(453.59237)
    assert grams_per_unit(Adjuster("tip weight", "KG", 0.1, (0, 1))) == 1000.0
    for unit in ("flats", "washers", "gr", "deg"):
        with pytest.raises(BadInput, match="unit of mass"):
            grams_per_unit(Adjuster("tip weight", unit, 0.1, (0, 1)))


def test_every_adjuster_that_is_no_weight_or_not_there_is_told():
    link = Adjuster("pitch link", "flats", 1.0, (-5, 5))
    weight = Adjuster("tip weight", "g", 1.0, (0, 50))
    assert weights_of(rotor(link, weight)) == (weight,)
    with pytest.raises(BadInput) as told:
        weights_of(rotor(link, weight), ("pitch link", "tab", "tip weight"))
    assert len(told.value.problems) == 2
    with pytest.raises(BadInput):
        weights_of(rotor(link))


def test_hardware_that_is_said_to_be_no_weight_is_only_taken_by_name():
    arm = Adjuster("arm", "g", 1.0, (0, 50), kind="other")
    weight = Adjuster("washers", "kg", 1.0, (0, 50), kind="weight")
    assert weights_of(rotor(arm, weight)) == (weight,)
    assert weights_of(rotor(arm, weight), ("arm",)) == (arm,)


def test_one_weight_must_be_named_where_there_are_more():
    a, b = Adjuster("front", "g", 1.0, (0, 50)), Adjuster("rear", "g", 1.0, (0, 50))
    assert one_weight(rotor(a)) == a
    assert one_weight(rotor(a, b), "rear") == b
    with pytest.raises(BadInput, match="front, rear"):
        one_weight(rotor(a, b))


def test_the_highest_speed_may_be_that_of_a_regime():
    fast = Rotor("fan", ("1",), 1000.0, (), (Regime("a", rpm=1200.0), Regime("b")), (), ())
    assert highest_rpm(fast) == 1200.0
