"""Reviewing the demo's two wrong entries, as a specialist would type it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from demo_folder import copied_demo, jobs_with, keep_jobs

from adapt.cli import main
from adapt.scenario import Demo


@pytest.fixture
def demo(tmp_path: Path) -> Demo:
    """A copy of the demo that a test may write into, with three of its rotors."""
    demo = copied_demo(tmp_path / "demo")
    keep_jobs(demo.log, jobs_with(demo.log, "rotor", "MR-102", "MR-104", "MR-105"))
    return demo


def asked(demo: Demo, *words: str) -> int:
    files = [str(demo.main_rotor), str(demo.log), "--chart", str(demo.main_chart)]
    return main(["review", *files, *words])


def test_the_demos_wrong_entries_are_accepted_and_taken_back(demo: Demo, capsys) -> None:
    before = {f.name: f.read_bytes() for f in demo.log.iterdir()}
    assert asked(demo, "--json") == 0
    listed = json.loads(capsys.readouterr().out)["suspects"]
    suspects = [s for s in listed if (s["job"], s["run"]) in (("J-039", "2"), ("J-029", "2"))]
    assert {s["kind"] for s in suspects} == {"sign", "neighbouring blade"}
    suspects.sort(key=lambda s: s["kind"] != "sign")
    places = [("--job", s["job"], "--run", s["run"]) for s in suspects]

    assert asked(demo, *places[0], "--accept", "1", "--by", "N. N.", "--note", "card 7") == 0
    text = capsys.readouterr().out
    assert suspects[0]["explanations"][0]["text"] in " ".join(text.split())
    assert asked(demo, *places[1], "--accept", "1", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["recorded"]["review"] == "2"
    assert {c["blade"] for c in document["recorded"]["changes"]} == {"green", "yellow"}

    assert asked(demo, *places[0][:2]) == 0
    text = capsys.readouterr().out
    assert "No entry is suspect here" in text
    assert "N. N." in text
    assert asked(demo, *places[0], "--keep") == 1
    assert "review 1: accept" in capsys.readouterr().err

    now = {f.name: f.read_bytes() for f in demo.log.iterdir()}
    assert {name: data for name, data in now.items() if name in before} == before
    for place in places:
        assert asked(demo, *place, "--undo") == 0
    assert "taken back" in capsys.readouterr().out
    assert {f.name: f.read_bytes() for f in demo.log.iterdir()} == before


@pytest.mark.parametrize(
    "words",
    [
        ["--accept", "1"],
        ["--keep", "--job", "J-039"],
        ["--undo", "--run", "2"],
        ["--job", "J-039", "--run", "2", "--accept", "none"],
        ["--job", "J-039", "--run", "2", "--accept", "1", "--keep"],
        ["--job", "J-039", "--run", "2", "--keep", "--amount", "3"],
        ["--job", "J-039", "--run", "2", "--accept", "1", "--amount", "0"],
    ],
)
def test_a_decision_that_is_not_understood_is_bad_input(
    words: list[str], demo: Demo, capsys
) -> None:
    assert asked(demo, *words) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert not (demo.log / "reviews.csv").exists()


def test_nothing_to_take_back_cannot_be_met(demo: Demo, capsys) -> None:
    assert asked(demo, "--job", "J-039", "--run", "2", "--undo", "--json") == 1
    assert "nothing" in json.loads(capsys.readouterr().out)["error"]


def test_the_check_says_what_reviews_do(demo: Demo, capsys) -> None:
    row = "1,J-039,moves,1,2,keep,sign,,N. N.,2026-11-25T10:00:00,\n"
    header = "review,job,table,after_run,run,decision,kind,explanation,by,decided,note\n"
    (demo.log / "reviews.csv").write_text(header + row)
    main(["check", str(demo.main_rotor), str(demo.log)])
    assert "1 pair was found right as entered" in capsys.readouterr().out
    main(["check", str(demo.main_rotor), str(demo.log), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert [r["decision"] for r in document["reviews"]] == ["keep"]
