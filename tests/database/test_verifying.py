"""Damage of every kind is found, with its change and table; what is whole is told as whole."""

from __future__ import annotations

import random
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from hashlib import blake2b
from pathlib import Path

import pytest
import sqlalchemy as sa
from books import ONE_JOB, Rows, copied, fresh, imported, to_write, with_demo, written

import adapt
from adapt.database import opening, verifying
from adapt.database.migrating import VERSIONS
from adapt.database.opening import Logbook
from adapt.database.schema import metadata
from adapt.database.sealing import digest_of
from adapt.database.verifying import Damage, verify
from adapt.database.writing import writing
from adapt.logbook.jobs import set_status
from adapt.problems import BadInput


def job(number: int, amplitude: str = "0.30") -> Rows:
    """Return a job of its own with a row in every table that an import has."""
    name = f"J-{number}"
    return {
        table: [
            lines[0],
            *(
                [c.replace("J-1", name).replace("0.30", amplitude) for c in line]
                for line in lines[1:]
            ),
        ]
        for table, lines in ONE_JOB.items()
    }


@pytest.fixture
def book(place: str) -> Logbook:
    """A logbook of eight changes: five imports, two corrections, and a status."""
    return to_write(copied(place, make_eight_changes))


def make_eight_changes(place: str) -> None:
    made = fresh(place)
    with tempfile.TemporaryDirectory() as there:
        for number in range(1, 6):
            folder = written(Path(there) / str(number), job(number))
            assert imported(made, folder).change == number
        for number, amplitude in ((6, "0.31"), (7, "0.32")):
            folder = written(Path(there) / f"c{number}", job(2, amplitude))
            assert imported(made, folder, correct=True).change == number
    assert set_status(made, "J-3", "stopped", "tester").change == 8


@contextmanager
def meddling(book: Logbook) -> Iterator[sa.Connection]:
    """Give a connection that no rule holds back, as nobody who keeps a logbook has it."""
    with book.engine.connect() as connection:
        if book.on_file:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
            rules = connection.exec_driver_sql(query).all()
            connection.exec_driver_sql("BEGIN")
            for name, _ in rules:
                connection.exec_driver_sql(f"DROP TRIGGER {name}")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        yield connection
        if book.on_file:
            for _, sql in rules:
                connection.exec_driver_sql(sql)
        connection.commit()


def found(book: Logbook) -> set[tuple[int | None, str | None]]:
    return {(d.change, d.table) for d in verify(book).damages}


def test_a_whole_logbook_is_whole(book: Logbook) -> None:
    seen = verify(book)
    assert seen.whole
    assert (seen.changes, seen.whole_changes, seen.whole_until) == (8, 8, 8)
    with book.reading() as connection:
        count = sum(
            connection.execute(sa.select(sa.func.count()).select_from(table)).scalar() or 0
            for name, table in metadata.tables.items()
            if name not in ("changes", "seals")
        )
    assert seen.rows == count


@pytest.mark.parametrize(
    ("meddle", "change", "table"),
    [
        ("UPDATE readings SET amplitude = '0.33' WHERE entry = 4", 2, "readings"),
        ("UPDATE readings SET amplitude = NULL WHERE entry = 4", 2, "readings"),
        ("UPDATE runs SET rotor = 2, job = 3 WHERE entry = 5", 3,
         "runs"),
        ("UPDATE moves SET void = 1 WHERE entry = 5", 5, "moves"),
        ("DELETE FROM moves WHERE entry = 2", 2, "moves"),
        ("DELETE FROM readings WHERE entry = 11", 6, "readings"),
        ("UPDATE readings SET replaces = 1 WHERE entry = 11", 6, "readings"),
        ("UPDATE names SET text = 'MR-8' WHERE text = 'MR-9'", 1, "names"),
        ("UPDATE changes SET who = 'somebody else' WHERE change = 4", 4, None),
        ("UPDATE changes SET note = 'x' WHERE change = 8", 8, None),
        ("UPDATE job_states SET status = 'closed'", 8, "job_states"),
        ("UPDATE headers SET columns = '[]' WHERE change = 1 AND header = 1", 1, "headers"),
        ("UPDATE seals SET counts = '{}' WHERE change = 3", 3, None),
        ("UPDATE seals SET digest = 'f00' WHERE change = 3", 3, None),
        ("DELETE FROM seals WHERE change = 5", 5, None),
        ("UPDATE changes SET recorded = '2001-01-01T00:00:00.000000+00:00' WHERE change = 5", 5,
         "changes"),
        ("UPDATE changes SET recorded = 'yesterday' WHERE change = 5", 5, "changes"),
    ],
)  # fmt: skip
def test_what_was_changed_behind_its_back_is_found_with_its_change_and_table(
    book: Logbook, meddle: str, change: int, table: str | None
) -> None:
    with meddling(book) as connection:
        connection.exec_driver_sql(meddle)
    seen = verify(book)
    assert (change, table) in {(d.change, d.table) for d in seen.damages}
    # The change after a damaged seal leans on it; no other is concerned.
    concerned = {d.change for d in seen.damages if d.change is not None}
    assert concerned <= {change, change + 1}
    assert seen.whole_until == change - 1
    assert seen.whole_changes == 8 - len(concerned)


