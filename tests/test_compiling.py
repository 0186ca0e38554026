"""Compiled loops: kept for the next process, made anew when a source changes, and said so."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from shutil import rmtree

import numba.core.config
import pytest

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
    made.mkdir(exist_ok=True, parents=True)
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


def test_the_next_process_reads_what_the_first_made_and_says_nothing(tmp_path: Path) -> None:
    package(tmp_path / "one")
    first = run(tmp_path / "one", XDG_CACHE_HOME=str(tmp_path))
    assert [line.startswith("said: preparing") for line in first] == [True, False]
    assert first[1] == "12.0 0 1"
    assert run(tmp_path / "one", XDG_CACHE_HOME=str(tmp_path)) == ["12.0 1 0"]
    # Installed elsewhere, of another date, it is the same program.
    package(tmp_path / "other")
    os.utime(tmp_path / "other" / "adapt_sample" / "outer.py", (1, 1))
    assert run(tmp_path / "other", XDG_CACHE_HOME=str(tmp_path)) == ["12.0 1 0"]


def test_another_source_of_the_package_makes_all_of_it_anew(tmp_path: Path) -> None:
    """The caller's own file is as it was: by its date alone it would keep the old callee."""
    package(tmp_path)
    assert run(tmp_path, XDG_CACHE_HOME=str(tmp_path))[-1] == "12.0 0 1"
    package(tmp_path, factor=3.0)
    assert run(tmp_path, XDG_CACHE_HOME=str(tmp_path))[-1] == "18.0 0 1"
    assert len(list((tmp_path / "adapt").iterdir())) == 2
    package(tmp_path)
    assert run(tmp_path, XDG_CACHE_HOME=str(tmp_path)) == ["12.0 1 0"]


def test_a_place_that_cannot_be_written_is_passed_over(tmp_path: Path) -> None:
    made = package(tmp_path)
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder should be", encoding="utf-8")
    assert run(tmp_path, XDG_CACHE_HOME=str(blocked))[-1] == "12.0 0 1"
    assert run(tmp_path, XDG_CACHE_HOME=str(blocked)) == ["12.0 1 0"]
    assert list((made / "__pycache__").glob("loops-*"))
    rmtree(made / "__pycache__")
    (made / "__pycache__").write_text("", encoding="utf-8")
    for _ in range(2):  # made for each process alone
        lines = run(tmp_path, XDG_CACHE_HOME=str(blocked))
        assert lines[0].startswith("said: preparing")
        assert lines[1].startswith("12.0")


def in_the_users_cache(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make a place the user's cache, whatever numba was told when it was imported."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(place))
    monkeypatch.setattr(numba.core.config, "CACHE_DIR", "")


def test_the_folder_is_named_after_the_package_and_every_source(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_the_users_cache(tmp_path, monkeypatch)

    def found(name: str) -> Path | None:
        cache_folder.cache_clear()
        return cache_folder(made, name)

    made = package(tmp_path)
    one = found("sample")
    assert one is not None
    assert one.parent == tmp_path / "adapt"
    assert {p.name for p in one.iterdir()} == {p.name for p in made.glob("*.py")}
    assert found("sample") == one
    assert found("other") != one
    (made / "third.py").write_text("", encoding="utf-8")
    assert found("sample") != one


def test_folders_that_nobody_uses_any_more_are_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_the_users_cache(tmp_path, monkeypatch)
    made = package(tmp_path)
    old, lately = tmp_path / "adapt" / "loops-old", tmp_path / "adapt" / "loops-lately"
    for folder, days in ((old, 91), (lately, 89)):
        folder.mkdir(parents=True)
        os.utime(folder, (time.time() - 86_400 * days,) * 2)
    cache_folder.cache_clear()
    assert cache_folder(made, "sample") is not None
    assert lately.exists()
    assert not old.exists()
