"""Opening a logbook: engine, version of its schema, and errors of databases in plain words.

A logbook on a file is SQLite with a write-ahead log: readers see the state of their beginning while
one writer works. On a server it is PostgreSQL. Making and upgrading one is `making`'s work.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from adapt.database.address import Address, address_of
from adapt.problems import AdaptError, BadInput, CannotBeMet, shown

__all__ = ["APPLICATION", "VERSIONS", "Logbook", "engine_of", "explained", "open_logbook"]

VERSIONS = ("0001", "0002")
"""The versions of the schema, oldest first; the last is the one that this program works with."""

APPLICATION = 0x41446C62  # marks the SQLite files that are logbooks
PATIENCE_S = 30.0  # how long a writer waits for another


@dataclass(frozen=True, eq=False)
class Logbook:
    """An opened logbook. Nothing is held open between two uses of it."""

    address: Address
    engine: Engine

    @property
    def shown(self) -> str:
        """The address as messages name it, without a password."""
        return self.address.shown

    @property
    def on_file(self) -> bool:
        return self.address.file is not None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the logbook, whatever others write meanwhile.

        Raises AdaptError (BadInput, CannotBeMet) when the database cannot be read.
        """
        # Whether or not it was opened to write: reading must neither wait for a writer nor keep
        # one waiting.
        engine = engine_of(self.address, to_write=False)
        with explained(self.address), engine.connect() as connection:
            yield connection


def open_logbook(place: str | PathLike[str] | Address, to_write: bool = False) -> Logbook:
    """Open a logbook that is there.

    place: the path of its file, or its URL. Raises BadInput when there is none, when it is damaged,
    or of another version of the schema, with what to do.
    """
    address = place if isinstance(place, Address) else address_of(place)
    if address.file is not None:
        _require_file(address, address.file)
    book = Logbook(address, engine_of(address, to_write))
    with book.reading() as connection:
        require_version(connection, address)
    return book


def _require_file(address: Address, path: Path) -> None:
    here = shown(address.shown)
    if path.is_dir():
        raise BadInput(f"{here} is a folder; expected the file of a logbook")
    if not path.exists():
        raise BadInput(f"there is no logbook {here}; 'adapt logbook new {address.shown}' makes one")
    try:
        with path.open("rb") as file:
            first = file.read(100)
    except OSError as error:
        raise BadInput(f"{here} cannot be read ({error.strerror})") from None
    if not first:
        raise BadInput(
            f"{here} is an empty file; 'adapt logbook new' makes a logbook of it, or bring the "
            "latest back-up ('adapt logbook restore')"
        )
    if not first.startswith(b"SQLite format 3\0"):
        raise BadInput(
            f"{here} is no logbook, or its beginning is damaged. If it was one, keep the file and "
            "bring the latest back-up ('adapt logbook restore')"
        )
    if int.from_bytes(first[68:72], "big") != APPLICATION:
        raise BadInput(f"{here} is a database of another program, not a logbook")


def require_version(connection: Connection, address: Address) -> None:
    """Raise BadInput when the schema is not the one that this program works with."""
    found = version_of(connection)
    if found == VERSIONS[-1]:
        return
    here = shown(address.shown)
    if found is None:
        raise BadInput(f"{here} holds no logbook; 'adapt logbook new' makes one there")
    if found in VERSIONS:
        raise BadInput(
            f"{here} was made by an earlier version of this program. Make a back-up, then "
            f"'adapt logbook upgrade {address.shown}': nothing of what it holds changes"
        )
    raise BadInput(
        f"{here} is of a newer version of this program (its schema is {shown(found)}, this "
        f"program knows up to {VERSIONS[-1]}): install that version; nothing was changed"
    )


def version_of(connection: Connection) -> str | None:
    """Return the version of the schema, None where there is none."""
    if not connection.dialect.has_table(connection, "alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def engine_of(address: Address, to_write: bool) -> Engine:
    """Return the engine of an address, which may not exist yet.

    to_write: transactions take the right to write when they begin, so that of two writers one
    waits for the other. Raises BadInput when the driver of a server is not installed.
    """
    if address.file is None:
        return _server(address, to_write)
    engine = create_engine(
        address.url, poolclass=NullPool, creator=lambda: _file(address.file, to_write)
    )

    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if to_write else "BEGIN")

    event.listen(engine, "begin", begin)
    return engine


