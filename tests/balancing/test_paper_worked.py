"""The worked example, how sure a chart is, what taught it, and what a minus means elsewhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paper_case import LINK, WEIGHT, case

import adapt
from adapt.balancing.paper.axes import Axes, Axis, choose_axes
from adapt.balancing.paper.minus import instead_of_minus
from adapt.balancing.paper.taught import taught_by
from adapt.balancing.paper.worked import work
from adapt.effects import harmonic_sums, move_amounts

DEMO = Path(__file__).parents[2] / "datasets" / "demo"


def test_the_example_is_rounded_axis_by_axis_and_leaves_what_the_steps_leave() -> None:
    page = case([0.001]).page(example=(0.25, 200.0))
    example = page.example
    # 0.25 at 200 deg: blade A answers at 0 deg, blade B at 90 deg, 0.001 ips per g.
    assert example.exact == pytest.approx(
        (-250.0 * np.cos(np.deg2rad(200.0)), -250.0 * np.sin(np.deg2rad(200.0)))
    )
    assert example.rounded == (240.0, 80.0)
    assert example.left == pytest.approx(0.25 * np.exp(1j * np.deg2rad(200.0)) + 0.24 + 0.08j)
    assert page.asked
    assert example.beyond == (0,)  # one move may be 200 g


def test_the_usual_example_needs_no_more_than_one_move_may_be() -> None:
    page = case([0.001], limit=2.0).page()
    assert page.full_scale == 2.5
    assert page.example.beyond == ()
    assert min(map(abs, page.example.rounded)) > 0
    assert not page.asked


def test_95_in_100_next_readings_are_where_the_example_says() -> None:
    rng = np.random.default_rng(11)
    made = case(
        [0.0011 * np.exp(0.4j)], [0.0001], blades=3, reading_var=2 * 0.012**2,
        run_var=2 * 0.017**2,
    )  # fmt: skip
    example = work(made.axes(), made.rotor, made.coefficients, 0.3 + 0.2j)
    turns = np.exp(1j * np.deg2rad([0.0, 120.0]))
    done = turns @ np.array(example.rounded)
    draws = 100_000

    def normal(sd: float) -> np.ndarray:
        return sd * (rng.normal(size=draws) + 1j * rng.normal(size=draws))

    own = 0.0011 * np.exp(0.4j) + normal(0.0001)
    # The reading at hand scatters, the rotor changes by itself, and the next reading scatters.
    level = 0.3 + 0.2j - normal(0.012) + normal(0.017)
    following = level + own * done + normal(0.012)
    assert np.mean(np.abs(following) < example.reach) == pytest.approx(0.95, abs=0.004)
    assert np.std(following.real) == pytest.approx(example.next_sd, rel=0.02)
    unknown = (own - 0.0011 * np.exp(0.4j)) * done
    assert np.mean(np.abs(unknown) < example.within) == pytest.approx(0.95, abs=0.004)
    assert np.mean(following) == pytest.approx(example.left, abs=0.001)


@pytest.fixture(scope="module")
def tail() -> tuple:
    rotor = adapt.read_rotor(DEMO / "tail-rotor.toml")
    history = adapt.check(rotor, adapt.read_log(DEMO / "log"))
    chart = adapt.read_chart(DEMO / "tail-chart.csv", rotor)
    return rotor, history, adapt.learn(rotor, history, chart=chart)


def test_pairs_counted_in_the_log_are_those_that_the_learner_counted(tail: tuple) -> None:
    rotor, history, learned = tail
    some = 0
    for serial in (None, *learned.rotors):
        for sensor, regime in rotor.channels:
            for adjuster in rotor.adjuster_names:
                axis = Axis("1", adjuster)
                axes = Axes(
                    sensor, regime, serial, (axis, axis), np.zeros(2, complex),
                    np.zeros((2, 2), complex),
                )  # fmt: skip
                taught = taught_by(axes, rotor, learned, history)
                assert len(taught.listed) == taught.pairs[0]
                some += len(taught.listed)
    assert some > 50


def test_a_pair_that_is_not_in_the_coefficients_is_not_said_to_have_taught_them(
    tail: tuple,
) -> None:
    from dataclasses import replace

    rotor, history, learned = tail
    axes = choose_axes(rotor, learned, "gearbox radial", "hover", "TR-305")
    whole = taught_by(axes, rotor, learned, history).listed
    held_back = replace(learned, taught=learned.taught - {whole[0]})
    assert taught_by(axes, rotor, held_back, history).listed == whole[1:]


def test_what_taught_a_rotor_is_told_by_job_and_date(tail: tuple) -> None:
    rotor, history, learned = tail
    axes = choose_axes(rotor, learned, "gearbox radial", "hover", "TR-305")
    taught = taught_by(axes, rotor, learned, history)
    jobs = set(history.runs[history.runs["rotor"] == "TR-305"]["job"])
    assert set(taught.jobs) <= jobs
    assert taught.jobs
    of_jobs = history.runs[history.runs["job"].isin(taught.jobs)]
    assert of_jobs["started"].min() <= taught.first < taught.last <= of_jobs["started"].max()


@settings(max_examples=80)
@given(st.integers(2, 7), st.integers(1, 3), st.integers(0, 6))
def test_a_minus_is_the_same_for_the_reading_as_its_plus_elsewhere(
    blades: int, order: int, at: int
) -> None:
    rotor = case([0.001], blades=blades).rotor
    axis = Axis(rotor.blades[at % blades], "hub weight")
    instead = instead_of_minus(rotor, axis, order)
    if instead is None:
        # Every blade answers alike, so that nothing can be added in place of taking off.
        assert order % blades == 0
        return
    taken = move_amounts(rotor, [axis.blade], ["hub weight"], [-20.0])
    added = move_amounts(
        rotor, list(instead.blades), ["hub weight"] * len(instead.blades),
        [20.0 * instead.factor] * len(instead.blades),
    )  # fmt: skip
    sums = [harmonic_sums(rotor, table, order)[0] for table in (taken, added)]
    assert sums[0] == pytest.approx(sums[1], abs=1e-7)
    assert axis.blade not in instead.blades


def test_an_even_rotor_has_an_opposite_blade_and_three_blades_take_the_whole_on_two() -> None:
    four = instead_of_minus(case([0.001]).rotor, Axis("B", "hub weight"))
    assert four is not None
    assert (four.blades, four.factor) == (("D",), 1.0)
    three = instead_of_minus(case([0.001], blades=3).rotor, Axis("B", "hub weight"))
    assert three is not None
    assert (three.blades, three.factor) == (("A", "C"), 1.0)
    five = instead_of_minus(case([0.001], blades=5).rotor, Axis("A", "hub weight"))
    assert five is not None
    assert five.factor == pytest.approx(0.5 / np.cos(np.deg2rad(36.0)), abs=1e-8)


def test_uneven_blades_have_nothing_opposite() -> None:
    rotor = case([0.001], blades=3, azimuth_deg=(0.0, 60.0, 180.5)).rotor
    assert instead_of_minus(rotor, Axis("B", "hub weight")) is None


def test_adjusters_of_two_kinds_move_their_own_noise_each() -> None:
    from dataclasses import replace

    made = case([0.001, 0.02j], adjusters=(WEIGHT, LINK), reading_var=0.0, run_var=2e-4)
    noise = replace(made.coefficients.noise, move_var=np.array([[2e-4, 6e-4]]))
    made = replace(made, coefficients=replace(made.coefficients, noise=noise))
    axes = made.axes(("A", "hub weight"), ("A", "pitch link"))
    both = work(axes, made.rotor, made.coefficients, -0.1 - 0.1j)
    weight = work(axes, made.rotor, made.coefficients, -0.1 + 0j)
    assert both.next_sd**2 == pytest.approx((2e-4 + 2e-4 + 6e-4) / 2)
    assert weight.next_sd**2 == pytest.approx((2e-4 + 2e-4) / 2)
