"""Numbers as people read them. Clock angles are common practice of the trade, no source."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.reports import wording

angles = st.floats(0, 360, exclude_max=True)


@pytest.mark.parametrize(
    ("lag_deg", "clock"), [(130.0, "4:20"), (307.5, "10:15"), (0.0, "12:00"), (15.0, "12:30")]
)
def test_a_lag_sensor_shows_the_clock_of_the_lag(lag_deg: float, clock: str) -> None:
    value = cmath.rect(0.25, math.radians(lag_deg))
    assert wording.amplitude_at_clock(value).split(" @ ")[1].strip() == clock


@given(angles)
def test_a_lead_sensor_shows_the_other_way_round_the_clock(lag_deg: float) -> None:
    value = cmath.rect(1.0, math.radians(lag_deg))
    both = wording.own_phase_deg(value, "lag") + wording.own_phase_deg(value, "lead")
    assert both % 360.0 == pytest.approx(0.0, abs=1e-9) or both % 360.0 == pytest.approx(360.0)


@given(st.floats(0, 1))
def test_a_chance_in_words_is_never_better_than_it_is_by_more_than_rounding(p: float) -> None:
    words = wording.chance_in_words(p).split()
    n, of = int(words[-3]), int(words[-1])
    if words[0] == "about":
        assert -0.05 < n / of - p < 0.0401  # short of it by rounding down, over it by tenths
        assert p < 0.9 or n / of - p < 0.0151
    else:
        assert (words[0] == "more") == (p > n / of)


@given(st.floats(0, 1))
def test_per_cent_never_says_certain_or_impossible(p: float) -> None:
    assert wording.percent(p) not in ("100 %", "0 %")
    assert (wording.percent(p) == ">99 %") == (p >= 0.995)


@given(st.floats(0, 5))
def test_a_bar_is_full_only_at_the_limit_and_marked_only_over_it(ratio: float) -> None:
    bar = wording.bar(ratio)
    assert ("." not in bar) == (ratio >= 1.0 - 1e-9)
    assert bar.endswith("!") == (ratio > 1.0 + 1e-9)


def test_what_is_missing_is_a_dash_not_a_number() -> None:
    assert wording.number(None) == wording.number(math.nan) == "-"
    assert wording.amplitude_at_clock(None) == wording.amplitude_at_clock(complex(math.nan)) == "-"
    assert wording.percent(None) == "-"
    assert wording.bar(math.nan) == ""


def test_amounts_have_as_many_decimals_as_the_hardware_step() -> None:
    assert wording.signed(-0.25, 0.25) == "-0.25"
    assert wording.signed(40.000000001, 20.0) == "+40"
    assert wording.signed(0.3, 0.1) == "+0.3"
