"""What a database itself says of a logbook's file, tables and rules: whole, or in which way not."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from functools import cache

from sqlalchemy import Connection, Table, create_engine, func, or_, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import StaticPool

from adapt.database.explaining import said_of
from adapt.database.migrating import migrate
from adapt.database.schema import KEYS, LOG_TABLES
from adapt.database.server_structure import damaged_indexes, damaged_on_server

__all__ = ["damaged_corrections", "damaged_file", "damaged_rules"]

Rules = Mapping[tuple[str, str], str]
MOST = 20  # findings of one kind that are told


def damaged_file(connection: Connection) -> Iterator[str]:
    """Give what SQLite finds wrong with its file and with rows that point at others.

    Of a server, which keeps rows pointing rightly itself: what it finds wrong with its indexes.
    """
    if connection.dialect.name != "sqlite":
        yield from damaged_indexes(connection)
        return
    raw = connection.connection.driver_connection
    assert raw is not None
    try:
        for (found,) in raw.execute(f"PRAGMA integrity_check({MOST})"):
            if found != "ok":
                yield " ".join(str(found).split())
        for i, (table, row, parent, _) in enumerate(raw.execute("PRAGMA foreign_key_check")):
            if i == MOST:
                break
            yield f"{table}, row {row}: points at nothing in {parent}"
    except sqlite3.Error as error:
        yield f"the file cannot be read to its end ({said_of(error)})"


def damaged_rules(connection: Connection, version: str) -> Iterator[str]:
    """Give tables, indexes and rules (that nothing is changed) that are not as they were made."""
    try:
        if connection.dialect.name != "sqlite":
            yield from damaged_on_server(connection, version)
            return
        there = _rules_of(connection)
        expected = _as_made(version)
        for kind, name in sorted(expected.keys() - there.keys()):
            yield f"the {kind} {name} is not there"
        for kind, name in sorted(k for k in expected.keys() & there.keys()):
            if expected[kind, name] != there[kind, name]:
                yield f"the {kind} {name} is not as it was made"
    except SQLAlchemyError as error:
        yield f"the tables cannot be listed ({said_of(error)})"


@cache
def _as_made(version: str) -> Rules:
    """Return the rules of a version as they are made: the same as long as the program runs."""
    memory = create_engine("sqlite://", poolclass=StaticPool)
    with closing(memory.raw_connection()), memory.begin() as made:
        migrate(made, version)
        expected = _rules_of(made)
    memory.dispose()
    return expected


def _rules_of(connection: Connection) -> Rules:
    """Return what makes each table, index and rule of a file, by its kind and name."""
    query = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
    return {(kind, name): sql for kind, name, sql in connection.exec_driver_sql(query)}


def damaged_corrections(connection: Connection) -> Iterator[tuple[str, str]]:
    """Give the table and the words for rows that do not correct an earlier one of the same fact."""
    for name, table in LOG_TABLES.items():
        try:
            for (entry,) in connection.execute(_beside_their_fact(name, table)):
                yield name, f"row {entry} corrects none of the same fact above it"
            for (above,) in connection.execute(_corrected_twice(table)):
                yield name, f"row {above} is corrected more than once"
        except (SQLAlchemyError, sqlite3.Error) as error:
            yield name, f"its corrections cannot be read ({said_of(error)})"


def _beside_their_fact(name: str, table: Table):  # type: ignore[no-untyped-def]
    above = table.alias()
    return (
        select(table.c.entry)
        .select_from(table.outerjoin(above, above.c.entry == table.c.replaces))
        .where(
            table.c.replaces.is_not(None),
            or_(
                above.c.entry.is_(None),
                above.c.entry >= table.c.entry,
                *(above.c[c] != table.c[c] for c in KEYS[name]),
            ),
        )
        .order_by(table.c.entry)
        .limit(MOST)
    )


def _corrected_twice(table: Table):  # type: ignore[no-untyped-def]
    return (
        select(table.c.replaces)
        .where(table.c.replaces.is_not(None))
        .group_by(table.c.replaces)
        .having(func.count() > 1)
        .limit(MOST)
    )
