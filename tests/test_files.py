"""A file is written whole or not at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from adapt.files import write_whole
from adapt.problems import AdaptError

WRITER = """
import sys
from adapt.files import write_whole
for k in range(10**6):
    write_whole(sys.argv[1], f"{k % 10}" * 300_000)
    print(k, flush=True)
"""


def test_new_content_takes_the_place_of_the_old(tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    write_whole(file, "old")
    write_whole(file, "new Lärm\n")
    assert file.read_bytes() == "new Lärm\n".encode()
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("delay", [0.0, 0.003, 0.011, 0.02, 0.04])
def test_a_kill_at_any_moment_leaves_a_whole_file(tmp_path: Path, delay: float) -> None:
    file = tmp_path / "a.txt"
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(file)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        for _ in range(3):
            writer.stdout.readline()
        time.sleep(delay)
        writer.send_signal(signal.SIGKILL)
    text = file.read_text()
    assert len(text) == 300_000
    assert len(set(text)) == 1


def test_what_cannot_be_written_says_so_and_leaves_the_old_file(tmp_path: Path) -> None:
    folder = tmp_path / "there"
    folder.mkdir()
    with pytest.raises(AdaptError, match="cannot be written"):
        write_whole(folder, "text")
    with pytest.raises(AdaptError, match="nothing was changed"):
        write_whole(tmp_path / "missing" / "a.txt", "text")
    assert os.listdir(tmp_path) == ["there"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_or_a_device_is_refused_and_stays_what_it_is(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    with pytest.raises(AdaptError, match="no ordinary file"):
        write_whole(pipe, "text")
    assert pipe.is_fifo()


def test_a_failure_in_mid_write_cleans_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.txt"
    write_whole(file, "old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(AdaptError, match="No space left"):
        write_whole(file, "new")
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]
