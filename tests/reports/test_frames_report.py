"""What is said of moved references and sensors."""

from __future__ import annotations

from dataclasses import replace

from adapt.reports.learning.frames import frames_blocks
from adapt.reports.show import as_text

REFERENCE = {
    "rotor": "R-1", "job": "J-1", "after_run": "4", "sensor": None, "angle_deg": 41.26,
    "sd_deg": 2.0, "known": True, "gain": None, "gain_sd": None, "same_place": None,
}  # fmt: skip
SENSOR = {
    **REFERENCE, "sensor": "cabin lateral", "angle_deg": -7.0, "sd_deg": 1.0, "gain": 1.1,
    "gain_sd": 0.02, "same_place": 0.98,
}  # fmt: skip


def said(learned, *rows: dict) -> str:
    return as_text(list(frames_blocks(replace(learned, references=rows))), width=200)


def test_a_known_angle_stands_with_its_interval_in_lag(learned) -> None:
    text = said(learned, REFERENCE)
    assert "+41.3" in text
    assert "+37.3 to +45.2" in text
    assert "kept, turned" in text


def test_an_angle_that_is_not_known_says_that_the_rotor_is_learned_anew(learned) -> None:
    text = said(learned, {**REFERENCE, "angle_deg": None, "sd_deg": 103.9, "known": False})
    assert "not known: learned anew" in text
    assert "103" not in text
    wide = said(learned, {**REFERENCE, "sd_deg": 25.0, "known": False})
    assert "+41" in wide
    assert "not known: learned anew" in wide


def test_a_sensor_says_where_it_stands_and_its_gain(learned) -> None:
    text = said(learned, SENSOR)
    assert "in its place (98 %)" in text
    assert "gain 1.10 (1.06 to 1.14)" in text
    elsewhere = said(learned, {**SENSOR, "same_place": 0.03, "known": False})
    assert "fitted elsewhere (97 %)" in elsewhere
    assert "-7.0" not in elsewhere
    assert "open (50 %)" in said(learned, {**SENSOR, "same_place": 0.5, "known": False})


def test_nothing_is_said_when_nothing_moved(learned) -> None:
    assert said(learned) == ""


def test_a_long_list_is_cut_and_says_so(learned) -> None:
    assert "and 5 more" in said(learned, *[REFERENCE] * 30)
