"""The commands setup and reference: what they print and write, and how they end."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from set_ups import CHART, HERE, written

from adapt.cli import main
from adapt.commands import parser

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
ROTOR = """
[rotor]
name = "main rotor"
blades = ["A", "B", "C", "D"]
rpm = 240
[[sensors]]
name = "cabin lateral"
unit = "ips"
reading_sd = 0.01
run_to_run_sd = 0.01
[[sensors]]
name = "mast radial"
unit = "ips"
reading_sd = 0.01
run_to_run_sd = 0.01
[[regimes]]
name = "hover"
[[adjusters]]
name = "hub weight"
unit = "g"
step = 20
fitted_range = [0, 400]
"""
READINGS = "sensor,regime,amplitude,clock\ncabin lateral,hover,{},{}\nmast radial,hover,{},{}\n"


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    written(tmp_path, "rotor.toml", ROTOR)
    written(tmp_path, "here.toml", HERE)
    written(tmp_path, "chart.toml", CHART)
    written(tmp_path, "before.csv", READINGS.format(0.3, "4:20", 0.4, "9:00"))
    written(tmp_path, "after.csv", READINGS.format(0.3, "7:20", 0.4, "12:00"))
    written(
        tmp_path,
        "chart.csv",
        "sensor,regime,adjuster,amplitude,clock\n"
        "cabin lateral,hover,hub weight,0.003,3:00\nmast radial,hover,hub weight,0.002,5:00\n",
    )
    return tmp_path


def test_setup_turns_a_reading_a_table_a_chart_and_draws(files: Path, capsys) -> None:
    words = [
        "setup",
        "rotor.toml",
        "here.toml",
        "chart.toml",
        "--json",
        "--reading",
        "cabin lateral",
        "0.3",
        "4:20",
        "--readings",
        "before.csv",
        "out.csv",
        "--chart",
        "chart.csv",
        "chart-here.csv",
        "--figure",
        "f.svg",
        "--seen-from",
        "below",
    ]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    turned = document["readings"][0]["chart"]["phase_deg"]
    assert turned == pytest.approx(360.0 - (130.0 + 85.0 + 10 / 180 * 90 / 3.141592653589793))
    rows = (files / "out.csv").read_text().splitlines()
    assert float(rows[1].split(",")[-1]) == pytest.approx(turned)
    assert document["written"]["readings"]["turned"] == 2
    assert (files / "chart-here.csv").exists()
    assert (files / "f.svg").read_text().startswith("<?xml")


def test_what_was_turned_comes_back_with_the_set_ups_exchanged(files: Path, capsys) -> None:
    assert main(["setup", "rotor.toml", "here.toml", "chart.toml",
                 "--readings", "before.csv", "out.csv"]) == 0  # fmt: skip
    assert "a rotor file for it says so too" in capsys.readouterr().err
    lead = ROTOR.replace('name = "cabin lateral"', 'name = "cabin lateral"\nphase = "lead"')
    written(files, "chart-rotor.toml", lead)
    explicit = HERE.replace('positive = "left"', 'positive = "left"\nphase = "lag"')
    written(files, "here.toml", explicit)
    assert main(["setup", "chart-rotor.toml", "chart.toml", "here.toml",
                 "--readings", "out.csv", "back.csv"]) == 0  # fmt: skip
    clocks = [row.split(",")[3] for row in (files / "back.csv").read_text().splitlines()[1:]]
    assert clocks == ["4:20", "9:00"]


def test_nothing_is_written_when_a_sensor_cannot_be_turned(files: Path, capsys) -> None:
    written(files, "chart.toml", CHART.replace("Mast collar", "gearbox"))
    words = ["setup", "rotor.toml", "here.toml", "chart.toml", "--readings", "before.csv",
             "out.csv", "--figure", "f.svg"]  # fmt: skip
    assert main(words) == 1
    assert "elsewhere on the machine" in capsys.readouterr().err
    assert not (files / "out.csv").exists()
    assert not (files / "f.svg").exists()
    assert main([*words[:4], "--reading", "mast radial", "1", "3:00"]) == 1
    assert main(words[:4]) == 0
    assert "mast radial: cannot be turned" in " ".join(capsys.readouterr().out.split())


def test_problems_of_both_set_ups_and_of_every_reading_are_told(files: Path, capsys) -> None:
    written(files, "here.toml", HERE.replace('blade = "A"', 'blade = "Z"'))
    written(files, "chart.toml", CHART.replace('"leading"', '"front"'))
    assert main(["setup", "rotor.toml", "here.toml", "chart.toml"]) == 2
    told = capsys.readouterr().err
    assert "here.toml, line 11" in told
    assert "chart.toml, line 15" in told
    written(files, "here.toml", HERE)
    written(files, "chart.toml", CHART)
    assert main(["setup", "rotor.toml", "here.toml", "chart.toml", "--reading", "cabin", "-1", "x",
                 "--reading", "mast radial", "nan", "3:00"]) == 2  # fmt: skip
    told = capsys.readouterr().err
    assert all(found in told for found in ("'cabin'", "'-1'", "'x'", "'nan'"))


@pytest.mark.parametrize("words", [["--job", "J-1"], ["--seen-from", "below"]])
def test_options_that_need_another_say_so(files: Path, words: list[str], capsys) -> None:
    assert main(["setup", "rotor.toml", "here.toml", "chart.toml", *words]) == 2
    assert "goes with" in capsys.readouterr().err


def test_reference_tells_a_quarter_turn(files: Path, capsys) -> None:
    assert main(["reference", "rotor.toml", "before.csv", "after.csv", "--setup",
                 "here.toml"]) == 0  # fmt: skip
    assert "near a quarter turn" in " ".join(capsys.readouterr().out.split())
    assert main(["reference", "rotor.toml", "before.csv", "before.csv", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "as before"


def test_reference_takes_moves_between_into_account(files: Path, capsys) -> None:
    # 80 g on A by the chart: 0.24 at 3:00 and 0.16 at 5:00, worked out by hand.
    written(files, "before.csv", READINGS.format(0.3, "3:00", 0.4, "11:00"))
    written(files, "after.csv", READINGS.format(0.54, "3:00", 0.24, "11:00"))
    words = ["reference", "rotor.toml", "before.csv", "after.csv", "--json"]
    assert main([*words, "--chart", "chart.csv", "--move", "A", "hub weight", "80"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "as before"
    assert main(words) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "changed"


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["--move", "A", "hub weight", "1"], "go together"),
        (["--chart", "chart.csv"], "go together"),
        (["--chart", "chart.csv", "--move", "Z", "tab", "x"], "'Z'"),
        (["--scatter", "0"], "above 0"),
    ],
)
def test_reference_says_what_is_wrong_with_its_words(
    files: Path, words: list[str], found: str, capsys
) -> None:
    assert main(["reference", "rotor.toml", "before.csv", "after.csv", *words]) == 2
    assert found in capsys.readouterr().err


@pytest.mark.parametrize("command", ["setup", "reference"])
def test_the_examples_in_the_help_are_understood(command: str, capsys) -> None:
    assert main([command, "--help"]) == 0
    lines = capsys.readouterr().out.split("example:")[1].strip().splitlines()
    assert len(lines) == 3
    for line in lines:
        asked = parser().parse_args(shlex.split(line)[1:])
        assert asked.command == command


def test_a_table_in_another_unit_than_the_rotor_file_is_refused(files: Path, capsys) -> None:
    text = READINGS.format(7.6, "4:20", 10.2, "9:00").replace("amplitude", "amplitude [mm/s]")
    written(files, "metric.csv", text)
    words = ["setup", "rotor.toml", "here.toml", "chart.toml", "--readings", "metric.csv", "o.csv"]
    assert main(words) == 2
    assert "the unit 'mm/s' in the header" in capsys.readouterr().err
    assert not (files / "o.csv").exists()


@pytest.mark.parametrize(
    "words",
    [
        ["--readings", "before.csv", "before.csv"],
        ["--chart", "chart.csv", "./chart.csv"],
        ["--chart", "chart.csv", "here.toml"],
        ["--chart", "chart.csv", "out.svg", "--figure", "out.svg"],
    ],
)
def test_what_is_turned_never_takes_the_place_of_a_file_that_is_read(
    files: Path, words: list[str], capsys
) -> None:
    before = {f.name: f.read_bytes() for f in files.iterdir()}
    assert main(["setup", "rotor.toml", "here.toml", "chart.toml", *words]) == 2
    assert "expected another file to write to" in capsys.readouterr().err
    assert {f.name: f.read_bytes() for f in files.iterdir()} == before


def test_a_chart_is_not_written_over_the_points_it_is_made_from(tmp_path: Path, capsys) -> None:
    points = tmp_path / "points.csv"
    points.write_bytes((DEMO / "tail-points.csv").read_bytes())
    words = ["from-paper", str(DEMO / "tail-rotor.toml"), str(points)]
    assert main([*words, "--output", str(points)]) == 2
    assert "expected another file to write to" in capsys.readouterr().err
    assert points.read_bytes() == (DEMO / "tail-points.csv").read_bytes()
    assert main([*words, "--output", ""]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_job_that_is_not_there_is_told_with_names_as_they_are(files: Path, capsys) -> None:
    written(files, "jobs.csv", "job,sensor,amplitude,clock\n,cabin lateral,0.3,4:20\n")
    words = ["setup", "rotor.toml", "here.toml", "chart.toml", "--readings", "jobs.csv", "o.csv"]
    assert main([*words, "--job", "J-1"]) == 2
    assert "(known: '')" in capsys.readouterr().err


def test_a_scatter_beyond_all_measure_is_refused(files: Path, capsys) -> None:
    assert main(["reference", "rotor.toml", "before.csv", "after.csv", "--scatter", "1e300"]) == 2
    assert "standard deviation" in capsys.readouterr().err
