"""The set-up file: what is read, and every problem of a wrong one at once."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from set_ups import CHART, HERE, rotor, written

from adapt.balancing.setup import read_setup
from adapt.problems import BadInput


def test_a_file_gives_the_values_it_says(tmp_path: Path) -> None:
    here = read_setup(written(tmp_path, "here.toml", HERE), rotor())
    assert (here.name, here.seen_from, here.twelve) == ("photocell on the nose", "above", "nose")
    assert not here.clockwise
    assert here.reference.angle_deg == 0.0
    assert here.reference.answers_to == "centre"
    assert [m.sensor for m in here.mounts] == ["cabin lateral", "mast radial"]
    radial = here.mount("mast radial")
    assert radial is not None
    assert (radial.angle_deg, radial.positive, radial.phase) == (90.0, "outwards", "lag")


def test_a_place_told_from_the_other_side_is_taken_as_seen_from_that_of_the_set_up(
    tmp_path: Path,
) -> None:
    chart = read_setup(written(tmp_path, "chart.toml", CHART), rotor())
    assert chart.reference.angle_deg == 270.0  # 3 o'clock from above is 9 o'clock from below
    assert chart.reference.ahead_deg == -10.0
    assert chart.reference.width_deg == pytest.approx(math.degrees(10 / 180))
    lateral = chart.mount("cabin lateral")
    assert lateral is not None
    assert (lateral.phase, lateral.lag_deg) == ("lead", 5.0)


def test_rotation_may_be_told_from_the_other_side(tmp_path: Path) -> None:
    text = HERE.replace('anticlockwise"', 'clockwise"\nrotation_seen_from = "below"')
    assert not read_setup(written(tmp_path, "here.toml", text), rotor()).clockwise


def test_phase_not_given_is_that_of_the_rotor_file(tmp_path: Path) -> None:
    here = read_setup(written(tmp_path, "here.toml", HERE), rotor(phase="lead"))
    assert {m.phase for m in here.mounts} == {"lead"}


def test_wires_swapped_answer_to_the_other_edge(tmp_path: Path) -> None:
    text = CHART.replace("width_mm", "wires_swapped = true\nwidth_mm")
    chart = read_setup(written(tmp_path, "chart.toml", text), rotor())
    assert chart.reference.answers_to == "trailing"


def test_every_problem_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    text = """
[setup]
name = "wrong"
rotor = "tail rotor"
seen_from = "on top"
rotation = "left"
colour = "grey"
[reference]
kind = "photocell"
clock = "13:99"
angle_deg = 3
blade = "Z"
ahead_deg = 1
behind_deg = 1
edge = "leading"
wires_swapped = true
[[sensors]]
name = "cabin latral"
place = "floor"
positive = "left"
clock = "3:00"
[[sensors]]
name = "both"
place = "floor"
positive = "outwards"
[[sensor]]
name = "x"
"""
    with pytest.raises(BadInput) as caught:
        read_setup(written(tmp_path, "wrong.toml", text), rotor())
    told = [(p.row, p.column or "", p.found, p.expected) for p in caught.value.problems]
    for row, column, found in (
        (4, "key rotor", "tail rotor"), (5, "key seen_from", "on top"),
        (6, "key rotation", "left"), (7, "key colour", "colour"), (2, "key twelve", "no such key"),
        (11, "key angle_deg", "both clock and angle_deg"), (12, "key blade", "Z"),
        (14, "key behind_deg", "both"), (16, "key wires_swapped", "true"), (8, "", "no width"),
        (18, "key name", "cabin latral"), (21, "key clock", "positive left"),
        (23, "key name", "made of others"), (22, "", "neither clock nor angle_deg"),
        (26, "top of the file", "sensor"),
    ):  # fmt: skip
        assert any(r == row and column in c and found in f for r, c, f, _ in told), (row, told)


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ('edge = "centre"', 'edge = "trailing"\nwidth_mm = 4', "one without the other"),
        ('edge = "centre"', 'edge = "trailing"\nwidth_deg = 4\nwidth_mm = 4', "the width twice"),
        ('edge = "centre"', 'edge = "trailing"\nwidth_deg = 200', "200 deg"),
        ('edge = "centre"', 'edge = "centre"\nahead_deg = 361', "361"),
        ('"photocell"\nclock', '"magnetic"\nwires_swapped = true\nclock', "true"),
        ('clock = "12:00"', "clock = 12:00:00", "12:00:00"),
        ('clock = "12:00"', "angle_deg = nan", "nan"),
        ('clock = "12:00"', 'clock = "12:00"\nseen_from = "left"', "left"),
        ("[reference]", "[references]", "no such section"),
        ("[setup]", "setup = 3\n[other]", "no such section"),
        ('name = "mast radial"', 'name = "cabin lateral"', "twice"),
        ('positive = "outwards"', 'positive = "upwards"', "upwards"),
    ],
)
def test_a_wrong_value_is_refused(tmp_path: Path, old: str, new: str, found: str) -> None:
    assert old in HERE
    with pytest.raises(BadInput) as caught:
        read_setup(written(tmp_path, "wrong.toml", HERE.replace(old, new, 1)), rotor())
    assert any(found in p.found for p in caught.value.problems), str(caught.value)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"[setup", b"[setup]\nname = 'a\xe9'"])
def test_a_file_that_cannot_be_read_is_one_problem(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "wrong.toml").write_bytes(content)
    with pytest.raises(BadInput) as caught:
        read_setup(tmp_path / "wrong.toml", rotor())
    assert len(caught.value.problems) == 1


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no readable file"):
        read_setup(tmp_path / "nowhere.toml", rotor())
