r"""Makes the dump of a logbook of the schema that the program now has, for the tests of upgrades.

Run once for a version, before there is a later one, and never again: the dump is what the program
of that day wrote. `0001.sql` and `0001-postgresql.sql` were made so with the program as it was
before it knew of a second version, `0002.sql` and `0002-postgresql.sql` before a third:

    python tests/database/schemas/make.py fleet.logbook > 0001.sql
    python tests/database/schemas/make.py postgresql://hangar@127.0.0.1/empty
    pg_dump --inserts --no-owner postgresql://hangar@127.0.0.1/empty |
        grep -v "^\\" > 0001-postgresql.sql
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from hashlib import blake2b
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from books import DEMO, demo_rotors, fresh

import adapt
from adapt.database.opening import Logbook
from adapt.database.states import rows_in_force
from adapt.database.writing import writing
from adapt.logbook.importing.source import batches_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.importing.values import TakenIn
from adapt.logbook.jobs import set_status
from adapt.logbook.sets import withdraw

JOBS = ("J-001", "J-002", "J-030")
REVIEWS = (
    "review,job,table,after_run,run,decision,kind,explanation,by,decided,note\n"
    "1,J-001,moves,1,2,accept,sign,red pitch link -2 was +2,N. N.,2026-04-01T10:00:00+00:00,\n"
)
CORRECTIONS = (
    "review,table,job,after_run,run,blade,adjuster,sensor,regime,entered,corrected\n"
    "1,moves,J-001,1,,red,pitch link,,,-2,2\n"
)


def filled(place: str) -> Logbook:
    """Make a logbook with rows in every table of the schema."""
    book = fresh(place)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        for file in sorted((DEMO / "log").glob("*.csv")):
            header, *lines = file.read_text(encoding="utf-8").splitlines()
            at = header.split(",").index("job")
            kept = [line for line in lines if line.split(",")[at] in JOBS]
            (folder / file.name).write_text("\n".join([header, *kept, ""]), encoding="utf-8")
        (folder / "reviews.csv").write_text(REVIEWS, encoding="utf-8")
        (folder / "corrections.csv").write_text(CORRECTIONS, encoding="utf-8")
        first = brought_in(book, folder)
        readings = (folder / "readings.csv").read_text(encoding="utf-8").splitlines()
        cells = readings[1].split(",")
        cells[readings[0].split(",").index("amplitude")] = "0.777"
        lines = [readings[0] + ",lamp", ",".join(cells) + ",red; 1/4 Größe"]
        (folder / "readings.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
        second = brought_in(book, folder, correct=True)
    assert (first.change, second.change) == (1, 2), (first, second)
    with writing(book, "N. N.", "take out", "entered twice") as change:
        moves = rows_in_force(book, change.connection, "moves", change.known)
        out = moves.select(np.array([len(moves) - 1]))
        change.append("moves", out, replaces=out.rows, void=True)
    runs = adapt.read_log(place).tables["runs"]
    last = str(runs.text("run")[runs.text("job") == JOBS[0]][-1])
    set_status(book, JOBS[0], "closed", "N. N.", closing_run=last, released_by="R. R.")
    with writing(book, "N. N.", "keep") as change:
        number = change.add(
            "documents", kind="rotor file", label="main rotor", file="main-rotor.toml",
            digest=digest_of(b"\x00not read here\xff"), content=b"\x00not read here\xff",
        )  # fmt: skip
        change.add(
            "sets", label="spring", design="main rotor", known=2, rotor=number, chart=None,
            settings="{}", programs="{}", digest=digest_of(b"{\x00'\"\xff}"),
            content=b"{\x00'\"\xff}",
        )  # fmt: skip
    withdraw(book, "spring", "N. N.", "too few runs")
    with writing(book, "N. N.", "order") as change:
        change.add(
            "orders", job=change.name(JOBS[1]), after_run=change.name("1"), known=2,
            content='{"moves": [], "taken_back": true}',
        )  # fmt: skip
    return book


def digest_of(content: bytes) -> str:
    """As `adapt.database.sealing.digest_of_content`, which may move on."""
    return blake2b(content, digest_size=32).hexdigest()


def brought_in(book: Logbook, folder: Path, correct: bool = False) -> TakenIn:
    batches = batches_of(folder)
    return take_in(book, batches, "a folder", "N. N.", rotors=demo_rotors(), correct=correct)


def main() -> None:
    place = sys.argv[1]
    filled(place)
    if "://" not in place:
        connection = sqlite3.connect(place)
        number = connection.execute("PRAGMA application_id").fetchone()[0]
        print(f"PRAGMA application_id={number};")
        for line in connection.iterdump():
            print(line)


if __name__ == "__main__":
    main()
