"""The README shows what the program prints: its demo block is held against a real run."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from demo_folder import copied_demo, jobs_with, keep_jobs

from adapt.cli import main
from adapt.commands import COMMANDS, parser
from tests.printed import block, lacking, same

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def test_only_the_last_place_of_a_number_may_differ() -> None:
    assert same("a 0.84 @ 11:13", "a 0.83 @ 11:12")
    assert not same("a 0.84 @ 11:13", "a 0.82 @ 11:13")
    assert not same("a 0.84", "b 0.84")
    assert not same("3 moves", "3 moves more")


@dataclass(frozen=True)
class Shown:
    """One run of the demo: the lines that it printed, and what was made of it."""

    lines: list[str]
    made: tuple[dict[str, Any], list[Any]]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    """The demo, as `adapt demo` runs it: once for all that is asked of what it shows."""
    from adapt.reports import demo

    made = []

    def remembered(*words: Any, **options: Any) -> Any:
        assert options["quiet"] is False
        made.append(run_demo(*words, **options))
        return made[-1]

    run_demo, printed = demo.run_demo, io.StringIO()
    with pytest.MonkeyPatch.context() as patched, contextlib.redirect_stdout(printed):
        patched.chdir(tmp_path_factory.mktemp("demo"))
        patched.setattr(demo, "run_demo", remembered)
        assert main(["demo"]) == 0
    assert len(made) == 1
    return Shown(printed.getvalue().splitlines(), made[0])


def test_the_demo_prints_what_the_readme_shows(shown: Shown) -> None:
    assert lacking(block(README, "printed: demo"), shown.lines) is None


def test_the_demo_ends_as_the_readme_promises(
    shown: Shown, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from adapt.reports import demo

    def again(folder: str, quiet: bool, program: str) -> Any:
        assert quiet
        return shown.made

    monkeypatch.setattr(demo, "run_demo", again)
    assert main(["demo", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["plan"]["proven"]
    assert document["plan"]["feasible"]
    assert document["tail_plan"]["proven"]
    skill = {
        (row["sensor"], row["method"]): row["skill"]
        for row in document["compare"]["summary"]
        if row["regime"] is None
    }
    sensors = {sensor for sensor, _ in skill}
    assert len(sensors) == 4
    for sensor in sensors:
        assert skill[sensor, "learned"] > skill[sensor, "chart"] > 0.0


@pytest.mark.parametrize("name", ["demo", "tests"])
def test_each_command_is_one_line_that_starts_from_nothing(name: str) -> None:
    lines = block(README, f"command: {name}").strip().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("python3 -m venv .venv && .venv/bin/pip install")


def test_every_command_is_shown_and_understood() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    lines = [x for b in blocks for x in b.splitlines() if x.startswith("adapt ")]
    shown = [parser().parse_args(shlex.split(x, comments=True)[1:]).command for x in lines]
    assert {*shown, "demo"} == set(COMMANDS)


def test_links_lead_somewhere() -> None:
    root = Path(__file__).parents[1]
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert links
    assert [link for link in links if "://" not in link and not (root / link).exists()] == []


def test_the_exit_statuses_of_the_docs_are_those_of_the_commands() -> None:
    from adapt import cli
    from adapt.commands import answering

    text = (Path(__file__).parents[1] / "docs" / "files.md").read_text(encoding="utf-8")
    told = {int(n) for row in re.findall(r"^\| ([\d, ]+) \|", text, re.M) for n in row.split(",")}
    assert told == {
        answering.DONE, answering.CANNOT_BE_MET, answering.BAD_INPUT,
        cli.OWN_MISTAKE, cli.NOT_WRITTEN, cli.INTERRUPTED, cli.READER_GONE,
    }  # fmt: skip


def test_the_python_of_the_readme_runs_in_the_demo_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the jobs of three rotors: what the whole log gives is shown above."""
    demo = copied_demo(tmp_path / "demo")
    keep_jobs(demo.log, jobs_with(demo.log, "rotor", "MR-101", "MR-102", "MR-107"))
    monkeypatch.chdir(demo.folder)
    code = re.search(r"```python\n(.*?)```", README, re.DOTALL)
    assert code is not None
    names: dict[str, object] = {}
    exec(code[1], names)
    assert names["plan"].proven  # type: ignore[attr-defined]
    # Every run but the first of a job, of those that were not excluded.
    assert names["outcome"].runs > 30  # type: ignore[attr-defined]
