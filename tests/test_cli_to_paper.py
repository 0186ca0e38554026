"""The command `to-paper`, on the demo's tail rotor."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest

from adapt.cli import main
from adapt.commands import parser

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
FILES = [str(DEMO / "tail-rotor.toml"), str(DEMO / "log")]


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("learned") / "tail.json"
    chart = str(DEMO / "tail-chart.csv")
    assert main(["learn", *FILES, "--chart", chart, "--output", str(path), "--json"]) == 0
    return str(path)


def words(learned: str, *more: str) -> list[str]:
    return ["to-paper", *FILES, "--coefficients", learned, *more]


def test_a_chart_is_written_and_its_numbers_are_told(learned, tmp_path: Path, capsys) -> None:
    output = tmp_path / "tail.pdf"
    asked = words(
        learned, "--sensor", "gearbox radial", "--regime", "hover", "--serial", "TR-305",
        "--paper", "letter", "--example", "0.5", "4:20", "--output", str(output),
    )  # fmt: skip
    capsys.readouterr()
    assert main([*asked, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert output.read_bytes().startswith(b"%PDF")
    assert (document["rotor"], document["paper"], document["limit"]) == ("TR-305", "letter", 0.2)
    first, second = document["axes"]
    assert [first["adjuster"], second["adjuster"]] == ["span weight", "chord weight"]
    assert first["pairs"] > 0
    assert document["taught"]["pairs"]
    example = document["example"]
    left = complex(example["left"]["real"], example["left"]["imag"])
    reading = complex(example["reading"]["real"], example["reading"]["imag"])
    for axis in (first, second):
        reading += axis["amount"] * complex(axis["effect"]["real"], axis["effect"]["imag"])
    assert left == pytest.approx(reading)
    assert example["reading"]["phase_deg"] == pytest.approx(130.0)

    assert main(asked) == 0
    told = capsys.readouterr().out
    assert "span weight on blade 1" in told
    assert "Rotating blades kill" in told


def test_all_that_is_wrong_with_the_words_is_told_before_anything_is_learned(capsys) -> None:
    asked = ["to-paper", "no.toml", "no-log", "--sensor", "s", "--regime", "r"]
    assert main([*asked, "--output", "chart.png", "--example", "-1", "13:75"]) == 2
    told = capsys.readouterr().err
    for text in ("'chart.png'", "'-1'", "'13:75'"):
        assert text in told
    assert "no.toml" not in told


def test_what_cannot_be_drawn_ends_with_one_and_writes_nothing(
    learned, tmp_path: Path, capsys
) -> None:
    output = tmp_path / "tail.svg"
    where = ["--sensor", "gearbox radial", "--regime", "hover", "--output", str(output)]
    axes = ["--axis", "1", "span weight", "--axis", "2", "span weight"]
    assert main(words(learned, *where, *axes)) == 1
    assert "deg from parallel" in capsys.readouterr().err
    assert main(words(learned, *where, "--serial", "TR-999", "--axis", "3", "span weight")) == 2
    told = capsys.readouterr().err
    assert "'TR-999'" in told
    assert "'3'" in told
    assert not output.exists()


def test_the_examples_of_the_help_are_understood(capsys) -> None:
    assert main(["to-paper", "--help"]) == 0
    lines = capsys.readouterr().out.split("example:")[1].strip().splitlines()
    assert len(lines) == 3
    for line in lines:
        assert parser().parse_args(shlex.split(line)[1:]).command == "to-paper"


def test_a_chart_is_drawn_anew_by_whoever_has_no_log(tmp_path: Path, capsys) -> None:
    chart = str(DEMO / "tail-chart.csv")
    asked = ["to-paper", FILES[0], "--sensor", "gearbox radial", "--regime", "hover",
             "--output", str(tmp_path / "anew.pdf")]  # fmt: skip
    assert main([*asked, "--chart", chart, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    effects = {axis["adjuster"]: axis["effect"] for axis in document["axes"]}
    # As in the chart: 0.023 ips at 2:40 and 0.028 ips at 4:40 for one gram.
    assert effects["span weight"]["amplitude"] == pytest.approx(0.023, rel=1e-3)
    assert effects["span weight"]["phase_deg"] == pytest.approx(80.0, abs=0.1)
    assert effects["chord weight"]["amplitude"] == pytest.approx(0.028, rel=1e-3)
    assert [axis["pairs"] for axis in document["axes"]] == [0, 0]
    assert (tmp_path / "anew.pdf").read_bytes().startswith(b"%PDF")
    assert main(asked) == 2
    assert "give a log, or a chart or coefficients" in capsys.readouterr().err


def test_a_page_from_coefficients_needs_no_log(learned, tmp_path: Path, capsys) -> None:
    output = str(tmp_path / "type.pdf")
    asked = ["--coefficients", learned, "--sensor", "gearbox radial", "--regime", "hover",
             "--output", output, "--json"]  # fmt: skip
    capsys.readouterr()
    assert main(["to-paper", *FILES, *asked]) == 0
    with_log = json.loads(capsys.readouterr().out)
    assert main(["to-paper", FILES[0], *asked]) == 0
    without = json.loads(capsys.readouterr().out)
    assert [a["effect"] for a in without["axes"]] == [a["effect"] for a in with_log["axes"]]
