"""The page on the logbook shows what its commands print, one after the other, on the demo."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demo_folder import copied_demo

from adapt.cli import main
from adapt.commands.logbook import VERBS
from tests.printed import block, lacking, named, words

PAGE = (Path(__file__).parents[1] / "docs" / "logbook.md").read_text(encoding="utf-8")


def test_the_commands_of_the_page_print_what_it_shows_one_after_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    demo = copied_demo(tmp_path / "demo").folder
    monkeypatch.chdir(demo)
    for name in named(PAGE, "command"):
        assert main(words(PAGE, name)) == 0, name
        printed = capsys.readouterr().out.splitlines()
        assert lacking(block(PAGE, f"printed: {name}"), printed) is None, (name, printed)
    found = re.search(r"<!-- python -->\n```python\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    values: dict[str, object] = {}
    exec(found[1], values)
    found_again = values["found"]
    assert found_again.new == 0  # type: ignore[attr-defined]
    # The reading that was corrected, and the move that was taken out.
    assert found_again.conflict_count == 2  # type: ignore[attr-defined]
    for file in ("runs", "readings", "track", "moves", "fitted", "events"):
        written = (demo / "as-imported" / f"{file}.csv").read_bytes()
        assert written == (demo / "log" / f"{file}.csv").read_bytes(), file


def test_the_page_names_every_verb() -> None:
    listed = re.findall(r"\| (`[a-z-]+`(?:, `[a-z-]+`)*) \|", PAGE)
    assert {verb for row in listed for verb in re.findall(r"`([a-z-]+)`", row)} == set(VERBS)
