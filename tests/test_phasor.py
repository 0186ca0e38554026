"""Amplitudes, clock angles and units against values worked out by other means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.phasor import (
    STANDARD_GRAVITY,
    ClockError,
    canonical_unit,
    clock_text,
    clock_to_deg,
    convert_unit,
    from_lag,
    phase_deg,
    to_complex,
    to_lag,
)
from adapt.problems import AdaptError


@given(st.integers(0, 12), st.integers(0, 59))
def test_a_clock_angle_is_where_the_hour_hand_points(hours, minutes):
    # The hour hand goes round in 720 minutes.
    expected = ((hours * 60 + minutes) / 720 * 360) % 360
    assert clock_to_deg(f"{hours}:{minutes:02d}") == pytest.approx(expected)


@given(st.integers(0, 719))
def test_every_whole_minute_of_clock_survives_text_and_back(minutes):
    assert clock_to_deg(clock_text(minutes * 0.5)) == minutes * 0.5


@given(st.floats(-1e4, 1e4))
def test_clock_text_is_within_a_quarter_degree_of_the_phase(phase):
    difference = (clock_to_deg(clock_text(phase)) - phase + 180) % 360 - 180
    assert abs(difference) <= 0.25 + 1e-9


@given(st.integers(0, 12 * 60 + 59))
def test_a_time_of_day_that_a_spreadsheet_made_is_read_as_the_clock_angle(minutes):
    hours, rest = divmod(minutes, 60)
    expected = (minutes * 0.5) % 360
    half = "PM" if hours == 12 else "AM"
    written = [
        f"{hours}:{rest:02d}:00",
        f"{hours:02d}:{rest:02d}",
        f"1899-12-31T{hours:02d}:{rest:02d}:00",
        f"1900-01-00 {hours:02d}:{rest:02d}:00",
        f"{hours or 12}:{rest:02d}:00 {half}",
        f" {hours}:{rest:02d} ",
        f"{minutes / 1440:.6f}",
        repr(minutes / 1440) if minutes % 36 else f"{minutes / 1440:.4f}",
    ]
    assert [clock_to_deg(text) for text in written] == [expected] * len(written)


@pytest.mark.parametrize(
    "text",
    [
        "13:75",
        "13:05",
        "4:60",
        "4:5",
        "4.20",
        "4",
        "130",
        "-1:00",
        "",
        "4:20:30",
        "16:20",
        "4:20 PM",
        "2026-11-25T04:20:00",
        "0.5",
        "0.1",
        "0.25",
        "0.18",
        "0.1801",
        "1.25",
        "noon",
        "4:20:00:00",
        "٤:٢٠",
        "nan",
        "inf",
        "13:00 PM",
        "0:30 AM",
        "2026-11-25",
        "9" * 500,
        "4:20\x00",
    ],
)
def test_anything_else_is_refused_as_a_clock_angle(text):
    with pytest.raises(ClockError):
        clock_to_deg(text)


@given(st.floats(0, 1e6), st.floats(-720, 720))
def test_amplitude_and_phase_survive_the_complex_number(amplitude, phase):
    z = to_complex(amplitude, phase)
    assert abs(z) == pytest.approx(amplitude)
    if amplitude > 1e-9:
        assert abs((phase_deg(z) - phase + 180) % 360 - 180) < 1e-6
    assert 0 <= phase_deg(z) < 360


def test_quarter_turns_have_no_rounding_in_them():
    assert to_complex(1.0, [0, 90, 180, 270, 360, -90]).tolist() == [1, 1j, -1, -1j, 1, -1j]
    assert np.isnan(to_complex(1.0, math.nan))


def test_lead_is_the_mirror_of_lag_and_nothing_else_is_a_convention():
    z = to_complex(0.3, 40.0)
    assert phase_deg(to_lag(z, "lead")) == pytest.approx(320.0)
    assert from_lag(to_lag(z, "lead"), "lead") == z
    assert to_lag(z, "lag") == z
    with pytest.raises(AdaptError):
        to_lag(z, "leads")


def first_harmonic(samples: np.ndarray, order: int, angle: np.ndarray) -> complex:
    """Lag phasor of a sampled signal: amplitude * exp(i * lag), by Fourier's sum."""
    return 2 * np.mean(samples * np.exp(1j * order * angle))


@pytest.mark.parametrize("order", [1, 2, 4])
@pytest.mark.parametrize("unit", ["ips", "mm/s"])
@pytest.mark.parametrize("lag", [0.0, 37.0, 130.0, 307.5])
def test_velocity_to_g_agrees_with_differentiating_a_sampled_cosine(order, unit, lag):
    rpm, amplitude = 392.0, 0.6
    seconds = np.arange(4096) / 4096 * 60.0 / rpm  # one revolution
    angle = 2 * np.pi * rpm / 60.0 * seconds
    velocity = amplitude * np.cos(order * angle - np.deg2rad(lag))
    metres = velocity * (0.0254 if unit == "ips" else 0.001)
    step = seconds[1]
    acceleration = (np.roll(metres, -1) - np.roll(metres, 1)) / (2 * step) / STANDARD_GRAVITY
    seen = first_harmonic(acceleration, order, angle)
    assert first_harmonic(velocity, order, angle) == pytest.approx(to_complex(amplitude, lag))
    converted = convert_unit(to_complex(amplitude, lag), unit, "g", rpm=rpm, order=order)
    assert converted == pytest.approx(seen, rel=2e-5)
    back = convert_unit(converted, "g", unit, rpm=rpm, order=order)
    assert back == pytest.approx(to_complex(amplitude, lag))


def test_an_inch_is_25_4_millimetres_both_ways():
    assert convert_unit(0.2, "ips", "mm/s") == pytest.approx(5.08)
    assert convert_unit(25.4, "mm/s", "ips") == 1.0
    assert convert_unit([1j, 2], "g", "g").tolist() == [1j, 2]


@pytest.mark.parametrize("more", [{}, {"rpm": 392.0}, {"order": 1}, {"rpm": 0.0, "order": 1}])
def test_velocity_and_acceleration_need_a_speed_and_an_order(more):
    with pytest.raises(AdaptError, match="speed"):
        convert_unit(1.0, "ips", "g", **more)


def test_units_that_are_not_vibration_are_not_guessed():
    assert [canonical_unit(u) for u in ["IPS", " mm / s", "G", "mils", "ips rms", ""]] == [
        "ips",
        "mm/s",
        "g",
        None,
        None,
        None,
    ]
    with pytest.raises(AdaptError):
        convert_unit(1.0, "mils", "ips")
