"""Compiled loops: kept for the next process, made anew when a source changes, and said so."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from adapt.compiling import cache_folder

INNER = """from adapt.compiling import bare


@bare
def twice(x):
    return {factor} * x
"""
OUTER = """import numpy as np

from adapt.compiling import compiled
from adapt_sample.inner import twice


@compiled
def total(values):
    found = np.zeros(1)
    for x in values:
        found[0] += twice(x)
    return found[0]
"""
MAIN = """import numpy as np

from adapt import compiling
from adapt_sample.outer import total

compiling.tell(lambda line: print("said:", line))
print(total(np.arange(4.0)), len(total.stats.cache_hits), len(total.stats.cache_misses))
"""


def package(folder: Path, factor: float = 2.0) -> Path:
    """Write a package of two modules, one calling the other's loop."""
    made = folder / "adapt_sample"
    made.mkdir(exist_ok=True)
    (made / "__init__.py").write_text("", encoding="utf-8")
    (made / "inner.py").write_text(INNER.format(factor=factor), encoding="utf-8")
    (made / "outer.py").write_text(OUTER, encoding="utf-8")
    return made


def run(folder: Path, **environment: str) -> list[str]:
    """Run the package in a process of its own and return the lines that it printed."""
    kept = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    done = subprocess.run(
        [sys.executable, "-c", MAIN],
        cwd=folder,
        env={
            **kept,
            "PYTHONPATH": os.pathsep.join([str(folder), str(Path(__file__).parents[1])]),
            **environment,
        },
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()


def folders(made: Path) -> list[str]:
    return sorted(x.name for x in (made / "__pycache__").iterdir() if x.is_dir())


def test_the_next_process_reads_what_the_first_made_and_says_nothing(tmp_path: Path) -> None:
    package(tmp_path)
    first = run(tmp_path)
    assert [line.startswith("said: preparing") for line in first] == [True, False]
    assert first[1] == "12.0 0 1"
    assert run(tmp_path) == ["12.0 1 0"]


def test_another_source_of_the_package_makes_all_of_it_anew(tmp_path: Path) -> None:
    """The caller's own file is as it was: by its date alone it would keep the old callee."""
    made = package(tmp_path)
    assert run(tmp_path)[-1] == "12.0 0 1"
    before = folders(made)
    package(tmp_path, factor=3.0)
    assert run(tmp_path)[-1] == "18.0 0 1"
    assert len(folders(made)) == 1  # that of the sources before is gone
    assert folders(made) != before


def test_a_place_that_cannot_be_written_is_passed_over(tmp_path: Path) -> None:
    made = package(tmp_path)
    (made / "__pycache__").write_text("a file where a folder should be", encoding="utf-8")
    home = tmp_path / "cache"
    assert run(tmp_path, XDG_CACHE_HOME=str(home))[-1] == "12.0 0 1"
    assert run(tmp_path, XDG_CACHE_HOME=str(home)) == ["12.0 1 0"]
    assert list((home / "adapt").iterdir())
    blocked = tmp_path / "blocked"
    blocked.write_text("", encoding="utf-8")
    for _ in range(2):  # made for each process alone
        lines = run(tmp_path, XDG_CACHE_HOME=str(blocked))
        assert lines[0].startswith("said: preparing")
        assert lines[1].startswith("12.0")


def test_the_folder_is_named_after_every_source(tmp_path: Path) -> None:
    made = package(tmp_path)
    one = cache_folder(made)
    assert one is not None
    assert one.parent == made / "__pycache__"
    cache_folder.cache_clear()
    assert cache_folder(made) == one
    (made / "third.py").write_text("", encoding="utf-8")
    cache_folder.cache_clear()
    assert cache_folder(made) != one
