"""Learned coefficients beside the chart; the fixture's are 0.8 of it and lag it by 30 deg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from adapt.reports.learned import chart_in_short, learned_report
from adapt.reports.show import as_text


def test_gain_and_turn_against_the_chart_are_those_of_the_fixture(learned, rotor) -> None:
    for _, _, gain, turn, pairs in chart_in_short(learned, rotor).rows:
        assert gain.startswith("0.80 ")
        assert (turn, pairs) == ("+30", "7")


def test_a_lead_sensor_shows_its_own_clock_and_the_turn_still_counts_as_lag(learned, rotor) -> None:
    # Chart: 100 deg of lag = 3:20, and 30 deg more is 4:20. A lead sensor shows 260 deg = 8:40
    # and 230 deg = 7:40.
    lines = as_text(learned_report(learned, rotor)).splitlines()
    lateral = lines.index("cabin lateral [ips per 100 g]")
    assert "0.080 @  4:20" in lines[lateral + 1]
    assert "0.100 @  3:20" in lines[lateral + 1]
    vertical = lines.index("cabin vertical [ips per 100 g]")
    assert "0.080 @  7:40" in lines[vertical + 1]
    assert "0.100 @  8:40" in lines[vertical + 1]
    assert "+30" in lines[vertical + 1]


def test_sd_is_per_component(learned, rotor) -> None:
    # E|.|^2 = 2e-8 per gram: sqrt(2e-8 / 2) = 1e-4 per gram, 0.010 per 100 g.
    text = as_text(learned_report(learned, rotor))
    assert "± 0.010" in text


def test_an_adjuster_that_does_not_move_track_has_no_track_table(learned, rotor) -> None:
    text = as_text(learned_report(learned, rotor))
    assert "[mm per 100 g]" not in text
    assert "[mm per deg]" in text


def test_the_rotor_that_differs_most_comes_first(learned, rotor) -> None:
    text = as_text(learned_report(learned, rotor))
    apart = text[text.index("Rotors that differ most") :].splitlines()
    assert apart[3].startswith("R-08")
    assert "50 %" in apart[3]


def test_what_nothing_informs_is_a_dash(learned, rotor) -> None:
    mean, joint = learned.type_.mean.copy(), learned.type_.joint.copy()
    mean[0, 0], joint[0, 0, 0] = np.nan, np.nan
    unknown = replace(learned, type_=replace(learned.type_, mean=mean, joint=joint), chart=None)
    text = as_text(learned_report(unknown, rotor))
    assert "nan" not in text
    line = text.splitlines()[text.splitlines().index("cabin lateral [ips per 100 g]") + 1]
    assert line.split()[1:4] == ["-", "-", "-"]


def test_every_explanation_of_a_suspect_entry_is_said(learned, rotor) -> None:
    suspect = {
        "job": "J-3", "run": "2", "after_run": "1", "kind": "sign", "probability": 1.0,
        "explanations": [
            {"kind": "sign", "text": "+40 g was -40", "probability": 0.6},
            {"kind": "other blade", "text": "+40 g was on blade C", "probability": 0.4},
        ],
    }  # fmt: skip
    text = as_text(learned_report(replace(learned, suspects=(suspect,)), rotor))
    assert "+40 g was -40" in text
    assert "+40 g was on blade C" in text
    assert "nothing was changed" in text