def test_rows_of_no_change_are_found(book: Logbook) -> None:
    with meddling(book) as connection:
        connection.exec_driver_sql(
            "INSERT INTO headers VALUES (100, 9, 'runs', '[]'), (101, 10, 'runs', '[]')"
        )
    assert Damage(None, "headers", "2 rows of changes that are not there") in verify(book).damages


def test_a_change_that_was_taken_out_is_found(book: Logbook) -> None:
    with meddling(book) as connection:
        for table in ("runs", "readings", "moves", "headers", "names", "seals", "changes"):
            connection.exec_driver_sql(f"DELETE FROM {table} WHERE change = 4")
    seen = verify(book)
    assert Damage(None, "changes", "found number 5 after 3") in seen.damages
    assert seen.whole_until == 3
    assert any(d.table == "runs" for d in seen.damages)


def test_the_last_change_taken_out_shows_in_the_digest(book: Logbook) -> None:
    before = verify(book).digest
    with meddling(book) as connection:
        for table in ("job_states", "seals", "changes", "names"):
            connection.exec_driver_sql(f"DELETE FROM {table} WHERE change = 8")
    # Nothing within it can tell: the digest that a back-up's report printed does.
    seen = verify(book)
    assert seen.whole
    assert seen.changes == 7
    assert seen.digest != before


def test_corrections_that_do_not_hang_on_their_fact_are_found(place: str, tmp_path: Path) -> None:
    """Sealed as they are: only the meaning is wrong, as a mistake of a program would leave it."""
    made = fresh(place)
    imported(made, written(tmp_path / "log", ONE_JOB))
    with writing(made, "tester", "import") as change:
        table = adapt.read_log(place).tables["readings"]
        # Each row corrects the other's fact.
        change.append("readings", table, replaces=table.rows[::-1].copy())
    whats = {d.what for d in verify(made).damages}
    assert whats == {f"row {n} corrects none of the same fact above it" for n in (3, 4)}


def test_rules_that_are_not_there_are_found(book: Logbook) -> None:
    with book.engine.begin() as connection:
        if book.on_file:
            connection.exec_driver_sql("DROP TRIGGER runs_no_update")
        else:
            connection.exec_driver_sql("ALTER TABLE runs DISABLE TRIGGER runs_append_only")
    seen = verify(book)
    assert seen.damage_count == 1
    assert "runs" in seen.damages[0].what


def test_damaged_pages_leave_the_rest_told_as_whole(tmp_path: Path) -> None:
    book = to_write(with_demo(str(tmp_path / "fleet.logbook")))
    for number in range(2, 12):
        imported(book, written(tmp_path / str(number), job(number)))
    assert verify(book).changes == 11
    content = bytearray(Path(book.shown).read_bytes())
    with closing(sqlite3.connect(book.shown)) as raw:
        page = (
            raw.execute(
                "SELECT pageno FROM dbstat WHERE name = 'readings' AND pagetype = 'leaf' LIMIT 1"
            )
            if _has_dbstat(raw)
            else None
        )
        number = page.fetchone()[0] if page else _leaf_of(content)
    at = (number - 1) * 4096
    content[at : at + 4096] = random.Random(5).randbytes(4096)
    Path(book.shown).write_bytes(content)
    seen = verify(book)
    assert not seen.whole
    assert (1, "readings") in {(d.change, d.table) for d in seen.damages}
    # The later changes stand in other pages, and are read behind the damaged one.
    assert seen.whole_changes == 10
    with pytest.raises(BadInput, match=r"change 1, readings|damaged"):
        adapt.read_log(book.shown)


def _has_dbstat(raw: sqlite3.Connection) -> bool:
    try:
        raw.execute("SELECT 1 FROM dbstat LIMIT 1")
    except sqlite3.OperationalError:
        return False
    return True


def _leaf_of(content: bytearray) -> int:
    """Return a page that holds rows of readings: their clock angles stand in it."""
    pages = range(len(content) // 4096)
    return next(
        p + 1
        for p in pages
        if content[p * 4096] == 13 and content[p * 4096 : p * 4096 + 4096].count(b":") > 60
    )


def test_progress_is_told_to_the_last_row(book: Logbook) -> None:
    told: list[int] = []
    seen = verify(book, told.append)
    assert told == sorted(told)
    assert told[-1] == seen.rows


def test_seals_do_not_depend_on_which_letters_a_version_of_python_prints(place: str) -> None:
    book = fresh(place)
    text = "Größe \u1f9f0 \u0378 \U0001fae9 \\ ' \" \n"
    with writing(book, text, "import", text, text) as change:
        change.name(text)
    assert verify(book).whole
    with book.reading() as connection:
        digests = connection.exec_driver_sql("SELECT digests FROM seals").scalar()
    # Worked out by the rules of text alone: every letter outside of ASCII as its number.
    quoted = "'Gr\\xf6\\xdfe \\u1f9f0 \\u0378 \\U0001fae9 \\\\ \\' \" \\n'"
    row = f"(1, 1, {digest_of(text)!r}, {quoted})"
    assert (
        digests == '{"names": "' + blake2b(row.encode("ascii"), digest_size=16).hexdigest() + '"}'
    )


def test_a_logbook_of_an_earlier_version_is_looked_through_too(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (opening, verifying):
        monkeypatch.setattr(module, "VERSIONS", (*VERSIONS, "0098"))
    assert verify(book).whole
    with meddling(book) as connection:
        connection.exec_driver_sql("UPDATE moves SET void = 1 WHERE entry = 5")
    assert (5, "moves") in found(book)
