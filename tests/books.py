"""Logbooks for tests: made from the demo's log or from rows written down in a test."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Container, Mapping, Sequence
from itertools import count
from pathlib import Path

import psycopg
from demo_folder import keep_jobs

import adapt
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.logbook.importing.source import batches_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.importing.values import TakenIn
from adapt.rotor import Rotor

DEMO = Path(__file__).parents[1] / "datasets" / "demo"

Rows = Mapping[str, Sequence[Sequence[str]]]

_FOLDER = tempfile.TemporaryDirectory(prefix="logbooks-to-copy-")
_NUMBERS = count()
_MADE: dict[tuple[str, Callable[[str], object]], str] = {}  # (file or server, how) -> where

ONE_JOB: Rows = {
    "runs": [
        ("rotor", "job", "run", "started", "design"),
        ("MR-9", "J-1", "1", "2026-03-01T09:00", "main rotor"),
        ("MR-9", "J-1", "2", "2026-03-01T11:00", "main rotor"),
    ],
    "readings": [
        ("job", "run", "regime", "sensor", "amplitude", "clock"),
        ("J-1", "1", "hover", "cabin lateral", "0.30", "4:20"),
        ("J-1", "2", "hover", "cabin lateral", "0.10", "10:15"),
    ],
    "moves": [
        ("job", "after_run", "blade", "adjuster", "amount"),
        ("J-1", "1", "red", "hub weight", "40"),
    ],
}


def demo_rotors() -> list[Rotor]:
    return [adapt.read_rotor(DEMO / f"{name}-rotor.toml") for name in ("main", "tail")]


def written(folder: Path, rows: Rows) -> Path:
    """Write tables into a folder as CSV files, comma between cells; cells hold no comma."""
    folder.mkdir(exist_ok=True, parents=True)
    for name, lines in rows.items():
        text = "".join(",".join(line) + "\n" for line in lines)
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def part_of_demo(folder: Path, jobs: Container[str]) -> Path:
    """Write the demo's log into a folder, only those jobs of it."""
    shutil.copytree(DEMO / "log", folder, dirs_exist_ok=True)
    keep_jobs(folder, jobs)
    return folder


def numbered(first: int, last: int) -> set[str]:
    """Return the names of the demo's jobs from one to another."""
    return {f"J-{number:03d}" for number in range(first, last + 1)}


def imported(book: Logbook, folder: Path, **options: object) -> TakenIn:
    return take_in(book, batches_of(folder), str(folder), "tester", **options)  # type: ignore[arg-type]


def to_write(place: str) -> Logbook:
    return open_logbook(place, to_write=True)


def fresh(place: str) -> Logbook:
    """Put an empty logbook at a place and return it opened to write."""
    return to_write(copied(place, new_logbook))


def with_demo(place: str) -> str:
    """Put a logbook at a place that holds the demo's log as its change 1."""
    return copied(place, _fill_with_demo)


def _fill_with_demo(place: str) -> None:
    taken = imported(fresh(place), DEMO / "log", rotors=demo_rotors(), with_faults=True)
    assert taken.change == 1


def copied(place: str, fill: Callable[[str], object]) -> str:
    """Put at a place, where nothing is, the logbook that `fill` makes; return the place.

    It is made once for files and once for a server, then copied. fill: a function of a module, with
    which it is known again; what it is given is a place of its own.
    """
    server, _, name = place.rpartition("/") if place.startswith("postgresql:") else ("", "", "")
    like = _MADE.get((server, fill))
    if like is None:
        like = f"{place}_like" if server else f"{_FOLDER.name}/{next(_NUMBERS)}.logbook"
        if server:
            _on_server(server, f"CREATE DATABASE {name}_like TEMPLATE template0")
        fill(like)
        _MADE[server, fill] = like
    if server:
        _on_server(server, f"DROP DATABASE {name}")
        # Copied as files, which a server that waits for no disk soon does.
        how = f"TEMPLATE {like.rpartition('/')[2]} STRATEGY file_copy"
        _on_server(server, f"CREATE DATABASE {name} {how}")
    else:
        assert not Path(place).exists()
        shutil.copy(like, place)
    return place


def _on_server(server: str, order: str) -> None:
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        if connection.info.server_version < 150000:  # knows no strategies
            order = order.replace(" STRATEGY file_copy", "")
        connection.execute(order.encode())
