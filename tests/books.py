"""Logbooks for tests: made from the demo's log or from rows written down in a test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import adapt
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.logbook.importing.source import batches_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.importing.values import TakenIn
from adapt.rotor import Rotor

DEMO = Path(__file__).parents[1] / "datasets" / "demo"

Rows = Mapping[str, Sequence[Sequence[str]]]

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


def imported(book: Logbook, folder: Path, **options: object) -> TakenIn:
    return take_in(book, batches_of(folder), str(folder), "tester", **options)  # type: ignore[arg-type]


def to_write(place: str) -> Logbook:
    return open_logbook(place, to_write=True)


def fresh(place: str) -> Logbook:
    """Make a logbook and return it opened to write."""
    new_logbook(place)
    return to_write(place)
