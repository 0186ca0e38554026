"""A back-up holds exactly the same, is there whole or not at all, and can be brought back."""

from __future__ import annotations

import random
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
import sqlalchemy as sa
from books import DEMO, ONE_JOB, copied, fresh, imported, to_write, with_demo, written

from adapt.database import opening, verifying
from adapt.database.backing_up import back_up, restore
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.database.schema import metadata
from adapt.database.verifying import verify
from adapt.database.writing import writing
from adapt.problems import AdaptError, BadInput


@pytest.fixture
def book(place: str) -> Logbook:
    return to_write(copied(place, fill))


def fill(place: str) -> None:
    made = fresh(place)
    with tempfile.TemporaryDirectory() as folder:
        assert imported(made, written(Path(folder), ONE_JOB)).change == 1
    assert imported(made, DEMO / "log", with_faults=True).change == 2


def everything(book: Logbook) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows of all tables."""
    with book.engine.connect() as connection:
        return {
            name: [
                tuple(row)
                for row in connection.execute(
                    sa.select(table).order_by(next(iter(table.primary_key)))
                )
            ]
            for name, table in metadata.tables.items()
        }


def test_a_back_up_holds_exactly_the_same(book: Logbook, tmp_path: Path) -> None:
    made = back_up(book, tmp_path / "spring.logbook")
    copy = open_logbook(tmp_path / "spring.logbook")
    assert everything(copy) == everything(book)
    assert made.whole
    assert made.digest == verify(book).digest == verify(copy).digest
    # It goes on as a logbook of its own.
    assert {p.name for p in tmp_path.glob("*spring*")} == {"spring.logbook"}
    with writing(to_write(copy.shown), "tester", "import") as change:
        change.name("MR-77")
    assert verify(copy).changes == 3


def test_what_is_brought_back_holds_exactly_the_same(
    book: Logbook, tmp_path: Path, second_place: Callable[[], str]
) -> None:
    back_up(book, tmp_path / "spring.logbook")
    place = second_place()
    found = restore(tmp_path / "spring.logbook", place)
    assert found.digest == verify(book).digest
    assert everything(open_logbook(place)) == everything(book)
    with pytest.raises(BadInput, match=r"already.*nothing was changed"):
        restore(tmp_path / "spring.logbook", place)
    assert imported(to_write(place), DEMO / "log", with_faults=True).change is None
    with writing(to_write(place), "tester", "import") as change:
        change.name("MR-77")
    assert verify(open_logbook(place)).whole


def test_a_back_up_takes_no_place_that_is_not_its_own(book: Logbook, tmp_path: Path) -> None:
    there, text = tmp_path / "there.logbook", tmp_path / "notes.txt"
    new_logbook(there)
    text.write_text("notes")
    before = {path: path.read_bytes() for path in (there, text)}
    for path in before:
        with pytest.raises(BadInput, match=r"there already|logbook already"):
            back_up(book, path)
    for path, why in (
        (tmp_path, "is a folder"), ("postgresql://hangar@base/fleet", "a back-up is a file"),
        (tmp_path / "fleet.logbook-wal", "belong to a logbook"), (tmp_path / "no" / "a", "folder"),
    ):  # fmt: skip
        with pytest.raises(AdaptError, match=why):
            back_up(book, path)
    if book.on_file:
        link = tmp_path / "link.logbook"
        link.symlink_to(book.shown)
        for itself in (book.shown, link):
            with pytest.raises(BadInput, match="is the logbook itself"):
                back_up(book, itself, over=True)
    assert {path: path.read_bytes() for path in before} == before
    assert verify(book).whole
    back_up(book, there, over=True)
    assert verify(open_logbook(there)).changes == 2
    assert not list(tmp_path.glob(".*part*"))


def test_a_back_up_is_not_put_over_a_logbook_in_use(book: Logbook, tmp_path: Path) -> None:
    there = tmp_path / "there.logbook"
    other = fresh(str(there))
    with other.engine.connect() as connection:
        connection.execute(sa.text("SELECT count(*) FROM runs"))
        with pytest.raises(BadInput, match=r"there\.logbook-(wal|shm)' stands beside it"):
            back_up(book, there, over=True)


def test_a_damaged_logbook_is_not_backed_up_as_if_it_were_whole(tmp_path: Path) -> None:
    book = to_write(with_demo(str(tmp_path / "fleet.logbook")))
    good = tmp_path / "good.logbook"
    back_up(book, good)
    content = Path(book.shown).read_bytes()
    at = content.index(b"2025-") if b"2025-" in content else content.index(b"2024-")
    Path(book.shown).write_bytes(content[: at + 3] + b"7" + content[at + 4 :])
    before = good.read_bytes()
    for over in (False, True):
        with pytest.raises(BadInput, match=r"change 1, runs"):
            back_up(book, good if over else tmp_path / "bad.logbook", over)
    assert good.read_bytes() == before
    assert not (tmp_path / "bad.logbook").exists()
    with pytest.raises(BadInput, match=r"change 1, runs"):
        restore(book.shown, tmp_path / "c.logbook")
    assert not (tmp_path / "c.logbook").exists()


def test_a_damaged_back_up_is_not_brought_back(
    book: Logbook, tmp_path: Path, second_place: Callable[[], str]
) -> None:
    good = tmp_path / "good.logbook"
    back_up(book, good)
    content = good.read_bytes()
    bad = tmp_path / "bad.logbook"
    place = second_place()
    draw = random.Random(6)
    refused = 0
    for _ in range(8):
        turned = bytearray(content)
        for at in draw.sample([i for i, byte in enumerate(content) if byte], 20):
            turned[at] ^= 1 << draw.randrange(8)
        bad.write_bytes(turned)
        with pytest.raises(AdaptError):
            restore(bad, place)
        refused += 1
    assert refused == 8
    assert restore(good, place).whole


def test_a_back_up_is_of_one_state_while_others_write(book: Logbook, tmp_path: Path) -> None:
    stop: list[bool] = []
    writer = to_write(book.shown)

    def write() -> None:
        number = 0
        while not stop:
            number += 1
            with writing(writer, "other", "import") as change:
                change.add("headers", log_table="runs", columns=f'["c{number}"]')
                change.name(f"name {number}")

    thread = Thread(target=write)
    thread.start()
    try:
        seen = [back_up(book, tmp_path / f"{n}.logbook") for n in range(3)]
    finally:
        stop.append(True)
        thread.join()
    assert all(s.whole for s in seen)
    assert verify(book).whole
    # Each is the beginning of what the logbook now holds.
    for n, state in enumerate(seen):
        with book.reading() as connection:
            query = sa.text(f"SELECT digest FROM seals WHERE change = {state.changes}")
            assert connection.execute(query).scalar() == state.digest
        assert verify(open_logbook(tmp_path / f"{n}.logbook")).digest == state.digest


def test_progress_is_told(book: Logbook, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    back_up(book, tmp_path / "a.logbook", told=lambda done, of: told.append((done, of)))
    assert told
    assert told == sorted(told)


def test_a_back_up_may_be_made_of_an_earlier_version(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (opening, verifying):
        monkeypatch.setattr(module, "VERSIONS", (*opening.VERSIONS, "0098"))
    old = open_logbook(book.shown, earlier=True)
    made = back_up(old, tmp_path / "old.logbook")
    monkeypatch.undo()
    assert made.digest == verify(book).digest
    assert everything(open_logbook(tmp_path / "old.logbook")) == everything(book)


def test_a_file_that_another_program_made_is_not_brought_back(tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE runs (job TEXT)")
    with pytest.raises(BadInput, match="another program"):
        restore(other, tmp_path / "new.logbook")
    with pytest.raises(BadInput, match="there is no logbook"):
        restore(tmp_path / "nowhere.logbook", tmp_path / "new.logbook")
