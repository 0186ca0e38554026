"""Full disks, quotas, servers that are away or go away: told what to do, and nothing changed."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa
from books import DEMO, ONE_JOB, fresh, imported, to_write, written
from forked import Told, in_child
from servers import Server

import adapt
from adapt.database import on_file, opening
from adapt.database.backing_up import back_up, restore
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.database.verifying import verify
from adapt.database.writing import writing
from adapt.problems import AdaptError, BadInput


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    made = fresh(str(tmp_path / "fleet.logbook"))
    assert imported(made, written(tmp_path / "one", ONE_JOB)).change == 1
    return made


@contextmanager
def small_disk(size: int) -> Iterator[Path]:
    """Give a folder on a disk of its own, of some bytes."""
    with tempfile.TemporaryDirectory() as folder:
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder]
        subprocess.run(mount, check=True, capture_output=True)
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", "-l", folder], check=True)


def can_mount() -> bool:
    try:
        with small_disk(65536):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False


@pytest.mark.parametrize("room", [0, 4096, 20_000, 50_000, 100_000, 200_000])
def test_an_import_that_outgrows_its_quota_changes_nothing(book: Logbook, room: int) -> None:
    path = Path(book.shown)
    size = path.stat().st_size

    def bring_in() -> object:
        # No file may grow beyond this: the log that is written ahead meets it first.
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
        return imported(book, DEMO / "log", with_faults=True).change

    found = in_child(bring_in)
    assert isinstance(found, Told)
    assert "Is the disk full, a quota used up" in found.words
    assert "nothing was changed" in found.words
    assert verify(book).whole
    assert verify(book).changes == 1
    assert path.stat().st_size == size
    assert imported(book, DEMO / "log", with_faults=True).change == 2


def test_a_database_that_may_not_grow_changes_nothing(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = opening.connect

    def narrow(path: Path, to_write: bool) -> sqlite3.Connection:
        connection = plain(path, to_write)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={pages + 5}")
        return connection

    monkeypatch.setattr(opening, "connect", narrow)
    with pytest.raises(AdaptError, match=r"nothing was changed\. Is the disk full"):
        imported(book, DEMO / "log", with_faults=True)
    monkeypatch.undo()
    assert verify(book).changes == 1
    assert imported(book, DEMO / "log", with_faults=True).change == 2


@pytest.mark.parametrize("step", range(6))
def test_on_a_full_disk_nothing_is_half_done(tmp_path: Path, step: int) -> None:
    """On a disk of its own where one can be mounted, else within a limit of the file's size."""
    size = 300_000 + 150_000 * step

    def fill(folder: Path) -> list[str]:
        told = []
        place = folder / "fleet.logbook"
        done = []
        works: list[Callable[[], object]] = [
            lambda: new_logbook(place),
            lambda: imported(to_write(str(place)), written(tmp_path / "one", ONE_JOB)).change,
            lambda: back_up(open_logbook(place), folder / "a.logbook"),
            lambda: imported(to_write(str(place)), DEMO / "log", with_faults=True).change,
            lambda: back_up(open_logbook(place), folder / "b.logbook"),
            lambda: restore(place, folder / "c.logbook"),
        ]  # fmt: skip
        for work in works:
            try:
                done.append(work() is not None)
            except AdaptError as error:
                done.append(False)
                told.append(str(error))
        # Even to read a logbook takes some room beside it: looked at where there is some.
        apart = tmp_path / "apart"
        shutil.copytree(folder, apart)
        if done[0]:
            found = verify(open_logbook(apart / "fleet.logbook"))
            assert found.whole
            assert found.changes == sum(done[1:2] + done[3:4])
        for at, name in ((2, "a"), (4, "b"), (5, "c")):
            there = apart / f"{name}.logbook"
            assert there.exists() == done[at]
            assert not there.exists() or verify(open_logbook(there)).whole
        assert not list(folder.glob(".*.part*"))
        return told

    if MOUNT:
        with small_disk(size) as folder:
            told = fill(folder)
    else:

        def limited() -> list[str]:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            (tmp_path / "disk").mkdir()
            return fill(tmp_path / "disk")

        told = in_child(limited)
    assert told or step > 3
    for words in told:
        assert "disk" in words or "there is no logbook" in words or "No space" in words, words


MOUNT = can_mount()


def refused(place: str) -> str:
    with pytest.raises(AdaptError) as caught:
        open_logbook(place)
    return str(caught.value)


