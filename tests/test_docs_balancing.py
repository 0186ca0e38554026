"""The page on balancing shows what its commands print, in the demo folder with its examples."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demo_folder import copied_demo

from adapt.cli import main
from tests.printed import block, lacking, named, words, write_examples

PAGE = (Path(__file__).parents[1] / "docs" / "balancing.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    demo = copied_demo(tmp_path_factory.mktemp("page") / "demo").folder
    write_examples(PAGE, demo)
    return demo


@pytest.mark.parametrize("name", named(PAGE, "command"))
def test_a_command_prints_what_the_page_shows(
    name: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(folder)
    assert main(words(PAGE, name)) == 0
    printed = capsys.readouterr().out.splitlines()
    assert lacking(block(PAGE, f"printed: {name}"), printed) is None


def test_every_command_of_the_table_stands_on_this_page_or_the_one_it_names() -> None:
    listed = set(re.findall(r"\| `adapt ([a-z-]+)`(?! \()", PAGE))
    assert {words(PAGE, name)[0] for name in named(PAGE, "command")} == listed


def test_the_python_of_the_page_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    monkeypatch.chdir(folder)
    values: dict[str, object] = {}
    exec(found[1], values)
    assert values["chart"] is not None
    assert values["following"].name == "balance on the ground"  # type: ignore[attr-defined]
    assert values["washers"].proven  # type: ignore[attr-defined]
