"""A long study that was stopped goes on where it was, and never from half a result."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import begun
from loop_workers import run_all

ASKED: list[int] = []


def double(number: int) -> list[int]:
    ASKED.append(number)
    if number == 3 and len(ASKED) < 5:
        raise KeyboardInterrupt
    return [2 * number]


@pytest.fixture(autouse=True)
def nothing_asked() -> None:
    ASKED.clear()


def test_only_what_is_left_is_done_again(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        run_all(double, range(5), folder=tmp_path)
    assert ASKED == [0, 1, 2, 3]
    assert run_all(double, range(5), folder=tmp_path) == [0, 2, 4, 6, 8]
    assert ASKED == [0, 1, 2, 3, 3, 4]
    assert run_all(double, range(6), folder=tmp_path) == [0, 2, 4, 6, 8, 10]
    assert ASKED[6:] == [5]


def test_a_result_that_was_written_in_part_is_done_again(tmp_path: Path) -> None:
    run_all(double, range(3), folder=tmp_path)
    path = tmp_path / "begun.pickle"
    path.write_bytes(path.read_bytes()[:-4])
    ASKED.clear()
    assert run_all(double, range(3), folder=tmp_path) == [0, 2, 4]
    assert ASKED == [2]
    ASKED.clear()
    assert run_all(double, range(3), folder=tmp_path) == [0, 2, 4]
    assert ASKED == []


def test_results_of_another_state_of_the_code_are_set_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run_all(double, range(2), folder=tmp_path)
    was = (tmp_path / "begun.pickle").read_bytes()
    monkeypatch.setattr(begun, "AT_START", "another")
    run_all(double, range(2), folder=tmp_path)
    assert ASKED == [0, 1, 0, 1]
    assert (tmp_path / "begun-before.pickle").read_bytes() == was
    assert "another state of the code" in capsys.readouterr().err


def test_code_that_changes_meanwhile_is_not_the_code_that_worked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_all(double, range(2), folder=tmp_path)
    monkeypatch.setattr(begun, "code", lambda: "changed on disk, not in this process")
    run_all(double, range(3), folder=tmp_path)
    assert ASKED == [0, 1, 2]


def test_without_a_folder_nothing_is_kept() -> None:
    run_all(double, range(2))
    assert run_all(double, range(2)) == [0, 2]
    assert ASKED == [0, 1, 0, 1]