def test_a_server_that_is_away_refuses_or_does_not_know_the_name_is_told(
    server: Server, tmp_path: Path
) -> None:
    good = server.new_database()
    away = "postgresql://hangar@127.0.0.1:1/fleet"
    with pytest.raises(BadInput, match=r"Is the server running"):
        open_logbook(away)
    with pytest.raises(BadInput, match=r"See to the names of the database"):
        open_logbook(good + "_not")
    with pytest.raises(BadInput, match=r"Is the server running|See to the names"):
        open_logbook("postgresql://hangar@no.such.host.invalid/fleet")
    with pytest.raises(BadInput, match=r"holds no logbook; 'adapt logbook new'"):
        open_logbook(good)
    with server.connect() as connection:
        connection.execute("CREATE ROLE mechanic LOGIN PASSWORD 'right'")
    rule = server.folder / "data" / "pg_hba.conf"
    before = rule.read_text()
    rule.write_text("host all mechanic 127.0.0.1/32 scram-sha-256\n" + before)
    server.run("pg_ctl", "-D", str(server.folder / "data"), "reload")
    try:
        named = good.replace("hangar@", "mechanic:secretword@")
        for place in (named, good.replace("hangar@", "mechanic@")):
            words = refused(place)
            for _ in range(100):  # until the server has read its rules again
                if "password" not in words:
                    words = refused(place)
            assert "see to the user's name and password" in words
            assert "secretword" not in words
    finally:
        rule.write_text(before)
        server.run("pg_ctl", "-D", str(server.folder / "data"), "reload")


def test_a_user_without_the_right_to_write_reads_and_is_told(
    server: Server, tmp_path: Path
) -> None:
    place = server.new_database()
    book = fresh(place)
    assert imported(book, written(tmp_path / "one", ONE_JOB)).change == 1
    with server.connect(place.rpartition("/")[2]) as connection:
        connection.execute("CREATE ROLE looker LOGIN")
        connection.execute("GRANT SELECT ON ALL TABLES IN SCHEMA public TO looker")
    looking = place.replace("hangar@", "looker@")
    assert len(adapt.read_log(looking).tables["runs"]) == 2
    with pytest.raises(AdaptError, match="ask whoever keeps it for the right"):
        imported(to_write(looking), DEMO / "log", with_faults=True)
    with pytest.raises(AdaptError):
        new_logbook(server.new_database().replace("hangar@", "looker@"))


def test_a_database_of_another_program_or_alphabet_is_refused(server: Server) -> None:
    place = server.new_database()
    name = place.rpartition("/")[2]
    with server.connect(name) as connection:
        connection.execute("CREATE TABLE runs (job text)")
    with pytest.raises(BadInput, match="tables of another program"):
        new_logbook(place)
    with server.connect() as connection:
        connection.execute(
            f"CREATE DATABASE {name}l ENCODING 'LATIN1' LOCALE 'C' TEMPLATE template0"
        )
    with pytest.raises(BadInput, match="encoding UTF8"):
        new_logbook(place + "l")


def test_a_server_that_ends_the_session_within_an_import_is_told(
    server: Server, tmp_path: Path
) -> None:
    place = server.new_database()
    book = fresh(place)

    def broken_off() -> None:
        with writing(book, "tester", "import") as change:
            change.name("MR-9")
            with server.connect() as connection:
                connection.execute(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s",
                    (place.rpartition("/")[2],),
                )
            change.name("MR-10")

    with pytest.raises(AdaptError, match=r"nothing was changed.*[Tt]ry again"):
        broken_off()
    assert verify(book).changes == 0
    assert imported(book, written(tmp_path / "one", ONE_JOB)).change == 1


@pytest.mark.parametrize("kept", [True, False])
def test_a_commit_that_nobody_heard_the_end_of_is_looked_for(
    place: str, monkeypatch: pytest.MonkeyPatch, kept: bool
) -> None:
    """The connection breaks at the commit: before the database heard of it, or after."""
    book = fresh(place)
    raw: list[object] = []

    def break_it(connection: sa.Connection) -> None:
        driver = connection.connection.driver_connection
        assert driver is not None
        if kept:
            driver.commit()
        else:
            driver.rollback()
        error: Exception
        if book.on_file:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC  # type: ignore[attr-defined]
        else:
            import psycopg

            error = psycopg.OperationalError("server closed the connection unexpectedly")
        raw.append(error)
        raise sa.exc.OperationalError("COMMIT", None, error)

    with book.engine.connect() as connection:
        dialect = connection.dialect
    plain = sa.Connection._commit_impl  # type: ignore[attr-defined]
    times = iter([True])

    def commit(connection: sa.Connection) -> None:
        if next(times, False):
            break_it(connection)
        plain(connection)

    monkeypatch.setattr(sa.Connection, "_commit_impl", commit)
    assert dialect is not None
    if kept:
        with writing(book, "tester", "import") as change:
            change.name("MR-9")
    else:
        with (
            pytest.raises(AdaptError, match="nothing was changed"),
            writing(book, "tester", "import") as change,
        ):
            change.name("MR-9")
    assert raw
    assert verify(book).changes == int(kept)


def test_a_commit_that_cannot_be_looked_for_says_that_it_is_not_known(server: Server) -> None:
    own = Server(server.folder, server.programs, server.port, server.as_user)
    place = own.new_database()
    book = fresh(place)
    found = None
    try:
        with writing(book, "tester", "import") as change:
            change.name("MR-9")
            engine = change.connection

            def stopped(connection: sa.Connection) -> None:
                server.stop("immediate")

            sa.event.listen(engine, "commit", stopped)
    except AdaptError as error:
        found = str(error)
    finally:
        server.start()
    assert found is not None
    assert "it is not known whether the change was kept" in found
    assert "what was kept is not kept twice" in found
    assert os.path.basename(place) in found
    assert verify(book).whole
    assert on_file.PATIENCE_S > 0
