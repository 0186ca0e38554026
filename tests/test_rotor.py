"""The rotor file: what is read, and every problem of a wrong one at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import adapt
from adapt.problems import BadInput
from adapt.rotor import Limit, Rotor

SOUND = """
[rotor]
name = "main rotor"
blades = ["A", "B", "C", "D"]
rpm = 392.0
track_unit = "mm"

[[sensors]]
name = "cabin lateral"
unit = "ips"
reading_sd = 0.015

[[sensors]]
name = "cabin vertical"
unit = "ips"
phase = "lead"
order = 2

[[regimes]]
name = "hover"
airspeed_kt = 0

[[regimes]]
name = "120 kt"

[[adjusters]]
name = "hub weight"
unit = "g"
step = 20.0
fitted_range = [0.0, 400.0]
largest_move = 200.0
minutes = 15

[[adjusters]]
name = "trim tab"
unit = "deg"
step = 0.5
fitted_range = [-5, 5]
blades = ["A", "C"]
sum_range = [0, 0]

[[adjusters]]
name = "tip weight"
unit = "g"
step = 5
fitted_range = [0, 100]

[[shared_ranges]]
adjusters = ["hub weight", "tip weight"]
fitted_range = [-10, 500]

[[limits]]
sensor = "cabin lateral"
limit = 0.2

[[limits]]
sensor = "cabin lateral"
regime = "hover"
limit = 0.15
only_inside = true

[[limits]]
sensor = "cabin lateral"
limit = 0.1
after = "maintenance"

