"""Holes in two planes: each is shared by itself, and what is wrong with them is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapt.balancing.shares import Holes, of_plane, read_holes
from adapt.cli import main
from adapt.planning.plan import Move
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Regime, Rotor, Sensor

FAN = """
[rotor]
name = "oil cooler fan"
blades = ["1", "2", "3", "4"]
rpm = 1480
[[sensors]]
name = "bearing"
unit = "mm/s"
[[regimes]]
name = "full speed"
[[adjusters]]
name = "front weight"
unit = "g"
step = 1
fitted_range = [0, 20]
[[adjusters]]
name = "rear weight"
unit = "g"
step = 1
fitted_range = [0, 20]
"""
ROTOR = Rotor(
    "oil cooler fan",
    ("1", "2", "3", "4"),
    1480.0,
    (Sensor("bearing", "mm/s"),),
    (Regime("full speed"),),
    tuple(Adjuster(f"{where} weight", "g", 1.0, (0.0, 20.0)) for where in ("front", "rear")),
    (),
)
PIECES = '[[pieces]]\nname = "5 g"\nmass_g = 5.0\n'
FRONT, REAR = Move("1", "front weight", 5.0), Move("3", "rear weight", 10.0)


def written(adjusters: dict[str, str], holes: dict[str, str]) -> str:
    """Return a holes file; lines more for the adjusters and for the holes of each, by "front"."""
    text = PIECES
    for where in ("front", "rear"):
        more = adjusters.get(where, "")
        text += f'[[adjusters]]\nname = "{where} weight"\nradius_mm = 100.0\n{more}\n'
        for blade in ROTOR.blades:
            text += (
                f'[[holes]]\nname = "{where} {blade}"\nblade = "{blade}"\nradius_mm = 100.0\n'
                f'most_g = 20.0\nadjuster = "{where} weight"\n{holes.get(where, "")}\n'
            )
    return text


def read(folder: Path, text: str) -> Holes:
    (folder / "holes.toml").write_text(text, encoding="utf-8")
    return read_holes(folder / "holes.toml", ROTOR)


PLANES = {"front": 'plane = "A"', "rear": 'plane = "B"'}


@pytest.mark.parametrize(("adjusters", "holes"), [(PLANES, {}), ({}, PLANES), (PLANES, PLANES)])
def test_holes_and_adjusters_take_the_plane_from_each_other(
    tmp_path: Path, adjusters: dict[str, str], holes: dict[str, str]
) -> None:
    found = read(tmp_path, written(adjusters, holes))
    assert {hole.plane for hole in found.holes if hole.name.startswith("front")} == {"A"}
    assert {place.adjuster: place.plane for place in found.places} == {
        "front weight": "A", "rear weight": "B",
    }  # fmt: skip
    rear = of_plane(found, [REAR])
    assert {hole.name for hole in rear.holes} == {f"rear {blade}" for blade in ROTOR.blades}
    assert [place.adjuster for place in rear.places] == ["rear weight"]
    assert {total.what for total in rear.totals} == {
        f"rear weight on blade {blade}" for blade in ROTOR.blades
    }


def test_a_file_without_planes_has_one(tmp_path: Path) -> None:
    found = read(tmp_path, written({}, {}))
    assert of_plane(found, [FRONT, REAR]) == found


def test_what_is_not_one_plane_is_refused(tmp_path: Path) -> None:
    found = read(tmp_path, written(PLANES, {}))
    with pytest.raises(BadInput, match="more than one plane"):
        of_plane(found, [FRONT, REAR])
    with pytest.raises(BadInput, match="more than one plane"):
        of_plane(found, [FRONT], "B")
    with pytest.raises(BadInput, match=r"2 planes \(A, B\)"):
        of_plane(found)
    with pytest.raises(BadInput, match="found 'C', expected a plane of the holes file"):
        of_plane(found, (), "C")
    with pytest.raises(BadInput, match="name no planes"):
        of_plane(read(tmp_path, written({}, {})), (), "A")


def test_a_hole_in_no_plane_or_in_another_than_its_adjuster_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as told:
        read(tmp_path, written({"front": 'plane = "A"'}, {}))
    lacking = [p for p in told.value.problems if p.found == "no plane"]
    assert len(lacking) == 5  # four holes and their adjuster
    assert all(p.row is not None for p in lacking)
    with pytest.raises(BadInput, match="expected 'A', the plane of front weight"):
        read(tmp_path, written(PLANES, {"front": 'plane = "B"', "rear": 'plane = "B"'}))


def test_the_command_shares_one_plane_and_warns_of_planes_that_are_not_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "fan.toml").write_text(FAN, encoding="utf-8")
    path = tmp_path / "holes.toml"
    words = ["share", str(tmp_path / "fan.toml"), str(path), "--move", "1", "front weight", "5"]
    both = [*words, "--move", "3", "rear weight", "10"]
    path.write_text(written(PLANES, {}), encoding="utf-8")
    assert main(both) == 2
    assert main(words) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "only the holes of plane A are looked at" in said
    assert "front 1" in said
    path.write_text(written({}, {}), encoding="utf-8")
    assert main(both) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "front weight and rear weight stand in different planes, this answer is wrong" in said
