"""Making a logbook, and bringing one of an earlier version up to this one. Alembic does the work.

Either happens in one transaction: a logbook is there whole or not at all.
"""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

from adapt.database.address import Address, address_of
from adapt.database.opening import (
    APPLICATION,
    VERSIONS,
    Logbook,
    engine_of,
    explained,
    require_version,
    version_of,
)
from adapt.problems import AdaptError, BadInput, shown

__all__ = ["migrate", "new_logbook", "upgrade_logbook"]


def new_logbook(place: str | PathLike[str]) -> Logbook:
    """Make a logbook where there is none: a file, or tables in an empty database of a server.

    Raises BadInput when something is there already, AdaptError when it cannot be written.
    """
    address = address_of(place)
    _require_room(address)
    engine = engine_of(address, to_write=True)
    with explained(address):
        if address.file is not None:
            with engine.connect() as connection:
                # Outside of a transaction: neither can be set within one.
                raw = connection.connection.driver_connection
                assert raw is not None
                connection.rollback()
                raw.execute("PRAGMA journal_mode=WAL")
                raw.execute(f"PRAGMA application_id={APPLICATION}")
        with engine.begin() as connection:
            if version_of(connection) is not None:
                raise BadInput(f"{shown(address.shown)} is a logbook already: nothing was changed")
            migrate(connection)
    return Logbook(address, engine)


def _require_room(address: Address) -> None:
    path = address.file
    if path is None:
        return
    if path.is_dir():
        raise BadInput(f"{shown(address.shown)} is a folder; expected the name of a new file")
    if not Path(path).absolute().parent.is_dir():
        raise AdaptError(f"{shown(address.shown)} cannot be made: its folder is not there")
    try:
        with path.open("rb") as file:
            first = file.read(100)
    except FileNotFoundError:
        return
    except OSError as error:
        raise AdaptError(f"{shown(address.shown)} cannot be read ({error.strerror})") from None
    # A file that a killed `new` left behind is empty, or marked as ours and without tables.
    if first and int.from_bytes(first[68:72], "big") != APPLICATION:
        raise BadInput(f"{shown(address.shown)} is there already and is no logbook: choose another")


def upgrade_logbook(place: str | PathLike[str]) -> tuple[str, str]:
    """Bring a logbook of an earlier version up to this one; return both versions.

    Nothing of what it holds changes. Raises BadInput when there is none, or a newer one.
    """
    address = address_of(place)
    if address.file is not None:
        from adapt.database.opening import _require_file

        _require_file(address, address.file)
    with explained(address), engine_of(address, to_write=True).begin() as connection:
        found = version_of(connection)
        if found is None or found not in VERSIONS:
            require_version(connection, address)
        if found != VERSIONS[-1]:
            migrate(connection)
    return str(found), VERSIONS[-1]


def migrate(connection: Connection, to: str = VERSIONS[-1]) -> None:
    """Bring the schema to a version, within the transaction of the connection."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