def _file(path: Path | None, to_write: bool) -> sqlite3.Connection:
    assert path is not None
    place = Path(os.path.abspath(path)).as_uri() + _mode(path, to_write)
    connection = sqlite3.connect(
        place, uri=True, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    for pragma in (
        "foreign_keys=ON", "synchronous=FULL", "trusted_schema=OFF", "cell_size_check=ON",
        "cache_size=-65536", f"query_only={'OFF' if to_write else 'ON'}",
    ):  # fmt: skip
        connection.execute(f"PRAGMA {pragma}")
    return connection


def _mode(path: Path, to_write: bool) -> str:
    """Return how SQLite is to open a file."""
    if to_write:
        return "?mode=rwc"
    if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK):
        return "?mode=rw"  # a reader that may not write leaves the write-ahead log's files behind
    # Where no file can be made beside it the write-ahead log cannot be used.
    waiting = path.with_name(path.name + "-wal")
    still = not os.access(path.parent, os.W_OK) and not _size(waiting)
    return "?mode=ro&immutable=1" if still else "?mode=ro"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _server(address: Address, to_write: bool) -> Engine:
    options: dict[str, Any] = {"isolation_level": "REPEATABLE READ"}
    if not to_write:
        options["postgresql_readonly"] = True
    try:
        engine = create_engine(
            address.url, poolclass=NullPool, connect_args={"connect_timeout": 10},
            execution_options=options, paramstyle="format",
        )  # fmt: skip
    except ImportError:
        raise BadInput(
            "a logbook on a PostgreSQL server needs its driver: pip install 'adapt[postgresql]'"
        ) from None
    if to_write:

        def begin(connection: Connection) -> None:
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{int(PATIENCE_S)}s'")

        event.listen(engine, "begin", begin)
    return engine


@contextmanager
def explained(address: Address) -> Iterator[None]:
    """Turn what a database raises into AdaptError, with what to do about it."""
    try:
        yield
    except SQLAlchemyError as error:
        raise _told(address, error) from error
    except sqlite3.Error as error:
        raise _told(address, error) from error


def _told(address: Address, error: Exception) -> AdaptError:
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    said = str(cause).strip().splitlines()[0] if str(cause).strip() else type(cause).__name__
    plain, here = said.casefold(), shown(address.shown)

    def has(*words: str) -> bool:
        return any(word in plain for word in words)

    if has("database is locked", "lock timeout", "could not serialize", "deadlock"):
        return CannotBeMet(
            f"somebody else is writing in {here}: nothing was changed. Try again when they are done"
        )
    if has("malformed", "file is not a database", "disk i/o error", "database corruption",
           "invalid page", "could not read block"):  # fmt: skip
        return BadInput(
            f"{here} is damaged or cannot be read to its end ({said}): nothing was changed. Keep "
            "the file as it is, see what 'adapt logbook verify' finds, and go on from the latest "
            "back-up ('adapt logbook restore')"
        )
    if has("disk is full", "no space left", "file too large"):
        return AdaptError(
            f"there is no room left for {here} ({said}): nothing was changed. Make room, then "
            "give the command again"
        )
    if has("readonly database", "read-only", "permission denied", "unable to open database file"):
        return AdaptError(
            f"{here} cannot be written, or opened, where it stands ({said}): nothing was changed. "
            "Copy it to a place that you may write to, or ask whoever keeps it for the right"
        )
    if has("append only"):
        return AdaptError(f"{here} refuses to change what it holds ({said})")
    if has("unique", "duplicate key"):
        return CannotBeMet(
            f"the same was entered in {here} by somebody else meanwhile: nothing was changed. "
            "Look again at what it holds"
        )
    if has("connection", "could not translate", "authentication", "does not exist", "timeout"):
        return BadInput(f"{here} cannot be reached ({said}): nothing was changed")
    return AdaptError(f"{here}: the database refused ({said}): nothing was changed")