[[limits]]
track = true
limit = 20
"""


def read(tmp_path: Path, text: str) -> Rotor:
    file = tmp_path / "rotor.toml"
    file.write_text(text, encoding="utf-8")
    return adapt.read_rotor(file)


def test_a_sound_file_reads_as_it_is_written(tmp_path: Path) -> None:
    rotor = read(tmp_path, SOUND)
    assert rotor.blades == ("A", "B", "C", "D")
    assert np.allclose(rotor.psi, np.deg2rad([0, 90, 180, 270]))
    assert rotor.sensor("cabin vertical").phase == "lead"
    assert rotor.sensor("cabin vertical").order == 2
    assert rotor.adjuster("trim tab").blades == ("A", "C")
    assert rotor.adjuster("trim tab").sum_range == (0.0, 0.0)
    assert rotor.shared_ranges[0].adjusters == ("hub weight", "tip weight")
    assert rotor.channels[1] == ("cabin lateral", "120 kt")


def test_the_last_matching_limit_wins_and_a_chosen_set_comes_first(tmp_path: Path) -> None:
    rotor = read(tmp_path, SOUND)
    assert rotor.limit_for("cabin lateral", "120 kt") == Limit("cabin lateral", 0.2)
    hover = rotor.limit_for("cabin lateral", "hover")
    assert hover is not None
    assert (hover.limit, hover.only_inside) == (0.15, True)
    chosen = rotor.limit_for("cabin lateral", "hover", "maintenance")
    assert chosen is not None
    assert chosen.limit == 0.1
    assert rotor.limit_for("cabin vertical", "hover") is None
    assert rotor.limit_for(None, "hover") == Limit(None, 20.0)
    assert rotor.limit_sets() == ("maintenance",)


def test_names_are_text_also_when_they_look_like_numbers(tmp_path: Path) -> None:
    rotor = read(tmp_path, SOUND.replace('["A", "B", "C", "D"]', "[1, 2, 3, 4]").replace(
        '["A", "C"]', '["1", 3]'))  # fmt: skip
    assert rotor.blades == ("1", "2", "3", "4")
    assert rotor.adjuster("trim tab").blades == ("1", "3")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "ips"\nreading_sd', 'unit = "cm/s"\nreading_sd', "cm/s"),
        ("rpm = 392.0", "rpm = 0", "rpm"),
        ("rpm = 392.0", "rpm = nan", "rpm"),
        ('["A", "B", "C", "D"]', '["A", "B", "A"]', "A"),
        ('["A", "B", "C", "D"]', "[]", "blades"),
        ("track_unit", "azimuth_deg = [0, 80, 70, 270]\ntrack_unit", "azimuth_deg"),
        ("track_unit", "azimuth_deg = [0, 90]\ntrack_unit", "azimuth_deg"),
        ("step = 20.0", "step = -1", "step"),
        ("[0.0, 400.0]", "[400.0, 0.0]", "fitted_range"),
        ("largest_move = 200.0", "largest_move = 5.0", "largest_move"),
        ("largest_move = 200.0", "largest_moves = 200.0", "largest_move"),
        ('blades = ["A", "C"]', 'blades = ["A", "Z"]', "Z"),
        ('regime = "hover"\nlimit', 'regime = "hoover"\nlimit', "hover"),
        ("limit = 0.15", "limit = 0", "limit"),
        ('track_unit = "mm"', "", "track"),
        ('phase = "lead"', 'phase = "left"', "left"),
        ("order = 2", "order = 0", "order"),
        ('name = "cabin vertical"', 'name = "cabin lateral"', "cabin lateral"),
        ("limit = 20", 'limit = "twenty"', "twenty"),
        ('[[regimes]]\nname = "120 kt"', "[[regimes]]", "name"),
        ('"tip weight"]', '"trim tab"]', "same unit"),
        ("[rotor]", "[rotor", "rotor.toml"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in SOUND
    with pytest.raises(BadInput, match=said):
        read(tmp_path, SOUND.replace(old, new, 1))


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    text = SOUND.replace("rpm = 392.0", "rpm = -3").replace("step = 20.0", "step = 0")
    text = text.replace("limit = 0.15", "limit = -1").replace('"tip weight"]', '"tip weights"]')
    with pytest.raises(BadInput) as wrong:
        read(tmp_path, text)
    assert len(wrong.value.problems) >= 4


def test_a_combination_needs_known_sensors_of_one_unit_and_order(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as wrong:
        read(
            tmp_path,
            SOUND
            + '[[sensors]]\nname = "roll"\nunit = "ips"\n'
            + 'combination = { "cabin lateral" = 0.5, "cabin vertical" = -0.5, "cabin" = 1 }\n',
        )
    text = str(wrong.value)
    assert "order" in text
    assert "cabin" in text


def test_a_file_that_is_not_there_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="nowhere"):
        adapt.read_rotor(tmp_path / "nowhere.toml")


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=300))
def test_junk_is_bad_input(tmp_path: Path, junk: bytes) -> None:
    file = tmp_path / "junk.toml"
    file.write_bytes(junk)
    with pytest.raises(BadInput):
        adapt.read_rotor(file)


def test_hostile_keys_and_numbers_are_shown_short_and_escaped(tmp_path: Path) -> None:
    file = tmp_path / "rotor.toml"
    file.write_text(
        '"we(ird" = 1\n[rotor]\n"\\u001b[31m" = 0x' + "f" * 6000 + "\nrpm = 0x" + "f" * 6000 + "\n",
        encoding="utf-8",
    )
    with pytest.raises(BadInput) as error:
        adapt.read_rotor(file)
    places = [(p.row, p.column) for p in error.value.problems]
    assert (4, "[rotor], key rpm") in places
    assert (None, "top of the file") in places
    assert "\x1b" not in str(error.value)
    assert max(len(str(p)) for p in error.value.problems) < 400


def test_an_empty_section_lacks_its_keys_and_a_missing_one_is_told_once(tmp_path: Path) -> None:
    file = tmp_path / "rotor.toml"
    file.write_text("[rotor]\n", encoding="utf-8")
    with pytest.raises(BadInput) as error:
        adapt.read_rotor(file)
    missing = [p.column for p in error.value.problems if p.found == "no such key"]
    assert missing == ["[rotor], key name", "[rotor], key blades", "[rotor], key rpm"]
    file.write_text("", encoding="utf-8")
    with pytest.raises(BadInput) as error:
        adapt.read_rotor(file)
    assert [p.column for p in error.value.problems if "rotor" in str(p.column)] == ["[rotor]"]
