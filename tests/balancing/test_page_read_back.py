"""A chart read off its drawn lines, as with a pencil, gives the amounts that were computed."""

from __future__ import annotations

import numpy as np
import pytest
from page_read_back import read_back
from paper_case import LINK, WEIGHT, case

from adapt.phasor import clock_to_deg, to_complex
from adapt.reports.balancing.paper_page import drawn
from adapt.reports.balancing.paper_words import words_of


@pytest.mark.parametrize(
    ("phase", "order", "blades", "paper"),
    [("lag", 1, 3, "a4"), ("lead", 1, 5, "letter"), ("lag", 2, 5, "letter"), ("lead", 2, 3, "a4")],
)
def test_readings_all_over_the_chart_are_read_back_to_a_thousandth(
    phase: str, order: int, blades: int, paper: str
) -> None:
    made = case([0.0009 * np.exp(1.3j)], phase=phase, order=order, blades=blades)
    page = made.page(paper=paper)
    svg = drawn(page, words_of(page, made.rotor, made.coefficients, "2026-03-01"), "svg")
    chart = read_back(svg)
    assert chart["limit"] == pytest.approx(chart["rings"][0.2], rel=1e-5)
    assert sorted(chart["rays"]) == list(range(0, 720, 60))
    reach = [page.full_scale / abs(e) for e in page.axes.effects]
    for amplitude in np.linspace(0.05, page.full_scale, 5):
        for clock in ("12:00", "1:10", "4:20", "6:05", "9:59", "11:30"):
            asked = page.axes.amounts_for(complex(to_complex(amplitude, clock_to_deg(clock))))
            read = chart["amounts"](amplitude, clock)
            assert read == pytest.approx(asked, abs=1e-3 * min(reach))
            assert chart["amounts"](amplitude, clock_to_deg(clock)) == pytest.approx(read)


def test_a_chart_drawn_with_two_adjusters_is_read_back_axis_by_axis() -> None:
    made = case([0.001, 0.03j], adjusters=(WEIGHT, LINK), blades=2)
    page = made.page(("B", "pitch link"), ("A", "hub weight"))
    chart = read_back(drawn(page, words_of(page, made.rotor, made.coefficients, "x"), "svg"))
    # Blade B answers 180 deg from blade A: 3 flats on it take 0.09 at 90 deg away.
    assert chart["amounts"](0.09, "3:00") == pytest.approx((3.0, 0.0), abs=0.01)
    assert chart["amounts"](0.09, "6:00") == pytest.approx((0.0, 90.0), abs=0.1)
