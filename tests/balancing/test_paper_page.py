"""The page of a chart in millimetres: scale, lines, labels, places for words, both ways."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from paper_case import LINK, WEIGHT, Case, case

from adapt.balancing.paper.page import Page
from adapt.balancing.paper.sheet import PAPERS
from adapt.phasor import to_complex
from adapt.problems import BadInput, CannotBeMet

TIP_PAIR = (("A", "hub weight"), ("A", "pitch link"))
phases = st.floats(0.0, 360.0)


def oblique(one: float, other: float, size: float, phase: str = "lag", order: int = 1) -> Case:
    made = case(
        [to_complex(size, one), to_complex(30.0 * size, other)], adjusters=(WEIGHT, LINK),
        phase=phase, order=order, blades=3,
    )  # fmt: skip
    assume(abs(math.sin(math.radians(one - other))) > 0.3)
    return made


@settings(max_examples=60)
@given(phases, phases, st.floats(2e-4, 5e-3), st.sampled_from(["lag", "lead"]),
       st.sampled_from([1, 2]), st.sampled_from(list(PAPERS)), st.floats(0.05, 1.0),
       phases)  # fmt: skip
def test_amounts_read_from_the_page_are_those_that_solve_the_equation(
    one: float,
    other: float,
    size: float,
    phase: str,
    order: int,
    paper: str,
    part: float,
    at: float,
) -> None:
    page = oblique(one, other, size, phase, order).page(*TIP_PAIR, paper=paper)
    reading = complex(to_complex(part * page.full_scale, at))
    x, y = page.at(reading)
    assert page.reading_at(x, y) == pytest.approx(reading, abs=1e-9)
    # 12:00 at the top, clockwise: the sine of the phase is to the right.
    radius = part * page.radius
    assert x - page.centre[0] == pytest.approx(radius * math.sin(math.radians(at)), abs=1e-9)
    assert y - page.centre[1] == pytest.approx(radius * math.cos(math.radians(at)), abs=1e-9)
    effects = page.axes.effects
    system = np.array([effects.real, effects.imag])
    solved = np.linalg.solve(system, [-reading.real, -reading.imag])
    assert page.amounts_at(x, y) == pytest.approx(solved, rel=1e-9, abs=1e-9)


@settings(max_examples=40)
@given(phases, phases, st.floats(2e-4, 5e-3))
def test_every_point_of_a_line_asks_for_the_amount_of_that_line(
    one: float, other: float, size: float
) -> None:
    page = oblique(one, other, size).page(*TIP_PAIR)
    for line in page.lines:
        for part in (0.0, 0.3, 1.0):
            at = [s + part * (e - s) for s, e in zip(line.start, line.end, strict=True)]
            assert page.amounts_at(at[0], at[1])[line.axis] == pytest.approx(line.amount, abs=1e-6)
        for end in (line.start, line.end):
            assert math.dist(end, page.centre) == pytest.approx(page.radius)


def shape_of(page: Page) -> dict[int, list[float]]:
    return {k: [line.amount for line in page.lines if line.axis == k] for k in (0, 1)}


@settings(max_examples=60)
@given(phases, phases, st.floats(2e-5, 2e-2), st.sampled_from([0.05, 0.125, 1 / 6, 0.5, 7.0, 20.0]))
def test_lines_stand_in_whole_steps_at_least_three_millimetres_apart(
    one: float, other: float, size: float, step: float
) -> None:
    from dataclasses import replace

    assume(abs(math.sin(math.radians(one - other))) > 0.3)
    made = case(
        [to_complex(size, one), to_complex(30.0 * size, other)],
        adjusters=(replace(WEIGHT, step=step), LINK),
    )
    page = made.page(*TIP_PAIR)
    for axis, amounts in shape_of(page).items():
        unit = (step, 1.0)[axis]
        steps = np.array(amounts) / unit
        assert np.allclose(steps, np.round(steps), atol=1e-6)
        apart = np.diff(amounts)
        assert np.allclose(apart, apart[0])
        assert np.allclose(np.add(amounts, amounts[::-1]), 0.0, atol=1e-9)
        lines = [line for line in page.lines if line.axis == axis]
        first, second = lines[0], lines[1]
        along = np.subtract(first.end, first.start) / math.dist(first.end, first.start)
        away = np.subtract(second.start, first.start)
        assert abs(along[0] * away[1] - along[1] * away[0]) >= 3.0 - 1e-6
        heavy = [line.amount for line in lines if line.heavy]
        assert 0.0 in heavy


@settings(max_examples=60)
@given(phases, phases, st.floats(2e-5, 2e-2), st.sampled_from(list(PAPERS)))
def test_no_label_touches_another_the_circle_or_the_places_for_words(
    one: float, other: float, size: float, paper: str
) -> None:
    page = oblique(one, other, size).page(*TIP_PAIR, paper=paper)
    boxes = [
        (x.at[0] - x.width / 2, x.at[1] - x.height / 2, x.at[0] + x.width / 2,
         x.at[1] + x.height / 2) for x in page.labels
    ]  # fmt: skip
    words = [(b.left, b.bottom, b.left + b.width, b.top) for b in page.boxes.values()]
    for a, b in itertools.chain(
        itertools.combinations(boxes, 2), itertools.product(boxes, words),
        itertools.combinations(words, 2),
    ):  # fmt: skip
        overlap = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
        assert min(overlap) <= 1e-9
    for left, bottom, right, top in boxes:
        near = (
            min(max(page.centre[0], left), right),
            min(max(page.centre[1], bottom), top),
        )
        assert math.dist(near, page.centre) > page.radius
    for left, bottom, right, top in boxes + words:
        assert min(left, bottom, page.width - right, page.height - top) >= 5.0


@settings(max_examples=60)
@given(phases, phases, st.floats(2e-5, 2e-2))
def test_each_axis_has_labels_at_zero_and_on_both_sides_of_it(
    one: float, other: float, size: float
) -> None:
    page = oblique(one, other, size).page(*TIP_PAIR)
    for axis in (0, 1):
        told = {label.amount for label in page.labels if label.axis == axis}
        assert {np.sign(amount) for amount in told} == {-1.0, 0.0, 1.0}
    for label in page.labels:
        if label.axis is not None:
            assert float(label.text.replace("−", "-")) == pytest.approx(label.amount, abs=1e-6)


def test_full_scale_leaves_a_quarter_of_room_over_limit_readings_and_the_example() -> None:
    assert case([0.001], limit=0.2, reading=0.3j).page().full_scale == 0.4
    assert case([0.001], limit=0.5, reading=0.3j).page().full_scale == 0.8
    assert case([0.001], limit=0.2, reading=0.3j).page(example=(0.8, 10.0)).full_scale == 1.0
    assert case([0.001], limit=None, reading=0.3j).page().full_scale == 0.4
    # A reading that the check of a log calls doubtful does not stretch the scale.
    assert case([0.001], limit=0.2, reading=2.5j).page().full_scale == 0.25
    page = case([0.001]).page(full=0.7)
    assert (page.full_scale, page.rings[-1].amplitude) == (0.7, 0.7)
    # One step of an axis must be readable, too: 20 g of 0.05 ips each.
    assert case([0.05]).page().full_scale >= 1.25


@given(st.floats(1e-3, 1e3))
def test_rings_are_even_and_end_at_the_rim(full: float) -> None:
    from adapt.balancing.paper.scale import full_scale, rings

    scale = full_scale(full)
    assert 1.25 * full * (1 - 1e-9) <= scale <= 2.0 * 1.25 * full
    steps = np.diff([0.0, *rings(scale)])
    assert rings(scale)[-1] == scale
    assert 4 <= len(steps) <= 8
    assert np.allclose(steps, steps[0])


def test_hours_stand_as_on_a_clock_and_rays_reach_the_rim() -> None:
    page = case([0.001]).page()
    at = {label.text: label.at for label in page.labels if label.axis is None}
    x, y = page.centre
    assert at["12"][0] == pytest.approx(x)
    assert at["12"][1] > y
    assert at["3"][0] > x
    assert at["3"][1] == pytest.approx(y)
    assert at["4"][0] > x
    assert at["4"][1] < y
    assert [ray.minutes for ray in page.rays] == list(range(0, 720, 60))
    ray = page.rays[4]
    assert page.reading_at(*ray.end) == pytest.approx(to_complex(page.full_scale, 120.0))


def test_everything_that_cannot_be_asked_of_a_page_is_told_at_once() -> None:
    made = case([0.001])
    with pytest.raises(BadInput) as caught:
        made.page(limit_set="night", full=-1.0, paper="a5", example=(0.0, 10.0))
    for told in ("'night'", "full scale: found -1", "'a5'", "example: found 0"):
        assert told in str(caught.value)
    with pytest.raises(BadInput, match=r"at most the full scale, 0\.3"):
        made.page(full=0.3, example=(0.35, 10.0))


def test_a_scale_on_which_one_step_leaves_the_circle_is_refused() -> None:
    with pytest.raises(CannotBeMet, match=r"one step of hub weight \(20 g\) moves the reading far"):
        case([0.01]).page(full=0.15)
    assert case([0.01]).page(full=0.25).full_scale == 0.25
