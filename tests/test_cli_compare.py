"""`adapt compare`: what it writes never takes the place of what it reads, nor hides the answer."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from demo_folder import copied_demo, keep_jobs

import adapt
from adapt.cli import main
from adapt.problems import AdaptError


class Small:
    """The tail rotor's files with the log of two rotors."""

    def __init__(self, folder: Path) -> None:
        demo = copied_demo(folder / "demo")
        self.rotor, self.chart, self.log = demo.tail_rotor, demo.tail_chart, demo.log
        keep_jobs(Path(self.log), {"J-005", "J-035", "J-016", "J-043"})

    def words(self, *more: object) -> list[str]:
        asked = ["compare", self.rotor, self.log, "--chart", self.chart, *more]
        return [str(word) for word in asked]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    return Small(tmp_path_factory.mktemp("small"))


def test_places_that_cannot_be_written_are_told_before_anything_takes_long(
    small, capsys, tmp_path, monkeypatch
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("it began to work")

    monkeypatch.setattr(adapt, "compare", never)
    (tmp_path / "file").write_text("")
    words = ["--corrected-chart", tmp_path / "no folder" / "c.csv", "--figures", tmp_path / "file"]
    assert main(small.words(*words)) == 2
    err = capsys.readouterr().err
    assert "--corrected-chart: found" in err
    assert "--figures: found" in err


@pytest.mark.parametrize("as_json", [True, False])
def test_what_cannot_be_written_in_the_end_hides_no_answer(
    small, capsys, tmp_path, monkeypatch, as_json
) -> None:
    def full(*_: object, **__: object) -> None:
        raise AdaptError("the disk is full")

    monkeypatch.setattr("adapt.chart.write_chart", full)
    words = ["--corrected-chart", tmp_path / "c.csv", *(["--json"] if as_json else [])]
    assert main(small.words(*words)) == 2
    out, err = capsys.readouterr()
    assert "the disk is full" in err
    if as_json:
        document = json.loads(out)
        assert document["summary"]
        assert document["not_written"] == ["the disk is full"]
    else:
        assert "Over all regimes" in out


def test_where_every_job_is_set_aside_it_says_so_beside_what_it_cannot_write(
    small, capsys, tmp_path
) -> None:
    log = Path(shutil.copytree(small.log, tmp_path / "log"))
    text = (log / "readings.csv").read_text().replace(":", ":9")
    (log / "readings.csv").write_text(text)
    words = small.words("--corrected-chart", tmp_path / "c.csv")
    words[2] = str(log)
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert "left out because of faults" in err
    assert "no chart can be put right" in err
    assert "0 runs of 0 jobs" in out


def test_a_log_that_teaches_nothing_is_not_said_to_show_a_chart(small, capsys, tmp_path) -> None:
    log = Path(shutil.copytree(small.log, tmp_path / "log"))
    (log / "moves.csv").unlink()
    words = small.words("--corrected-chart", tmp_path / "c.csv")
    words[2] = str(log)
    assert main(words) == 0
    assert "its numbers are the chart's" in capsys.readouterr().err
