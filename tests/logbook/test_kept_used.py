"""What is kept in a logbook is used where it is needed: rotor files that check, maps that read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from books import DEMO, ONE_JOB, written

from adapt.cli import main

MAP = """
[map]
name = "hand recorder"

[[readings]]
job = "Card"
run = "Run"
regime = { text = "hover" }
sensor = { text = "cabin lateral" }
amplitude = "Amp"
clock = "Clock"
"""


def asked(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    status = main(["logbook", *(str(word) for word in words)])
    printed = capsys.readouterr()
    return status, printed.out + printed.err


def test_kept_rotor_files_check_what_comes_in_and_kept_maps_read_it(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "recorder.toml").write_text(MAP)
    asked(capsys, "new", place)
    for words in (["--rotor", DEMO / "main-rotor.toml"], ["--map", tmp_path / "recorder.toml"]):
        assert asked(capsys, "keep", place, *words)[0] == 0
    folder = written(tmp_path / "log", {"runs": ONE_JOB["runs"]})
    assert asked(capsys, "import", place, folder)[0] == 0
    table = tmp_path / "table.csv"
    table.write_text("Card,Run,Amp,Clock\nJ-1,1,0.30,13:75\n")
    status, said = asked(capsys, "import", place, table, "--map", "hand recorder")
    assert status == 2
    assert "13:75" in said
    table.write_text("Card,Run,Amp,Clock\nJ-1,1,0.30,4:20\n")
    status, said = asked(capsys, "import", place, table, "--map", "hand recorder", "--json")
    assert status == 0
    assert json.loads(said)["tables"]["readings"]["new"] == 1
    status, said = asked(capsys, "correct", place, "readings", "1", "--set", "clock", "13:75",
                         "--note", "x")  # fmt: skip
    assert status == 2
    assert "a clock angle" in said
    status, said = asked(capsys, "import", place, table, "--map", "hand recoder")
    assert status == 2
    assert "did you mean 'hand recorder'" in said
