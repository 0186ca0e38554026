"""The holes file: what is read, and every problem of a wrong one at once."""

from __future__ import annotations

from pathlib import Path

import pytest

import adapt
from adapt.balancing.shares import Holes, Piece, Place, Total, read_holes, share
from adapt.problems import BadInput

DEMO = Path(__file__).parents[3] / "datasets" / "demo"
SOUND = """
[[holes]]
name = "1 tip"
blade = "1"
adjuster = "span weight"
radius_mm = 620.0
most_g = 24.0
fitted = { "5 g washer" = 1 }

[[holes]]
name = 2
blade = 2
angle_deg = 90.0
radius_mm = 120.0
most_pieces = 4

[[holes]]
name = "hub ω \\"odd\\" #3"
angle_deg = -15.0
radius_mm = 80
most_g = 10.0
most_pieces = 2

[[pieces]]
name = "5 g washer"
mass_g = 5.0
stock = 3

[[pieces]]
name = "lead, 1/2 oz"
mass_g = 14.2

[[adjusters]]
name = "span weight"
radius_mm = 620.0

[[adjusters]]
name = "chord weight"
radius_mm = 120.0
angle_deg = 450.0
"""


def read(folder: Path, text: str) -> Holes:
    path = folder / "holes.toml"
    path.write_text(text, encoding="utf-8")
    return read_holes(path, adapt.read_rotor(DEMO / "tail-rotor.toml"))


def problems_of(folder: Path, text: str) -> str:
    with pytest.raises(BadInput) as caught:
        read(folder, text)
    assert caught.value.problems
    return str(caught.value)


def test_holes_pieces_and_places_are_read_as_meant(tmp_path: Path) -> None:
    holes = read(tmp_path, SOUND)
    assert [h.name for h in holes.holes] == ["1 tip", "2", 'hub ω "odd" #3']
    assert [h.angle_deg for h in holes.holes] == pytest.approx([0.0, 270.0, 345.0])
    assert [h.radius_mm for h in holes.holes] == [620.0, 120.0, 80.0]
    assert [(h.most_g, h.most_pieces) for h in holes.holes] == [(24.0, None), (None, 4), (10.0, 2)]
    assert (holes.holes[0].blade, holes.holes[0].adjuster) == ("1", "span weight")
    assert holes.pieces == (Piece("5 g washer", 5.0, 3), Piece("lead, 1/2 oz", 14.2, None))
    assert holes.places == (Place("span weight", 620.0), Place("chord weight", 120.0, 90.0))
    assert holes.fitted.tolist() == [[1, 0], [0, 0], [0, 0]]
    assert holes.unbalance(holes.fitted) == 5.0 * 620.0


def test_every_problem_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    wrong = (
        SOUND.replace('blade = "1"', 'blade = "7"')
        .replace("radius_mm = 120.0\nmost_pieces = 4", "radius_mm = 0\ncolour = 1")
        .replace('"5 g washer" = 1', '"5 g wsher" = 1')
        .replace("stock = 3", "stock = 2.5")
        .replace("mass_g = 14.2", "mass_g = nan")
        .replace('name = "chord weight"', 'name = "pitch link"')
    )
    text = problems_of(tmp_path, wrong)
    for words in (
        "line 4, [[holes]] 1 (1 tip), key blade: found '7'",
        "key radius_mm: found 0; expected a number above 0",
        "found key 'colour'",
        "neither most_g nor most_pieces",
        "did you mean '5 g washer'?",
        "key stock: found 2.5; expected a whole number",
        "key mass_g: found nan",
        "'pitch link' in half turns; expected an adjuster in g",
    ):
        assert words in text, words
    assert len(text.splitlines()) == 8


