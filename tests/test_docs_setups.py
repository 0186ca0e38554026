"""The example set-ups of the docs are read, and turn readings as the page says."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from adapt.cli import main
from adapt.commands import parser

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "setups.md").read_text(encoding="utf-8")


def test_the_example_set_ups_turn_a_reading_as_the_page_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    files = re.findall(r"<!-- example: (\S+) -->\n```toml\n(.*?)```", PAGE, re.DOTALL)
    assert [name for name, _ in files] == ["here.toml", "chart-setup.toml"]
    for name, text in files:
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    rotor = str(ROOT / "datasets" / "demo" / "tail-rotor.toml")
    assert main(["setup", rotor, "here.toml", "chart-setup.toml"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    said = re.search(r"a reading of 4:20 is (\d+:\d\d)\.", PAGE)
    assert said is not None
    assert f"a reading of 4:20 here is {said[1]} on the chart" in printed


def test_the_commands_of_the_page_are_understood() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)
    lines = [line for block in blocks for line in block.strip().splitlines()]
    assert len(lines) == 5
    for line in lines:
        assert parser().parse_args(shlex.split(line)[1:]).command in ("setup", "reference")
