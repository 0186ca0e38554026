"""The tables of a logbook's database, as SQLAlchemy sees them. Making them is `migrations`' work.

Every row belongs to one change (who did what, when). A row of a log's table that corrects another
points at it (`replaces`); one that takes it out is `void`. Nothing is ever updated or deleted: the
database itself refuses that (triggers, see `migrations`).
"""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    text,
)

from adapt.log_columns import NEEDED_COLUMNS, OPTIONAL_COLUMNS

__all__ = [
    "CELLS", "KEYS", "LOG_TABLES", "NAMED", "changes", "documents", "headers", "job_states",
    "metadata", "names", "orders", "seals", "sets", "withdrawals",
]  # fmt: skip

KEYS: Mapping[str, tuple[str, ...]] = {
    "runs": ("job", "run"),
    "readings": ("job", "run", "regime", "sensor"),
    "track": ("job", "run", "regime", "blade"),
    "moves": ("job", "after_run", "blade", "adjuster"),
    "fitted": ("job", "blade", "adjuster"),
    "events": ("job", "after_run", "kind", "sensor", "note"),
    "reviews": ("review",),
    "corrections": (
        "review", "table", "job", "after_run", "run", "blade", "adjuster", "sensor", "regime",
    ),
}  # fmt: skip
"""What tells one fact of a table from another: no two rows that are in force share it."""

NAMED: Mapping[str, tuple[str, ...]] = {
    **KEYS,
    "runs": (*KEYS["runs"], "rotor", "design"),
    "reviews": (*KEYS["reviews"], "job", "run"),
}
"""The columns that hold names, kept once each in `names`; the others hold their text."""

CELLS: Mapping[str, tuple[str, ...]] = {
    name: tuple(c for c in (*NEEDED_COLUMNS[name], *OPTIONAL_COLUMNS[name]) if c not in NAMED[name])
    for name in KEYS
}
"""The columns of a log's table that hold their text, in the table's order."""

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    }
)

_Number = BigInteger().with_variant(Integer, "sqlite")


def _own_number(name: str) -> Column[int]:
    return Column(name, _Number, primary_key=True, autoincrement=False)


def _of_change() -> Column[int]:
    return Column("change", _Number, ForeignKey("changes.change"), nullable=False)


changes = Table(
    "changes",
    metadata,
    _own_number("change"),
    Column("recorded", Text, nullable=False),  # UTC, never before the change above
    Column("clock", Text),  # what the clock said, where that was before the change above
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("program", Text, nullable=False),
)

seals = Table(
    "seals",
    metadata,
    Column("change", _Number, ForeignKey("changes.change"), primary_key=True, autoincrement=False),
    Column("counts", Text, nullable=False),  # JSON: rows by table
    Column("digests", Text, nullable=False),  # JSON: of its rows, by table
    Column("digest", Text, nullable=False),  # of the change, the columns here, and the seal above
)

names = Table(
    "names",
    metadata,
    _own_number("name"),
    _of_change(),
    # Names of any length: an index on the text itself has a longest one in some databases.
    Column("digest", LargeBinary(16), nullable=False, unique=True),
    Column("text", Text, nullable=False),
)

headers = Table(
    "headers",
    metadata,
    _own_number("header"),
    _of_change(),
    Column("log_table", Text, nullable=False),
    Column("columns", Text, nullable=False),  # JSON: the columns of a source, in its order
)

job_states = Table(
    "job_states",
    metadata,
    _own_number("state"),
    _of_change(),
    Column("job", _Number, ForeignKey("names.name"), nullable=False, index=True),
    Column("status", Text, nullable=False),
    Column("closing_run", _Number, ForeignKey("names.name")),
    Column("released_by", Text, nullable=False),
    Column("note", Text, nullable=False),
)

documents = Table(
    "documents",
    metadata,
    _own_number("document"),
    _of_change(),
    Column("kind", Text, nullable=False),  # rotor file, chart, column map
    Column("label", Text, nullable=False),  # by which it is asked for: a design, a map's name
    Column("file", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("content", LargeBinary, nullable=False),
)

sets = Table(
    "sets",
    metadata,
    _own_number("set"),
    _of_change(),
    Column("label", Text, nullable=False, unique=True),
    Column("design", Text, nullable=False),
    Column("known", _Number, ForeignKey("changes.change"), nullable=False),
    Column("rotor", _Number, ForeignKey("documents.document"), nullable=False),
    Column("chart", _Number, ForeignKey("documents.document")),
    Column("settings", Text, nullable=False),  # JSON
    Column("programs", Text, nullable=False),  # JSON: this program and its libraries, by version
    Column("digest", Text, nullable=False),
    Column("content", LargeBinary, nullable=False),  # the coefficients file, byte for byte
)

withdrawals = Table(
    "withdrawals",
    metadata,
    _own_number("withdrawal"),
    _of_change(),
    Column("set", _Number, ForeignKey("sets.set"), nullable=False, unique=True),
    Column("why", Text, nullable=False),
)


orders = Table(
    "orders",
    metadata,
    _own_number("order"),
    _of_change(),
    Column("job", _Number, ForeignKey("names.name"), nullable=False, index=True),
    Column("after_run", _Number, ForeignKey("names.name"), nullable=False),
    Column("known", _Number, ForeignKey("changes.change"), nullable=False),
    Column("content", Text, nullable=False),  # JSON: the moves, and what they were to bring
)


def _log_table(name: str) -> Table:
    in_force = text("replaces IS NULL")
    table = Table(
        name,
        metadata,
        _own_number("entry"),
        _of_change(),
        Column("replaces", _Number, ForeignKey(f"{name}.entry")),
        Column("void", SmallInteger, nullable=False),
        *(Column(c, _Number, nullable=False) for c in NAMED[name]),
        *(Column(c, Text) for c in CELLS[name]),  # NULL: an empty cell
        Column("extra", Text),  # JSON: the cells of columns that a log does not know
    )
    # Two writers cannot enter one fact twice, nor correct one row twice.
    Index(
        f"uq_{name}_fact", *(table.c[c] for c in KEYS[name]), unique=True,
        sqlite_where=in_force, postgresql_where=in_force,
    )  # fmt: skip
    corrected = text("replaces IS NOT NULL")
    Index(
        f"uq_{name}_replaces", table.c.replaces, unique=True,
        sqlite_where=corrected, postgresql_where=corrected,
    )  # fmt: skip
    if KEYS[name][0] != "job" or name == "runs":
        Index(f"ix_{name}_{'rotor' if name == 'runs' else 'job'}",
              table.c["rotor" if name == "runs" else "job"])  # fmt: skip
    return table


LOG_TABLES: Mapping[str, Table] = {name: _log_table(name) for name in KEYS}
