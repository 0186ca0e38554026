"""Learned coefficients beside the chart; the fixture's are 0.8 of it and lag it by 30 deg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from adapt.chart import Chart
from adapt.problems import BadInput
from adapt.reports.learning.learned import learned_report, rotor_report
from adapt.reports.learning.of_type import chart_in_short
from adapt.reports.log.suspects import suspects_blocks
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


def test_intervals_stand_beside_the_learned_effect(learned, rotor) -> None:
    # E|.|^2 = 2e-8 per gram: one sd per component is sqrt(2e-8 / 2) = 1e-4 per gram, 0.010 per
    # 100 g, and 0.080 is 8 of them: the amplitude is within 1.96 sds (to 0.001), the phase within
    # about 1.96 / 8 rad = 14.0 deg = 0:28 of clock.
    text = as_text(learned_report(learned, rotor))
    assert "0.080 @  4:20 ±0:29  0.061-0.100" in text


def test_an_effect_that_may_be_zero_has_any_clock(learned, rotor) -> None:
    unsure = replace(learned, type_=replace(learned.type_, joint=200.0 * learned.type_.joint))
    lines = as_text(learned_report(unsure, rotor)).splitlines()
    line = lines[lines.index("cabin lateral [ips per 100 g]") + 1]
    assert "0.080 @   any" in line
    assert "0.000-" in line


def test_an_adjuster_that_does_not_move_track_has_no_track_table(learned, rotor) -> None:
    text = as_text(learned_report(learned, rotor))
    assert "[mm per 100 g]" not in text
    assert "[mm per deg]" in text


@pytest.fixture
def fleet(learned):
    """Return the fixture with rotors that differ: R-08 is as 1.5 of the type, R-07 as the type."""
    type_ = learned.type_
    unseen = replace(type_, joint=20.0 * type_.joint, track_joint=20.0 * type_.track_joint)
    return replace(learned, unseen=unseen)


def lines_after(text: str, title: str) -> list[str]:
    return text[text.index(title) :].splitlines()


def test_the_rotor_least_like_its_type_comes_first(fleet, rotor) -> None:
    text = as_text(learned_report(fleet, rotor))
    first, second = lines_after(text, "Rotors against their type")[3:5]
    assert first.startswith("R-08")
    assert "1.50 ±" in first
    assert "1.20 ±" in first  # 1.5 times 0.8 of the chart
    assert second.startswith("R-07")
    assert "1.00 ±" in second


def test_without_a_chart_its_columns_are_left_out(fleet, rotor) -> None:
    text = as_text(learned_report(replace(fleet, chart=None), rotor))
    assert "Chart" not in text
    assert "without a chart" in text
    assert lines_after(text, "Rotors against their type")[1].split()[-2:] == ["Gain", "Turn"]


def test_a_rotor_unlike_its_type_is_to_be_inspected_never_diagnosed(fleet, rotor) -> None:
    odd = replace(fleet.rotors["R-08"], mean=3.0 * fleet.type_.mean)
    text = as_text(learned_report(replace(fleet, rotors={**fleet.rotors, "R-08": odd}), rotor))
    assert "Unlike the type: R-08. Inspect before balancing" in text
    assert "No rotor is unlike" not in text


def test_many_rotors_take_few_lines(fleet, rotor) -> None:
    many = {f"R-{i:03d}": fleet.rotors["R-07"] for i in range(200)}
    text = as_text(learned_report(replace(fleet, rotors=many), rotor))
    assert "... and 188 more; --json lists them all." in text
    assert len(text.splitlines()) < 150


def test_every_line_fits_80_columns(fleet, rotor) -> None:
    for report in (learned_report(fleet, rotor), rotor_report(fleet, rotor, "R-08")):
        assert max(len(line) for line in as_text(report).splitlines()) <= 80


def test_one_rotors_own_report_stands_beside_type_and_chart(fleet, rotor) -> None:
    text = as_text(rotor_report(fleet, rotor, "R-08"))
    # 1 - 1 / 20 of the variance is its own data.
    line = lines_after(text, "cabin lateral [ips per 100 g], 7 pairs, own 95 %")[1]
    assert "0.120 @  4:20" in line
    assert "0.100 @  3:20" in line
    # |0.5 * 0.080| per 100 g over sqrt(19 * 2e-8 / 2) = 0.0436: 0.9 sds.
    assert line.split()[-3:] == ["1.50", "+0", "0.9"]
    assert "R-07" not in text


def test_an_unknown_serial_is_refused_with_those_that_are_known(fleet, rotor) -> None:
    with pytest.raises(BadInput, match=r"found 'R-99'.*R-07, R-08"):
        rotor_report(fleet, rotor, "R-99")
    with pytest.raises(BadInput, match="it has none"):
        rotor_report(replace(fleet, rotors={}), rotor, "R-07")


def test_a_fleet_without_rotors_is_reported(fleet, rotor) -> None:
    text = as_text(learned_report(replace(fleet, rotors={}), rotor))
    assert "Rotors against" not in text
    assert "nan" not in text


def test_what_is_poorly_known_and_what_would_teach_close_the_report(fleet, rotor) -> None:
    text = as_text(learned_report(fleet, rotor))
    poor = lines_after(text, "Still poorly known")
    # Hub weight, largest move 200 g: sqrt(20 * 2e-8 / 2) * 200 = 0.089 of the limit of 0.2.
    assert any(
        line.startswith("hub weight       200 g  cabin lateral, hover") and "0.45" in line
        for line in poor
    )
    closing = text[text.index("What would teach most") :]
    assert "a new rotor" in closing
    assert "the plan for the correction comes first" in " ".join(closing.split())


def test_what_nothing_informs_is_a_dash(learned, rotor) -> None:
    mean, joint = learned.type_.mean.copy(), learned.type_.joint.copy()
    mean[0, 0] = np.nan
    joint[0, 0, :], joint[0, :, 0] = np.nan, np.nan
    one = replace(learned.type_, mean=mean, joint=joint)
    unknown = replace(learned, type_=one, unseen=one, rotors={"R-07": one}, chart=None)
    text = as_text(learned_report(unknown, rotor)) + as_text(rotor_report(unknown, rotor, "R-07"))
    assert "nan" not in text
    line = lines_after(text, "cabin lateral [ips per 100 g]")[1]
    assert line.split()[1:3] == ["-", "-"]
    assert "not known" in text
    assert "new" in text


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


def test_what_a_suspect_would_move_is_said_and_how_to_look_at_it(learned, rotor) -> None:
    moved = {"sensor": "cabin lateral", "regime": "hover", "adjuster": "trim tab", "sds": 3.14}
    suspect = {
        "job": "J-3", "run": "2", "after_run": "1", "kind": "sign", "probability": 1.0,
        "explanations": [{"kind": "sign", "text": "+40 g was -40", "probability": 0.9}],
        "would_change": {
            "as_entered": moved,
            "as_explained": {**moved, "sensor": None, "sds": 0.4},
        },
    }  # fmt: skip
    origin = {"rotor_file": "main rotor.toml", "log": "log"}
    told = replace(learned, suspects=(suspect,), origin=origin)
    text = as_text(learned_report(told, rotor))
    assert "adapt review 'main rotor.toml' log" in text
    on_chart = replace(told, chart=Chart(*(np.ones(1) for _ in range(4)), source="my chart.csv"))
    shown = as_text(list(suspects_blocks(on_chart)))
    assert "adapt review 'main rotor.toml' log --chart 'my chart.csv'" in " ".join(shown.split())
    shown = as_text(list(suspects_blocks(replace(told, chart=None))))
    assert "log --chart" not in " ".join(shown.split())
    whole = " ".join(text.split())
    assert (
        "J-3 after run 1: as entered trim tab on cabin lateral, hover by 3.1 of its sds; as "
        "explained trim tab on track, hover by 0.4 of its sds." in whole
    )
    alone = {**suspect, "would_change": {"as_entered": moved, "as_explained": None}}
    text = as_text(learned_report(replace(learned, suspects=(alone,)), rotor))
    assert "hover by 3.1 of its sds." in " ".join(text.split())
    assert "adapt review ROTOR LOG" in text


def test_many_suspects_are_cut_and_counted(learned, rotor) -> None:
    suspects = tuple(
        {
            "job": f"J-{i}", "run": "2", "after_run": "1", "kind": "sign", "probability": 0.9,
            "explanations": [{"kind": "sign", "text": "+40 g was -40", "probability": 0.9}],
        }
        for i in range(40)
    )  # fmt: skip
    text = as_text(learned_report(replace(learned, suspects=suspects), rotor))
    assert "... and 15 more; --json lists them all." in text


def test_a_moved_reference_has_its_place_and_stands_beside_an_unlike_rotor(fleet, rotor) -> None:
    odd = replace(fleet.rotors["R-08"], mean=3.0 * fleet.type_.mean)
    moved = {
        "rotor": "R-08", "job": "J-5", "after_run": "2", "sensor": None, "angle_deg": 25.0,
        "sd_deg": 2.0, "known": True,
    }  # fmt: skip
    told = replace(fleet, rotors={**fleet.rotors, "R-08": odd}, references=(moved,))
    text = as_text(learned_report(told, rotor))
    assert "Unlike the type: R-08 (a reference or sensor was moved)." in text
    assert "Moved references and sensors" in text
    assert "+25.0" in text


def test_a_rotor_to_inspect_stands_before_all_numbers_and_in_its_own_report(fleet, rotor) -> None:
    finding = {
        "rotor": "R-08", "test": "answer changed", "since_job": "J-9", "since_run": "2",
        "how": "weaker", "factor": 0.62, "factor_low": 0.55, "factor_high": 0.69,
        "angle_deg": 1.0, "angle_low": -5.0, "angle_high": 7.0, "sensor": None, "adjuster": None,
        "blade": None, "could_be": [], "held_back": 0, "p_value": 1e-4, "false_alarm_rate": 0.05,
    }  # fmt: skip
    told = replace(fleet, health=(finding,))
    text = as_text(learned_report(told, rotor))
    assert text.index("Inspect before balancing") < text.index("Scatter per component")
    assert "Inspect before balancing" in as_text(rotor_report(told, rotor, "R-08"))
    assert "Inspect before balancing" not in as_text(rotor_report(told, rotor, "R-07"))
