"""The two axes of a paper chart: which are chosen, which are refused, and what they solve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from paper_case import LINK, WEIGHT, case

from adapt.effects import harmonic_sums, move_amounts
from adapt.phasor import from_lag, to_complex, to_lag
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster

TIP = Adjuster("tip weight", "g", 5.0, (0.0, 100.0))
phases = st.floats(0.0, 360.0)


@given(phases, phases, st.sampled_from(["lag", "lead"]), st.sampled_from([1, 2]), st.integers(2, 5),
       st.floats(0.01, 3.0), phases)  # fmt: skip
def test_amounts_bring_a_reading_to_nothing_as_the_log_would_count_it(
    one: float, other: float, phase: str, order: int, blades: int, size: float, at: float
) -> None:
    made = case(
        [to_complex(0.001, one), to_complex(0.02, other)], blades=blades,
        adjusters=(WEIGHT, LINK), phase=phase, order=order,
    )  # fmt: skip
    try:
        axes = made.axes(("A", "hub weight"), ("B", "pitch link"))
    except CannotBeMet:
        assume(False)
    reading = complex(to_complex(size, at))
    x = axes.amounts_for(reading)
    table = move_amounts(made.rotor, ["A", "B"], ["hub weight", "pitch link"], list(x))
    change = harmonic_sums(made.rotor, table, order) @ made.coefficients.unseen.mean[0]
    assert to_lag(reading, phase) + change == pytest.approx(0.0, abs=1e-9 * size)
    assert from_lag(change, phase) == pytest.approx(-reading, abs=1e-9 * size)


def test_what_amounts_do_is_as_uncertain_as_drawn_coefficients_say() -> None:
    rng = np.random.default_rng(5)
    half = rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))
    cov = 1e-6 * half @ half.conj().T
    made = case([0.02, 0.02j], adjusters=(TIP, LINK), blades=3, phase="lead", cov=cov)
    axes = made.axes(("B", "tip weight"), ("A", "pitch link"))
    root = np.linalg.cholesky(cov)
    unit = (rng.normal(size=(2, 40_000)) + 1j * rng.normal(size=(2, 40_000))) / np.sqrt(2.0)
    errors = root @ unit
    turn = np.exp(2j * np.pi / 3.0)
    done = 7.0 * turn * errors[0] - 3.0 * errors[1]
    assert axes.effect_var((7.0, -3.0)) == pytest.approx(np.mean(np.abs(done) ** 2), rel=0.03)


def test_more_than_two_blades_take_one_weight_on_the_blade_nearest_to_square() -> None:
    axes = case([0.02, 0.1], adjusters=(LINK, WEIGHT), blades=4).axes()
    assert [str(a) for a in axes.pair] == ["hub weight on blade A", "hub weight on blade B"]
    five = case([0.001], blades=5).axes()
    assert [a.blade for a in five.pair] == ["A", "B"]
    assert five.angle_deg == pytest.approx(72.0)
    three = case([0.001], blades=3).axes()
    assert three.angle_deg == pytest.approx(60.0)


def test_a_weight_that_does_next_to_nothing_beside_another_adjuster_is_passed_over() -> None:
    made = case([0.0001, 0.05], adjusters=(WEIGHT, LINK), blades=4)
    assert [a.adjuster for a in made.axes().pair] == ["pitch link", "pitch link"]


def test_two_blades_take_the_two_weights_before_a_pitch_link_that_is_more_nearly_square() -> None:
    made = case([0.01, 0.01 * np.exp(0.8j), 0.05j], blades=2,
                adjusters=(TIP, replace(TIP, name="chord weight"), LINK))  # fmt: skip
    assert [str(a) for a in made.axes().pair] == [
        "tip weight on blade A",
        "chord weight on blade A",
    ]


def test_blades_that_are_parallel_for_an_order_give_way_to_two_adjusters_on_one_blade() -> None:
    made = case([0.01, 0.05j], adjusters=(TIP, LINK), blades=4, order=2)
    assert [str(a) for a in made.axes().pair] == [
        "tip weight on blade A",
        "pitch link on blade A",
    ]


def test_only_blades_that_can_take_an_adjuster_are_axes() -> None:
    few = replace(WEIGHT, blades=("B", "C"))
    made = case([0.001], adjusters=(few,), blades=4)
    assert [a.blade for a in made.axes().pair] == ["B", "C"]
    with pytest.raises(BadInput, match="'A', expected a blade that can take it"):
        made.axes(("A", "hub weight"), ("B", "hub weight"))


def test_axes_nearly_parallel_are_refused_and_those_just_wide_enough_are_not() -> None:
    def named(degrees: float) -> float:
        second = 0.01 * np.exp(1j * np.deg2rad(degrees))
        made = case([0.01, second], adjusters=(TIP, LINK), blades=2)
        return made.axes(("A", "tip weight"), ("A", "pitch link")).angle_deg

    assert named(15.1) == pytest.approx(15.1)
    assert named(180.0 + 20.0) == pytest.approx(20.0)
    for degrees in (14.9, 180.0 - 14.9, 0.0):
        with pytest.raises(CannotBeMet, match="deg from parallel"):
            named(degrees)


def test_what_nothing_informs_cannot_be_drawn() -> None:
    nothing = case([complex("nan")], [0.0])
    with pytest.raises(CannotBeMet, match=r"hub weight: nothing informs its effect"):
        nothing.axes()
    with pytest.raises(CannotBeMet, match=r"hub weight on blade A: nothing informs its effect"):
        nothing.axes(("A", "hub weight"), ("B", "hub weight"))


def test_an_effect_of_which_zero_cannot_be_ruled_out_is_not_drawn() -> None:
    # The 95 % circle of a circular normal has the radius 2.4477 sds per component.
    with pytest.raises(CannotBeMet, match="zero cannot be ruled out"):
        case([0.001], [0.001 / 2.44]).axes()
    assert case([0.001], [0.001 / 2.46]).axes().angle_deg == pytest.approx(90.0)


def test_after_a_reference_moved_nobody_knows_how_far_the_refusal_says_so() -> None:
    made = case([0.001], [0.001])
    moved = {"rotor": "R-7", "sensor": None, "job": "J-4", "after_run": "2", "known": False}
    made = replace(made, coefficients=replace(
        made.coefficients, rotors={"R-7": made.coefficients.unseen}, references=(moved,)
    ))  # fmt: skip
    with pytest.raises(CannotBeMet, match=r"The reference moved after run 2 of J-4, and no pair"):
        made.axes(serial="R-7")
    with pytest.raises(CannotBeMet) as caught:
        made.axes()
    assert "moved" not in str(caught.value)


def test_one_blade_with_one_adjuster_cannot_correct_two_components() -> None:
    with pytest.raises(CannotBeMet, match="one adjuster on 1 blade moves the reading along one"):
        case([0.001], blades=1).axes()
    with pytest.raises(CannotBeMet, match="one adjuster on 2 blades moves the reading along one"):
        case([0.001], blades=2).axes()
    # Four blades for order 2 stand at 0 and 180 deg by turns.
    with pytest.raises(CannotBeMet, match="are 0 deg from parallel"):
        case([0.001], order=2).axes()


def test_every_name_that_is_not_known_is_told_at_once() -> None:
    made = case([0.001])
    from adapt.balancing.paper.axes import choose_axes

    with pytest.raises(BadInput) as caught:
        choose_axes(
            made.rotor, made.coefficients, "cabin", "hovr", "R-9",
            [("E", "hub weight"), ("A", "hub"), ("A", "tab")],
        )  # fmt: skip
    for told in ("'cabin'", "'hovr'", "did you mean 'hover'", "'R-9'", "'E'", "'hub'", "'tab'",
                 "found 3, expected two"):  # fmt: skip
        assert told in str(caught.value)
    with pytest.raises(BadInput, match="twice"):
        made.axes(("A", "hub weight"), ("A", "hub weight"))


def test_a_weight_is_told_by_what_the_rotor_file_says_or_by_its_unit() -> None:
    assert WEIGHT.is_weight
    assert not replace(WEIGHT, kind="trim tab").is_weight
    assert not LINK.is_weight
    assert replace(LINK, kind="weight").is_weight
