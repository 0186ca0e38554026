"""A file that is open as a database is not looked into beside SQLite: its locks would be gone."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from books import fresh

from adapt.database.files_in_use import first_bytes
from adapt.database.making import new_logbook
from adapt.database.opening import open_logbook
from adapt.database.place import is_logbook
from adapt.log.reading import read_log
from adapt.problems import BadInput

# Another process that reads and leaves: where nobody else has the file, it clears away what SQLite
# keeps beside it (sqlite.org/wal.html, "the last connection").
COMES_AND_GOES = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
print(connection.execute("SELECT count(*) FROM alembic_version").fetchone()[0])
connection.close()
"""


def locks_hold(place: Path) -> bool:
    """Return whether another process sees that this one has the file open."""
    beside = place.with_name(place.name + "-wal")
    assert beside.exists()
    subprocess.run([sys.executable, "-c", COMES_AND_GOES, str(place)], check=True)
    return beside.exists()


@pytest.fixture
def place(tmp_path: Path) -> Path:
    # Of a name that does not say what it is: its beginning has to be looked at.
    fresh(str(tmp_path / "x.logbook"))
    return Path(shutil.move(tmp_path / "x.logbook", tmp_path / "fleet"))


def opens_it_again(place: Path) -> None:
    open_logbook(str(place), to_write=True)


def asks_whether_it_is_one(place: Path) -> None:
    assert is_logbook(place)


def reads_it_as_a_log(place: Path) -> None:
    with pytest.raises(BadInput, match="holds no runs"):
        read_log(place)


def makes_another_there(place: Path) -> None:
    with pytest.raises(BadInput, match="is a logbook already"):
        new_logbook(str(place))


@pytest.mark.parametrize(
    "does", [opens_it_again, asks_whether_it_is_one, reads_it_as_a_log, makes_another_there]
)
def test_what_looks_at_the_file_leaves_the_locks_of_who_reads(place: Path, does) -> None:
    with open_logbook(str(place)).reading():
        does(place)
        assert locks_hold(place)


def test_a_file_is_looked_into_again_when_it_is_closed(place: Path) -> None:
    book = open_logbook(str(place))
    with book.reading(), book.reading():
        assert first_bytes(place, 6) is None
    assert first_bytes(place, 6) == b"SQLite"


def test_by_whatever_name_it_is_the_same_file(place: Path) -> None:
    (link := place.with_name("link")).symlink_to(place)
    (second := place.with_name("second")).hardlink_to(place)
    with open_logbook(str(link)).reading():
        assert first_bytes(second, 6) is None
        other = place.with_name("other")
        other.write_bytes(b"SQLite format 3")
        assert first_bytes(other, 6) == b"SQLite"
