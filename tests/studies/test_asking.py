"""Studies refuse what is asked wrongly before they begin, and end in one line when stopped."""

from __future__ import annotations

import argparse
import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import fleet_speed
import large_fleet
import learning_scale
from asking import folder, seconds, whole

STUDIES = Path(__file__).parents[2] / "studies"

SLOW = r"""
import os, sys, time
from pathlib import Path
from asking import ended
from loop_workers import executor_of, run_all

def work(task):
    if task:
        os.write(1, b"at it\n")
        time.sleep(60)
    return [task]

def main():
    with executor_of(int(sys.argv[1])) as executor:
        run_all(work, range(9), executor, folder=Path(sys.argv[2]))

if __name__ == "__main__":
    ended(main)
"""


@pytest.mark.parametrize("text", ["0", "-3", "x", "2.5", ""])
def test_a_number_too_small_or_none_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="expected a whole number, 1 or more"):
        whole(1)(text)


def test_numbers_that_will_do() -> None:
    assert (whole(1)("1"), whole(0)("0"), seconds("0.5")) == (1, 0, 0.5)


@pytest.mark.parametrize("text", ["0", "-1", "x", "nan", "inf"])
def test_no_time_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="expected seconds above 0"):
        seconds(text)


def test_a_folder_may_be_new_but_no_file(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert folder(str(tmp_path)) == tmp_path
    assert folder(str(tmp_path / "new" / "newer")) == tmp_path / "new" / "newer"
    assert not (tmp_path / "new").exists()
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(argparse.ArgumentTypeError, match="is a file"):
            folder(str(place))


def results_in(file: Path) -> int:
    """Return how many results a study keeps; before them stands what code it is of."""
    count = -1
    with file.open("rb") as kept:
        try:
            while True:
                pickle.load(kept)
                count += 1
        except (EOFError, pickle.UnpicklingError):  # the end, or in mid-write
            return count


def until(happened: Callable[[], bool]) -> None:
    for _ in range(300):
        if happened():
            return
        time.sleep(0.1)
    raise AssertionError("it did not happen within 30 s")


@pytest.mark.parametrize(("workers", "told"), [(1, "INT"), (2, "INT"), (2, "TERM")])
def test_stopped_it_ends_at_once_in_a_line_and_leaves_no_process(
    tmp_path: Path, workers: int, told: str
) -> None:
    script = tmp_path / "slow.py"
    script.write_text(SLOW)
    study = subprocess.Popen(
        [sys.executable, script, str(workers), tmp_path / "kept"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(STUDIES), *sys.path])},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        # A shell that runs tests in the background has Ctrl-C ignored, and so would this.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL) and None,
    )  # fmt: skip
    try:
        assert study.stdout is not None
        for _ in range(workers):
            assert study.stdout.readline() == "at it\n"
        until(lambda: results_in(tmp_path / "kept" / "begun.pickle") == 1)
        if told == "INT":
            os.killpg(study.pid, signal.SIGINT)  # as Ctrl-C does
        else:
            study.terminate()
        _, errors = study.communicate(timeout=30)
        assert study.returncode == 130
        assert "Traceback" not in errors
        assert errors.splitlines()[-2].startswith("jobs: 1 of 9 done; the same command goes on")
        with pytest.raises(ProcessLookupError):
            os.killpg(study.pid, 0)
    finally:
        if study.poll() is None:
            os.killpg(study.pid, signal.SIGKILL)


@pytest.mark.parametrize(
    ("study", "work", "answer", "quick"),
    [
        (fleet_speed, "compared", [("one", 1.0)], 40),
        (large_fleet, "measured", [("one", 1.0, 1.0, 1.0)], 300),
        (learning_scale, "measured", [("one", 1.0)], 20),
    ],
)
def test_quick_is_quick_and_a_number_is_that_number(
    study, work: str, answer: Sequence, quick: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked = []

    def note(*numbers: int) -> Sequence:
        asked.append(numbers[0])
        return answer

    monkeypatch.setattr(study, work, note)
    for words in (["--quick"], ["7"], ["7", "--folder", str(tmp_path)]):
        monkeypatch.setattr(sys, "argv", ["study", *words])
        study.main()
    assert asked == [quick, 7, 7]
    kept = {path.suffix for path in tmp_path.iterdir()}
    assert kept == {".txt", ".csv", ".png", ".svg"}


@pytest.mark.parametrize(
    "words",
    [
        "flights_to_limits --jobs 0", "sensitivity --workers 0", "wrong_entries_cost --seed -1",
        "planner_speed --problems 0", "prediction_coverage --jobs 1",
        "chance_calibration --jobs 0", "learning_scale 0",
    ],
)  # fmt: skip
def test_a_study_refuses_before_it_begins(words: str) -> None:
    study, *asked = words.split()
    done = subprocess.run(
        [sys.executable, STUDIES / f"{study}.py", *asked], capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 2
    assert "expected a whole number" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr
