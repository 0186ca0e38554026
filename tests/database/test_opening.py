"""What cannot be opened, read or written says why and what to do, and stays as it was."""

from __future__ import annotations

import os
import random
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from threading import Thread

import numpy as np
import pytest
import sqlalchemy as sa
from books import ONE_JOB, copied, fresh, imported, numbered, part_of_demo, to_write, written
from forked import Told, in_child

import adapt
from adapt.database import opening
from adapt.database.making import new_logbook, upgrade_logbook
from adapt.database.opening import open_logbook
from adapt.database.verifying import verify
from adapt.problems import AdaptError, BadInput


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The file of a logbook with some of the demo's jobs in two changes."""
    return Path(copied(str(tmp_path / "fleet.logbook"), fill))


def fill(place: str) -> None:
    book = fresh(place)
    with tempfile.TemporaryDirectory() as made:
        assert imported(book, written(Path(made) / "one", ONE_JOB)).change == 1
        assert imported(book, part_of_demo(Path(made) / "some", numbered(1, 2))).change == 2


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that every user can look into, with a logbook."""
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        place.chmod(0o755)
        copied(str(place / "fleet.logbook"), fill_with_one)
        yield place
        place.chmod(0o755)


def fill_with_one(place: str) -> None:
    with tempfile.TemporaryDirectory() as made:
        assert imported(fresh(place), written(Path(made), ONE_JOB)).change == 1


def told(place: Path | str) -> str:
    """Return what opening a logbook to read, and to write, says."""
    words = set()
    for action in (
        lambda: adapt.read_log(str(place)), lambda: open_logbook(str(place), to_write=True),
    ):  # fmt: skip
        with pytest.raises(AdaptError) as caught:
            action()
        words.add(str(caught.value))
    assert len(words) == 1
    return words.pop()


def read(place: Path) -> adapt.Log | str:
    """Return the log of a logbook, or what is said of it."""
    try:
        return adapt.read_log(place)
    except AdaptError as error:
        return str(error)


def same(one: adapt.Log, other: adapt.Log) -> bool:
    return set(one.tables) == set(other.tables) and all(
        list(table.columns) == list(other.tables[name].columns)
        and all(np.array_equal(table.text(c), other.tables[name].text(c)) for c in table.columns)
        for name, table in one.tables.items()
    )


def test_what_is_no_logbook_is_told_for_what_it_is(tmp_path: Path) -> None:
    empty, other, short, text = (tmp_path / f"{n}.logbook" for n in ("e", "o", "s", "t"))
    empty.touch()
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE runs (job TEXT)")
    short.write_bytes(other.read_bytes()[:60])
    text.write_text("rotor,job,run\n" * 20)
    assert "empty file" in told(empty)
    assert "another program" in told(other)
    assert "cut off after 60 bytes" in told(short)
    assert "no logbook, or its beginning is damaged" in told(text)
    assert "there is no logbook" in told(tmp_path / "nowhere.logbook")
    assert "there is no logbook" in told(tmp_path / "no" / "nowhere.logbook")
    for place in (empty, other, short, text):
        assert "restore" in told(place)


def test_a_folder_a_pipe_and_an_unheard_of_name_are_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="is a folder"):
        open_logbook(tmp_path)
    pipe = tmp_path / "pipe.logbook"
    os.mkfifo(pipe)
    assert "no ordinary file" in told(pipe)
    assert "cannot be read" in told(tmp_path / ("n" * 300 + ".logbook"))
    assert "expected the path of a file" in told("a\0b.logbook")


def test_what_was_written_last_is_not_forgotten_with_its_file(file: Path) -> None:
    file.with_name("gone.logbook-wal").write_bytes(b"written last")
    assert "gone.logbook-wal" in told(file.with_name("gone.logbook"))
    with pytest.raises(BadInput, match=r"gone\.logbook-wal"):
        new_logbook(file.with_name("gone.logbook"))


def test_a_file_cut_off_anywhere_is_told_and_never_read_for_less(file: Path) -> None:
    whole, content = adapt.read_log(file), file.read_bytes()
    place = file.with_name("cut.logbook")
    draw = random.Random(1)
    lengths = [*range(1, 200, 13), *draw.sample(range(200, len(content)), 60), len(content) - 1]
    lengths += [len(content) - 4096 * n for n in (1, 2, 5)]
    for length in lengths:
        place.write_bytes(content[:length])
        with pytest.raises(AdaptError, match=r"damaged|cut off|no logbook|another program"):
            adapt.read_log(place)
        assert place.read_bytes() == content[:length]
    place.write_bytes(content + bytes(100))
    assert same(adapt.read_log(place), whole)


def test_a_byte_turned_anywhere_is_told_or_changes_nothing(file: Path) -> None:
    whole, content = adapt.read_log(file), file.read_bytes()
    place = file.with_name("turned.logbook")
    draw = random.Random(2)
    untouched, used = 0, [i for i, byte in enumerate(content) if byte]
    places = [*range(100), *draw.choices(used, k=200)]
    for at in places:
        turned = bytearray(content)
        turned[at] ^= 1 << draw.randrange(8)
        place.write_bytes(turned)
        found = read(place)
        if isinstance(found, str):
            assert "restore" in found or "newer version" in found, (at, found)
        else:
            assert same(found, whole), at
            untouched += 1
    # Free space, and pages of indexes that reading does not need.
    assert untouched < len(places) / 2


def test_many_bytes_turned_are_told(file: Path) -> None:
    whole, content = adapt.read_log(file), file.read_bytes()
    place = file.with_name("turned.logbook")
    draw = random.Random(3)
    for size in (16, 512, 4096, 10_000):
        for _ in range(15):
            turned = bytearray(content)
            at = draw.randrange(100, len(content) - size)
            turned[at : at + size] = draw.choice([draw.randbytes(size), bytes(size)])
            place.write_bytes(turned)
            found = read(place)
            assert isinstance(found, str) or same(found, whole)


def test_a_damaged_logbook_is_not_added_to_with_a_traceback(file: Path, tmp_path: Path) -> None:
    more = written(tmp_path / "more", {**ONE_JOB, "moves": [
        ONE_JOB["moves"][0], ("J-1", "1", "blue", "hub weight", "20")]})  # fmt: skip
    content = file.read_bytes()
    draw = random.Random(4)
    for _ in range(60):
        turned = bytearray(content)
        for _ in range(5):
            turned[draw.randrange(100, len(content))] ^= 1 << draw.randrange(8)
        place = file.with_name("turned.logbook")
        place.write_bytes(turned)
        with suppress(AdaptError):  # any other exception fails
            imported(to_write(str(place)), more)


@pytest.mark.parametrize("version", ["0099", "9999"])
def test_a_newer_schema_is_refused_and_stays(place: str, version: str) -> None:
    book = fresh(place)
    with book.engine.begin() as connection:
        connection.execute(sa.text(f"UPDATE alembic_version SET version_num = '{version}'"))
    for action in (
        lambda: open_logbook(place), lambda: to_write(place), lambda: upgrade_logbook(place),
    ):  # fmt: skip
        with pytest.raises(BadInput, match=f"newer version.*{version}.*install that version"):
            action()


def test_an_earlier_schema_is_refused_with_the_way_up(
    place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh(place)
    monkeypatch.setattr(opening, "VERSIONS", (*opening.VERSIONS, "0098"))
    with pytest.raises(BadInput, match=r"back-up, then 'adapt logbook upgrade"):
        open_logbook(place)
    assert open_logbook(place, earlier=True).shown


def test_a_logbook_in_use_is_told_after_waiting(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from adapt.database import on_file
    from adapt.database.writing import writing

    fresh(place)
    monkeypatch.setattr(on_file, "PATIENCE_S", 0.2)
    monkeypatch.setattr(opening, "PATIENCE_S", 1.0)
    one, other = to_write(place), to_write(place)
    with (
        writing(one, "first", "import"),
        pytest.raises(adapt.CannotBeMet, match=r"somebody else is writing.*nothing was changed"),
        writing(other, "second", "import"),
    ):
        pass
    with writing(other, "second", "import"):
        pass
    assert verify(other).changes == 2


def test_a_file_without_the_right_to_read_is_told(folder: Path) -> None:
    place = folder / "fleet.logbook"
    place.chmod(0o600)
    found = in_child(lambda: adapt.read_log(place), without_rights=True)
    assert isinstance(found, Told)
    assert "Permission denied" in found.words
    assert "ask whoever keeps it" in found.words
    folder.chmod(0o700)
    found = in_child(lambda: adapt.read_log(place), without_rights=True)
    assert isinstance(found, Told)
    assert "Permission denied" in found.words


def counted(place: Path) -> dict[str, int]:
    return {name: len(table) for name, table in adapt.read_log(place).tables.items()}


@pytest.mark.parametrize(("of_folder", "of_file"), [(0o755, 0o644), (0o777, 0o444), (0o755, 0o666)])
def test_a_read_only_place_can_be_read_and_says_that_it_cannot_be_written(
    folder: Path, of_folder: int, of_file: int
) -> None:
    place = folder / "fleet.logbook"
    expected = counted(place)
    place.chmod(of_file)
    folder.chmod(of_folder)
    assert in_child(lambda: counted(place), without_rights=True) == expected
    found = in_child(lambda: open_logbook(place, to_write=True), without_rights=True)
    assert isinstance(found, Told)
    assert "Copy it to a place that you may write to" in found.words
    assert in_child(lambda: counted(place), without_rights=True) == expected
    assert counted(place) == expected
    found = in_child(lambda: new_logbook(folder / "b" / "n.logbook"), without_rights=True)
    assert isinstance(found, Told)
    if of_folder == 0o755:
        found = in_child(lambda: new_logbook(folder / "new.logbook"), without_rights=True)
        assert isinstance(found, Told)
        assert not (folder / "new.logbook").exists()


def test_a_read_only_place_is_never_read_without_what_was_written_last(folder: Path) -> None:
    place = folder / "fleet.logbook"
    before = counted(place)
    with to_write(str(place)).engine.connect() as held:
        held.execute(sa.text("SELECT 1"))
        held.commit()
        more = {**ONE_JOB, "moves": [*ONE_JOB["moves"], ("J-1", "1", "blue", "hub weight", "20")]}
        assert imported(to_write(str(place)), written(folder / "more", more)).change == 2
        assert (folder / "fleet.logbook-wal").stat().st_size
        expected = {**before, "moves": 2}
        for kept in (("fleet.logbook-wal", "fleet.logbook-shm"), ("fleet.logbook-wal",)):
            copy = folder / "copy"
            copy.mkdir()
            for name in ("fleet.logbook", *kept):
                (copy / name).write_bytes((folder / name).read_bytes())
            found = in_child(lambda at=copy: counted(at / "fleet.logbook"), without_rights=True)
            assert found == expected or (isinstance(found, Told) and "cannot be" in found.words)
            for path in copy.iterdir():
                path.unlink()
            copy.rmdir()


def test_a_logbook_written_to_while_it_cannot_be_locked_is_told(folder: Path) -> None:
    place = folder / "fleet.logbook"

    signal_folder = folder / "signals"
    signal_folder.mkdir()
    signal_folder.chmod(0o777)

    def read_slowly() -> None:
        book = open_logbook(place)
        with book.reading() as connection:
            connection.execute(sa.text("SELECT count(*) FROM runs"))
            (signal_folder / "reading").touch()
            while not (signal_folder / "written").exists():
                pass

    def write() -> None:
        while not (signal_folder / "reading").exists():
            pass
        with closing(sqlite3.connect(place)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        os.utime(place)
        (signal_folder / "written").touch()

    thread = Thread(target=write)
    thread.start()
    found = in_child(read_slowly, without_rights=True)
    thread.join()
    assert isinstance(found, Told)
    assert "was written to while it was read" in found.words
