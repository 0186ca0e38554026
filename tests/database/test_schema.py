"""The schema that migrations make is the one that the program works with, and rows stay."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from books import ONE_JOB, fresh, imported, written

import adapt.database
from adapt.database.migrating import VERSIONS
from adapt.database.schema import metadata


def test_migrations_make_the_schema_of_the_program(place: str) -> None:
    book = fresh(place)
    with book.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_versions_are_the_migrations_in_their_order() -> None:
    config = Config()
    folder = Path(adapt.database.__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder))
    revisions = [s.revision for s in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(revisions)) == VERSIONS


def test_the_database_itself_refuses_to_change_or_remove_a_row(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    assert imported(book, written(tmp_path / "log", ONE_JOB)).change == 1
    tried = set()
    for table in metadata.sorted_tables:
        key = next(iter(table.primary_key)).name
        column = sa.column(key)
        of = sa.table(table.name, column)
        for query in (sa.update(of).values({key: column}), sa.delete(of)):
            with book.engine.connect() as connection:
                rows = connection.execute(sa.select(sa.func.count()).select_from(of)).scalar()
                if rows or not book.on_file:  # a trigger of SQLite speaks for each row
                    tried.add(table.name)
                    with pytest.raises(sa.exc.DBAPIError, match="append only"):
                        connection.execute(query)
    assert tried >= {"changes", "seals", "names", "headers", "runs", "readings", "moves"}
