"""What a server says of a logbook's tables, indexes and rules, held against how they were made.

How they were made is asked of a database in memory, brought to the same version. What SQLite says
of its file stands in `structure`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing
from functools import cache

from sqlalchemy import Connection, create_engine, inspect, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import StaticPool

from adapt.database.explaining import said_of
from adapt.database.migrating import migrate

__all__ = ["damaged_indexes", "damaged_on_server"]

Parts = dict[tuple[str, str], object]
"""What each part of a schema is like, by its kind and its name."""

# pg_trigger.tgtype of BEFORE UPDATE OR DELETE OR TRUNCATE, once for each statement (pg_trigger.h).
_WHEN = 2 | 8 | 16 | 32
_RULE = " BEGIN RAISE EXCEPTION 'this logbook is append only'; END "
_RULES = """
    SELECT c.relname, t.tgenabled IN ('O', 'A') AND t.tgtype = :when AND t.tgqual IS NULL
        AND p.prosrc = :rule
    FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
    WHERE t.tgname = c.relname || '_append_only' AND pg_table_is_visible(c.oid)
"""
_INVALID = """
    SELECT 'index', i.relname FROM pg_index x JOIN pg_class i ON i.oid = x.indexrelid
    WHERE pg_table_is_visible(x.indrelid) AND NOT (x.indisvalid AND x.indisready AND x.indislive)
    UNION ALL
    SELECT 'constraint', k.conname FROM pg_constraint k
    WHERE pg_table_is_visible(k.conrelid) AND NOT k.convalidated
"""
_CHECKED = """
    SELECT i.relname, bt_index_check(x.indexrelid, true) IS NULL
    FROM pg_index x JOIN pg_class i ON i.oid = x.indexrelid
    JOIN pg_class c ON c.oid = x.indrelid JOIN pg_am a ON a.oid = i.relam
    WHERE i.relname = :index AND a.amname = 'btree' AND pg_table_is_visible(c.oid)
"""
_CAN_CHECK = """
    SELECT count(*) FROM pg_proc p WHERE p.proname = 'bt_index_check' AND p.pronargs = 2
        AND pg_function_is_visible(p.oid) AND has_function_privilege(p.oid, 'EXECUTE')
"""


def damaged_on_server(connection: Connection, version: str) -> Iterator[str]:
    """Give tables, columns, indexes, constraints, views and rules that are not as they were made.

    version: of the schema. Raises SQLAlchemyError when the server cannot list them.
    """
    expected, there = _as_made(version), _parts(connection)
    for kind, name in sorted(expected):
        if (kind, name) not in there:
            yield f"the {kind} {name} is not there"
        elif expected[kind, name] != there[kind, name]:
            yield f"the {kind} {name} is not as it was made"
    for kind, name in connection.execute(text(_INVALID)):
        yield f"the {kind} {name} is not valid: the server does not keep to it"
    rules = {str(t): bool(ok) for t, ok in connection.execute(
        text(_RULES), {"when": _WHEN, "rule": _RULE})}  # fmt: skip
    for table in sorted(name for kind, name in expected if kind == "table"):
        if table not in rules:
            yield f"{table}: the rule that nothing in it is changed is not there"
        elif not rules[table]:
            yield f"{table}: the rule that nothing in it is changed is not as it was made"


def damaged_indexes(connection: Connection) -> Iterator[str]:
    """Give indexes in which rows are missing or out of order.

    Only where the server has PostgreSQL's extension `amcheck`, and lets this user use it.
    """
    if not connection.execute(text(_CAN_CHECK)).scalar():
        return
    for kind, name in sorted(_parts(connection)):
        if kind not in ("index", "unique constraint"):
            continue
        try:
            with connection.begin_nested():
                connection.execute(text(_CHECKED), {"index": name}).all()
        except SQLAlchemyError as error:
            yield f"the index {name} is damaged ({said_of(error)}); REINDEX makes it anew"


@cache
def _as_made(version: str) -> Parts:
    """Return the parts of a version as they are made: the same as long as the program runs."""
    memory = create_engine("sqlite://", poolclass=StaticPool)
    try:
        with closing(memory.raw_connection()), memory.begin() as made:
            migrate(made, version)
            return _parts(made)
    finally:
        memory.dispose()


def _parts(connection: Connection) -> Parts:
    """Return the parts of a schema, told so that two kinds of databases tell them alike."""
    asked = inspect(connection)
    found: Parts = {("view", name): None for name in asked.get_view_names()}
    # Each asked once, of all tables.
    keys, columns_of = asked.get_multi_pk_constraint(), asked.get_multi_columns()
    indexes, uniques = asked.get_multi_indexes(), asked.get_multi_unique_constraints()
    pointing = asked.get_multi_foreign_keys()
    for table in asked.get_table_names():
        if table == "alembic_version":
            continue
        at = (None, table)
        found["table", table] = tuple(keys[at]["constrained_columns"])
        for column in columns_of[at]:
            found["column", f"{table}.{column['name']}"] = bool(column["nullable"])
        for index in indexes[at]:
            # A server tells a constraint's own index as well.
            if not index.get("duplicates_constraint"):
                columns, unique = tuple(index["column_names"]), bool(index["unique"])
                where = _condition(index.get("dialect_options", {}))
                found["index", str(index["name"])] = (table, columns, unique, where)
        for only in uniques[at]:
            found["unique constraint", str(only["name"])] = (table, tuple(only["column_names"]))
        for key in pointing[at]:
            points = (tuple(key["constrained_columns"]), key["referred_table"])
            found["foreign key", str(key["name"])] = (table, *points)
    return found


def _condition(options: Mapping[str, object]) -> str:
    """Return on which rows an index is, as both kinds of databases write it."""
    where = next((w for name, w in options.items() if name.endswith("_where")), "")
    return str(where).strip("()")
