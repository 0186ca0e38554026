"""The versions of the schema, and bringing a database to one. Alembic does the work.

How each version was made stands in `migrations/versions`.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

__all__ = ["VERSIONS", "migrate"]

VERSIONS = ("0001", "0002", "0003")
"""The versions of the schema, oldest first; the last is the one that this program works with."""


def migrate(connection: Connection, to: str = VERSIONS[-1]) -> None:
    """Bring the schema to a version, within the transaction of the connection."""
    # Not imported where a logbook is only used.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