@pytest.mark.parametrize(
    ("found", "written", "words"),
    [
        ('name = "1 tip"', 'name = "2"', "'2' twice"),
        ('name = "lead, 1/2 oz"', 'name = "5 g washer"', "'5 g washer' twice"),
        ("angle_deg = -15.0\n", "", "key angle_deg: found no such key"),
        ('= { "5 g washer" = 1 }', '= { "5 g washer" = -1 }', "0 or more"),
        ('= { "5 g washer" = 1 }', '= ["5 g washer"]', "pieces and how many of each"),
        ("most_pieces = 4", "most_pieces = 0", "a whole number, 1 to"),
        ("most_pieces = 4", "most_pieces = true", "a whole number, 1 to"),
        ("blade = 2", 'adjuster = "span weight"', "this key only beside blade"),
        ("[[adjusters]]", "[[adjuster]]", "did you mean 'adjusters'?"),
        ("[[pieces]]", "[[bits]]", "at least one section [[pieces]]"),
        ("mass_g = 14.2", "mass_g = ", "a mistake in its TOML"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, found: str, written: str, words: str) -> None:
    assert found in SOUND
    assert words in problems_of(tmp_path, SOUND.replace(found, written))


def test_a_file_that_cannot_be_read_is_bad_input(tmp_path: Path) -> None:
    rotor = adapt.read_rotor(DEMO / "tail-rotor.toml")
    with pytest.raises(BadInput, match="no readable file"):
        read_holes(tmp_path / "none.toml", rotor)
    (tmp_path / "odd.toml").write_bytes(b'[[holes]]\nname = "\xff"\n')
    with pytest.raises(BadInput, match=r"line 2.*UTF-8"):
        read_holes(tmp_path / "odd.toml", rotor)


STATIONS = """
[[holes]]
name = "1 tip"
blade = "1"
adjuster = "span weight"
radius_mm = 420.0
most_g = 20.0
[[holes]]
name = "1 root"
blade = "1"
adjuster = "span weight"
radius_mm = 300.0
most_g = 20.0
fitted = { "5 g washer" = 3 }
[[holes]]
name = "2 tip"
blade = "2"
adjuster = "span weight"
radius_mm = 420.0
most_g = 20.0
[[pieces]]
name = "5 g washer"
mass_g = 5.0
"""


def test_what_a_blade_may_carry_in_all_comes_from_the_rotor_file(tmp_path: Path) -> None:
    holes = read(tmp_path, STATIONS)
    assert holes.totals == (
        Total("span weight on blade 1", ("1 tip", "1 root"), 24.0),
        Total("span weight on blade 2", ("2 tip",), 24.0),
    )
    # 15 of the 24 g that the blade may carry stand at the root: one washer more, not three.
    one = share(holes, 5.0 * 420.0, tolerance_g_mm=1.0)
    assert {c.hole: dict(c.put) for c in one.changes} == {"1 tip": {"5 g washer": 1}}
    three = share(holes, 15.0 * 420.0 + 0j, tolerance_g_mm=1.0)
    assert not three.feasible
    assert "what one blade may carry in all by the rotor file" in three.stopped_by
    then = {"1 root": {"5 g washer": 3}} | {c.hole: c.after for c in three.changes}
    assert sum(sum(of.values()) for hole, of in then.items() if hole[0] == "1") <= 4


def test_a_blade_over_what_it_may_carry_in_all_is_told(tmp_path: Path) -> None:
    text = STATIONS.replace('"5 g washer" = 3', '"5 g washer" = 4')
    text = text.replace('name = "1 tip"', 'name = "1 tip"\nfitted = { "5 g washer" = 1 }')
    assert read(tmp_path, text).over() == ("span weight on blade 1: 25 g in all; 24 g are allowed",)


def test_ranges_that_adjusters_share_bound_their_holes_together(tmp_path: Path) -> None:
    rotor = (DEMO / "tail-rotor.toml").read_text(encoding="utf-8")
    rotor += """
[[shared_ranges]]
adjusters = ["span weight", "chord weight"]
fitted_range = [0.0, 30.0]
"""
    (tmp_path / "rotor.toml").write_text(rotor, encoding="utf-8")
    (tmp_path / "holes.toml").write_text(
        STATIONS.replace('"span weight"', '"chord weight"', 1), encoding="utf-8"
    )
    holes = read_holes(tmp_path / "holes.toml", adapt.read_rotor(tmp_path / "rotor.toml"))
    shared = [total for total in holes.totals if " and " in total.what]
    assert shared == [Total("span weight and chord weight on blade 1", ("1 tip", "1 root"), 30.0)]
