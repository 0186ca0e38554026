"""Making a logbook, and bringing one of an earlier version up to this one. Alembic does the work.

Either happens in one transaction: a logbook is there whole or not at all.
"""

from __future__ import annotations

from contextlib import closing
from os import PathLike

from sqlalchemy import Connection, inspect

from adapt.database.address import Address, address_of
from adapt.database.explaining import explained
from adapt.database.migrating import VERSIONS, migrate
from adapt.database.on_file import APPLICATION, connect, put_in_place, require_file
from adapt.database.opening import Logbook, engine_of, require_version, version_of
from adapt.problems import BadInput, shown

__all__ = ["make_tables", "mark", "new_logbook", "upgrade_logbook"]


def new_logbook(place: str | PathLike[str]) -> Logbook:
    """Make a logbook where there is none: a file, or tables in an empty database of a server.

    Raises BadInput when something is there already, AdaptError when it cannot be written.
    """
    address = address_of(place)
    if address.file is None:
        engine = engine_of(address, to_write=True)
        with explained(address), engine.begin() as connection:
            make_tables(address, connection)
    else:
        with put_in_place(address) as part, explained(address):
            mark(part)
            with engine_of(part, to_write=True).begin() as connection:
                migrate(connection)
    return Logbook(address, engine_of(address, to_write=True))


def mark(part: Address) -> None:
    """Mark an empty file as that of a logbook. Raises sqlite3.Error."""
    assert part.file is not None
    with closing(connect(part.file, to_write=True)) as raw:
        # Outside of a transaction: neither can be set within one.
        raw.execute("PRAGMA journal_mode=WAL")
        raw.execute(f"PRAGMA application_id={APPLICATION}")


def make_tables(address: Address, connection: Connection, version: str = VERSIONS[-1]) -> None:
    """Make the tables of a logbook in an empty database of a server, within a transaction.

    Raises BadInput when it is not empty, or cannot keep every text.
    """
    here = shown(address.shown)
    # Two who make one in the same database at once take turns.
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPLICATION})")
    if version_of(connection) is not None:
        raise BadInput(f"{here} is a logbook already: nothing was changed")
    if tables := inspect(connection).get_table_names():
        raise BadInput(
            f"{here} holds tables of another program ({shown(tables[0])[1:-1]}, ...): expected an "
            "empty database; nothing was changed"
        )
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar()
    if encoding != "UTF8":
        raise BadInput(
            f"{here} keeps text as {encoding}, which cannot keep every name; expected a database "
            "made with the encoding UTF8 (createdb -E UTF8); nothing was changed"
        )
    migrate(connection, version)


def upgrade_logbook(place: str | PathLike[str]) -> tuple[str, str]:
    """Bring a logbook of an earlier version up to this one; return both versions.

    Nothing of what it holds changes. Raises BadInput when there is none, or a newer one.
    """
    address = address_of(place)
    if address.file is not None:
        require_file(address, to_write=True)
    with explained(address), engine_of(address, to_write=True).begin() as connection:
        found = version_of(connection)
        if found is None or found not in VERSIONS:
            require_version(connection, address)
        if found != VERSIONS[-1]:
            migrate(connection, VERSIONS[-1])
    return str(found), VERSIONS[-1]
