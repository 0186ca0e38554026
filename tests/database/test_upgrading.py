"""A logbook of an earlier schema: refused with words, and brought up with all that it held.

The dumps in `schemas` were written by the program of their day; `make.py` there says how.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from books import demo_rotors, to_write

import adapt
from adapt.database.backing_up import back_up, restore
from adapt.database.making import upgrade_logbook
from adapt.database.migrating import VERSIONS
from adapt.database.opening import open_logbook, to_look_through
from adapt.database.schema import metadata
from adapt.database.states import latest
from adapt.database.verifying import verify
from adapt.problems import BadInput

SCHEMAS = Path(__file__).parent / "schemas"


EARLIER = VERSIONS[:-1]
ADDED = {"0001": {"withdrawals", "orders"}, "0002": {"orders"}}  # tables that came later


@pytest.fixture(params=EARLIER)
def version(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def old(place: str, version: str) -> str:
    """The address of a logbook of an earlier schema."""
    if place.startswith("postgresql"):
        engine = sa.create_engine(place.replace("postgresql:", "postgresql+psycopg:"))
        text = (SCHEMAS / f"{version}-postgresql.sql").read_text(encoding="utf-8")
        with engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute(text)
            raw.commit()
        engine.dispose()
    else:
        connection = sqlite3.connect(place)
        connection.executescript((SCHEMAS / f"{version}.sql").read_text(encoding="utf-8"))
        connection.close()
    return place


def everything(place: str, version: str) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows of all tables of an earlier schema."""
    engine = sa.create_engine(place.replace("postgresql:", "postgresql+psycopg:")
                              if "://" in place else f"sqlite:///{place}")  # fmt: skip
    found = {}
    with engine.connect() as connection:
        for table in metadata.sorted_tables:
            if table.name not in ADDED[version]:
                query = sa.select(table).order_by(next(iter(table.primary_key)))
                found[table.name] = [tuple(row) for row in connection.execute(query)]
    engine.dispose()
    return found


def test_an_earlier_schema_is_refused_with_what_to_do(old: str) -> None:
    for to_change in (False, True):
        with pytest.raises(BadInput, match=r"earlier version.*back-up.*adapt logbook upgrade"):
            open_logbook(old, to_write=to_change)
    with pytest.raises(BadInput, match="earlier version"):
        adapt.read_log(old)


def test_an_upgrade_keeps_every_row_as_it_was(old: str, version: str) -> None:
    before = everything(old, version)
    assert all(before.values()), "the dump has rows in every table"
    assert upgrade_logbook(old) == (version, VERSIONS[-1])
    assert everything(old, version) == before
    with to_write(old).engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    assert upgrade_logbook(old) == (VERSIONS[-1], VERSIONS[-1])
    assert everything(old, version) == before


def test_an_upgrade_leaves_every_seal_whole(old: str, version: str, tmp_path: Path) -> None:
    before = verify(to_look_through(old))
    assert before.damages == ()
    back_up(open_logbook(old, earlier=True), tmp_path / "before.logbook")
    upgrade_logbook(old)
    assert verify(open_logbook(old)).damages == ()
    assert verify(open_logbook(old)).digest == before.digest
    # What was backed up before comes back as it was, and goes the same way.
    restore(tmp_path / "before.logbook", tmp_path / "again.logbook")
    assert upgrade_logbook(tmp_path / "again.logbook") == (version, VERSIONS[-1])
    assert verify(open_logbook(tmp_path / "again.logbook")).digest == before.digest


def test_an_upgraded_logbook_reads_as_it_did(old: str) -> None:
    upgrade_logbook(old)
    log = adapt.read_log(old)
    assert sorted(set(log.tables["runs"].text("job"))) == ["J-001", "J-002", "J-030"]
    assert "0.777" in set(log.tables["readings"].text("amplitude"))
    # The dump took the last move out, and its review turned the sign of the first.
    moves = log.tables["moves"]
    assert len(moves) == 10
    assert moves.text("task_card")[0] == "J-001/1"
    history = adapt.check(demo_rotors()[0], log)
    assert history.faults == ()
    first = history.moves[(history.moves["job"] == "J-001") & (history.moves["blade"] == "red")]
    assert list(first["amount"]) == [2.0]


def test_what_was_added_refuses_to_change_after_an_upgrade(old: str) -> None:
    upgrade_logbook(old)
    book = to_write(old)
    with book.engine.begin() as connection:
        connection.execute(
            sa.insert(metadata.tables["orders"]),
            {"order": 1, "change": latest(connection), "job": 1, "after_run": 1, "known": 1,
             "content": "{}"},
        )  # fmt: skip
    for verb in ("UPDATE orders SET content = ''", "DELETE FROM orders"):
        with (
            book.engine.connect() as connection,
            pytest.raises(sa.exc.DBAPIError, match="append only"),
        ):
            connection.execute(sa.text(verb))


def test_views_show_what_is_in_force_in_text(old: str) -> None:
    upgrade_logbook(old)
    log = adapt.read_log(old)
    for table in (
        "runs", "readings", "track", "moves", "fitted", "events", "reviews", "corrections",
    ):  # fmt: skip
        kept = log.tables[table]
        with open_logbook(old).reading() as connection:
            rows = connection.execute(sa.text(f"SELECT * FROM {table}_in_force")).mappings().all()
        at = {row["entry"]: row for row in rows}
        assert sorted(at) == sorted(kept.rows.tolist())
        for column in kept.columns:
            if column in rows[0]:
                seen = [at[entry][column] or "" for entry in kept.rows.tolist()]
                assert np.array_equal(seen, kept.text(column)), (table, column)
        changes = {row["change"]: (row["entered_by"], row["entered_on"]) for row in rows}
        assert all(who == "N. N." and on.startswith("20") for who, on in changes.values())
