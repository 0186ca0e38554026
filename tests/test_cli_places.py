"""No file that a command writes takes the place of one that it reads; bad places are told first."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_folder import Demo, copied_demo

import adapt
from adapt.cli import main

JOB = "J-058"
WRITING = {
    "--output": ("learn",),
    "--corrected-chart": ("compare",),
    "--html": ("report", "--job", JOB),
    "--pdf": ("report", "--job", JOB),
}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return copied_demo(tmp_path_factory.mktemp("places") / "demo")


def words(demo: Demo, option: str, place: object) -> list[str]:
    command, *of_job = WRITING[option]
    asked = [command, demo.tail_rotor, demo.log, *of_job, "--chart", demo.tail_chart, option, place]
    return [str(word) for word in asked]


@pytest.mark.parametrize("option", WRITING)
@pytest.mark.parametrize("which", ["chart", "rotor", "moves.csv"])
def test_nothing_that_is_read_is_written_over(demo, capsys, option, which) -> None:
    place = {
        "chart": Path(demo.tail_chart),
        "rotor": Path(demo.tail_rotor),
        "moves.csv": Path(demo.log) / "moves.csv",
    }[which]
    before = place.read_bytes()
    assert main(words(demo, option, place)) == 2
    err = capsys.readouterr().err
    assert f"{option}: found" in err
    assert "expected another file" in err
    assert place.read_bytes() == before


@pytest.mark.parametrize("option", WRITING)
@pytest.mark.parametrize("where", ["no folder/f", "."])
def test_a_place_that_cannot_be_written_is_told_first(
    demo, capsys, tmp_path, monkeypatch, option, where
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("it began to work")

    monkeypatch.setattr(adapt, "learn", never)
    monkeypatch.setattr(adapt, "compare", never)
    assert main(words(demo, option, tmp_path / where)) == 2
    assert "expected a file in a folder that can be written to" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_doubts_about_a_chart_are_told_and_not_all_one_by_one(demo, capsys, tmp_path) -> None:
    lines = Path(demo.tail_chart).read_text(encoding="utf-8").splitlines()
    exact = [lines[0] + ",spread", *(line + ",0" for line in lines[1:])]
    (tmp_path / "exact.csv").write_text("\n".join(exact), encoding="utf-8")
    chart = str(tmp_path / "exact.csv")
    assert main(["learn", str(demo.tail_rotor), str(demo.log), "--chart", chart]) == 0
    err = capsys.readouterr().err
    assert err.count("one of 0 is taken as exact") == 3
    assert f"and {len(lines) - 4} more such rows" in err


def test_two_answers_do_not_share_a_file(demo, capsys, tmp_path) -> None:
    asked = [*words(demo, "--html", tmp_path / "report"), "--pdf", str(tmp_path / "report")]
    assert main(asked) == 2
    assert "which is --html" in capsys.readouterr().err
