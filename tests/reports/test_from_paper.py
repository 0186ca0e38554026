"""`adapt from-paper`: what a person reads, what a script reads, and how it ends."""

import json
import shutil
from pathlib import Path

import pytest

import adapt
from adapt.cli import main

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
ROTOR = str(DEMO / "tail-rotor.toml")


def test_the_demos_points_give_the_chart_they_were_read_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "from-paper.csv"
    points = str(DEMO / "tail-points.csv")
    assert main(["from-paper", ROTOR, points, "--output", str(output)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "3 held back" in said
    assert "Point 3 would fit: one hour off: 5:00 in place of 6:00." in said
    assert "pitch link on gearbox radial in ground run and hover" in said
    rotor = adapt.read_rotor(ROTOR)
    read, drawn = adapt.read_chart(output, rotor), adapt.read_chart(DEMO / "tail-chart.csv", rotor)
    assert abs(read.mean[:2, :2] / drawn.mean[:2, :2] - 1.0).max() < 0.03


def test_the_document_has_effects_points_and_doubts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["from-paper", ROTOR, str(DEMO / "tail-points.csv"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["usable"]
    ground, hover = document["charts"]
    assert (ground["held_back"], hover["held_back"]) == (None, "3")
    assert hover["doubted"][0]["alone"]
    assert hover["doubted"][0]["row"] == 14
    assert [len(chart["points"]) for chart in document["charts"]] == [4, 5]
    effect = hover["effects"][0]
    assert effect["adjuster"] == "span weight"
    assert abs(complex(effect["real"], effect["imag"])) == pytest.approx(effect["amplitude"])


def test_points_that_contradict_each_other_write_no_chart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    points = tmp_path / "points.csv"
    points.write_text(
        "point,sensor,regime,amplitude,clock,blade,adjuster,amount\n"
        "1,gearbox radial,hover,0.3,1:00,1,span weight,-10\n"
        "2,gearbox radial,hover,0.3,1:00,1,span weight,10\n"
    )
    output = tmp_path / "chart.csv"
    assert main(["from-paper", ROTOR, str(points), "--output", str(output)]) == 1
    assert "Points 1 and 2" in capsys.readouterr().out
    assert not output.exists()


def test_a_table_that_cannot_be_read_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(DEMO / "tail-chart.csv", tmp_path / "points.csv")
    assert main(["from-paper", ROTOR, str(tmp_path / "points.csv")]) == 2
    assert "no such column" in capsys.readouterr().err


def test_a_chart_that_says_nothing_of_track_is_told_where_track_has_a_limit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path(ROTOR).read_text(encoding="utf-8")
    text = text.replace("rpm = 1980.0", 'rpm = 1980.0\ntrack_unit = "mm"')
    rotor = tmp_path / "rotor.toml"
    rotor.write_text(f"{text}\n[[limits]]\ntrack = true\nlimit = 6.0\n", encoding="utf-8")
    words = ["from-paper", str(rotor), str(DEMO / "tail-points.csv"), "--json"]
    assert main(words) == 0
    said = json.loads(capsys.readouterr().out)["lacking"]
    assert "what moves the track: rows without a sensor; without them nothing does" in said
    chart = tmp_path / "track.csv"
    rows = (DEMO / "tail-chart.csv").read_text(encoding="utf-8").splitlines()
    rows = [f"{rows[0]},height", *(f"{row}," for row in rows[1:]), ",hover,pitch link,,,4.0"]
    chart.write_text("\n".join(rows), encoding="utf-8")
    assert main([*words, "--chart", str(chart)]) == 0
    assert json.loads(capsys.readouterr().out)["lacking"] == []
