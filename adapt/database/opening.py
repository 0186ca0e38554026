"""Opening a logbook: its engine, the version of its schema, one state of it to read.

A logbook on a file is SQLite with a write-ahead log: readers see the state of their beginning while
one writer works. On a server it is PostgreSQL. Making and upgrading one is `making`'s work.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from os import PathLike
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import NullPool

from adapt.database.address import Address, address_of
from adapt.database.explaining import damaged, explained, shows_damage
from adapt.database.migrating import VERSIONS
from adapt.database.on_file import PATIENCE_S, begin_in_turn, connect, require_file, still
from adapt.problems import BadInput, shown

__all__ = [
    "Logbook", "damage_told", "engine_of", "open_logbook", "require_version",
    "to_look_through", "version_of",
]  # fmt: skip

_VERSION = re.compile(r"[0-9]{4}")
_LINE = {
    # A line that was cut without a word is noticed within two minutes.
    "connect_timeout": 10, "keepalives": 1, "keepalives_idle": 30, "keepalives_interval": 10,
    "keepalives_count": 3, "tcp_user_timeout": 60_000,
}  # fmt: skip


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
        with (
            still(self.address),
            damage_told(self),
            explained(self.address),
            self._reader.connect() as connection,
        ):
            yield connection

    @cached_property
    def _reader(self) -> Engine:
        """Another engine than a writer's: reading waits for no writer, and keeps none waiting."""
        return engine_of(self.address, to_write=False)


def open_logbook(
    place: str | PathLike[str] | Address, to_write: bool = False, earlier: bool = False
) -> Logbook:
    """Open a logbook that is there.

    place: the path of its file, or its URL. earlier: it may be of an earlier version of the schema,
    to be copied or upgraded. Raises BadInput when there is none, when it is damaged,
    or of another version of the schema, with what to do.
    """
    address = place if isinstance(place, Address) else address_of(place)
    if address.file is not None:
        require_file(address, to_write)
    book = Logbook(address, engine_of(address, to_write))
    with book.reading() as connection:
        require_version(connection, address, earlier)
    return book


def to_look_through(place: str | PathLike[str]) -> Logbook:
    """Open a logbook to be looked through, however damaged and of whichever version it is.

    Raises BadInput where there is none, or a newer one, AdaptError where it cannot be reached.
    """
    address = address_of(place)
    if address.file is not None:
        require_file(address)
    book = Logbook(address, engine_of(address, to_write=False))
    with still(address), explained(address):
        try:
            with book.engine.connect() as connection:
                found = version_of(connection)
                if address.file is None or (found and _VERSION.fullmatch(found)):
                    require_version(connection, address, earlier=True)
        except (SQLAlchemyError, sqlite3.Error, UnicodeDecodeError) as error:
            if not shows_damage(error):
                raise
    return book


@contextmanager
def damage_told(book: Logbook) -> Iterator[None]:
    """Raise BadInput in place of what goes wrong within because the logbook is damaged.

    A logbook that does not hold what was put into it can show itself in any way: a name that is
    not there, a text that is no date. Only then is it looked through.
    """
    try:
        yield
    except (
        LookupError, ValueError, TypeError, ArithmeticError, AssertionError, AttributeError,
    ) as error:  # fmt: skip
        from adapt.database.verifying import verify

        if (found := verify(book)).whole:
            raise
        raise damaged(book.address, found.damages[0].what) from error


def require_version(connection: Connection, address: Address, earlier: bool = False) -> str:
    """Return the version of the schema; raise BadInput for one that this program does not know.

    earlier: an earlier version than the one that it works with will do.
    """
    found = version_of(connection)
    if found == VERSIONS[-1] or (earlier and found in VERSIONS):
        return str(found)
    here = shown(address.shown)
    if found is None and address.file is None:
        raise BadInput(f"{here} holds no logbook; 'adapt logbook new' makes one there")
    if found is None or not _VERSION.fullmatch(found):
        raise damaged(address, f"the version of its schema: {shown(found)}")
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
    path = address.file
    engine = create_engine(address.url, poolclass=NullPool, creator=lambda: connect(path, to_write))

    def begin(connection: Connection) -> None:
        raw = connection.connection.driver_connection
        if to_write and isinstance(raw, sqlite3.Connection):
            begin_in_turn(raw)
        else:
            connection.exec_driver_sql("BEGIN")

    event.listen(engine, "begin", begin)
    return engine


def _server(address: Address, to_write: bool) -> Engine:
    options: dict[str, Any] = {"isolation_level": "REPEATABLE READ"}
    if not to_write:
        options["postgresql_readonly"] = True
    try:
        engine = create_engine(
            address.url, poolclass=NullPool, connect_args=_LINE,
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
