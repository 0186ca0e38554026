"""What somebody took away or switched off on a server is found, by name."""

from __future__ import annotations

import tempfile
from pathlib import Path

import psycopg
import pytest
from books import ONE_JOB, copied, fresh, imported, written
from servers import Server

from adapt.database.address import address_of
from adapt.database.making import make_tables
from adapt.database.migrating import VERSIONS
from adapt.database.opening import engine_of, open_logbook
from adapt.database.schema import metadata
from adapt.database.server_structure import damaged_on_server
from adapt.database.verifying import verify


@pytest.fixture
def place(server: Server) -> str:
    return copied(server.new_database(), fill)


def fill(place: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        imported(fresh(place), written(Path(folder), ONE_JOB))


def found_after(server: Server, place: str, *statements: str) -> list[str]:
    with server.connect(place.rpartition("/")[2]) as connection:
        for statement in statements:
            connection.execute(statement)
    return [str(d) for d in verify(open_logbook(place)).damages]


def test_a_server_as_it_was_made_is_whole(place: str) -> None:
    assert verify(open_logbook(place)).damages == ()


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DROP INDEX uq_readings_fact", "the index uq_readings_fact is not there"),
        (
            "DROP INDEX uq_moves_fact; CREATE INDEX uq_moves_fact ON moves (job, after_run, blade, "
            "adjuster) WHERE replaces IS NULL",
            "the index uq_moves_fact is not as it was made",
        ),
        (
            "DROP INDEX uq_moves_fact; CREATE UNIQUE INDEX uq_moves_fact ON moves (job, after_run, "
            "blade, adjuster) WHERE replaces IS NULL AND void = 0",
            "the index uq_moves_fact is not as it was made",
        ),
        (
            "UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'uq_runs_fact'::regclass",
            "the index uq_runs_fact is not valid: the server does not keep to it",
        ),
        (
            "ALTER TABLE runs DROP CONSTRAINT fk_runs_change",
            "the foreign key fk_runs_change is not there",
        ),
        (
            "ALTER TABLE names DROP CONSTRAINT uq_names_digest",
            "the unique constraint uq_names_digest is not there",
        ),
        ("ALTER TABLE runs ALTER job DROP NOT NULL", "the column runs.job is not as it was made"),
        ("DROP VIEW track_in_force", "the view track_in_force is not there"),
        (
            "ALTER TABLE runs DISABLE TRIGGER runs_append_only",
            "runs: the rule that nothing in it is changed is not as it was made",
        ),
        (
            "DROP TRIGGER seals_append_only ON seals",
            "seals: the rule that nothing in it is changed is not there",
        ),
        (
            "CREATE OR REPLACE TRIGGER moves_append_only BEFORE DELETE ON moves FOR EACH STATEMENT "
            "EXECUTE FUNCTION logbook_append_only()",
            "moves: the rule that nothing in it is changed is not as it was made",
        ),
    ],
)
def test_what_is_not_as_it_was_made_is_told_alone(
    server: Server, place: str, statement: str, told: str
) -> None:
    assert found_after(server, place, statement) == [told]


def test_rules_that_refuse_nothing_any_more_are_found_for_every_table(
    server: Server, place: str
) -> None:
    found = found_after(
        server, place,
        "CREATE OR REPLACE FUNCTION logbook_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RETURN NULL; END $$",
    )  # fmt: skip
    assert "runs: the rule that nothing in it is changed is not as it was made" in found
    assert len(found) == len(metadata.tables)


def test_an_index_that_lost_a_row_is_found_where_the_server_can_look(
    server: Server, place: str
) -> None:
    try:
        # An index that says it covers rows which it has never seen.
        found = found_after(
            server, place, "CREATE EXTENSION amcheck", "DROP INDEX ix_runs_rotor",
            "CREATE INDEX ix_runs_rotor ON runs (rotor) WHERE run < 0",
            "UPDATE pg_index SET indpred = NULL WHERE indexrelid = 'ix_runs_rotor'::regclass",
        )  # fmt: skip
    except psycopg.errors.FeatureNotSupported:
        pytest.skip("the server has no extension amcheck")
    (told,) = found
    assert told.startswith("the index ix_runs_rotor is damaged")


def test_an_earlier_version_is_held_against_how_that_one_was_made(server: Server) -> None:
    address = address_of(server.new_database())
    engine = engine_of(address, to_write=True)
    with engine.begin() as connection:
        make_tables(address, connection, VERSIONS[0])
        assert list(damaged_on_server(connection, VERSIONS[0])) == []
        assert "the table withdrawals is not there" in damaged_on_server(connection, VERSIONS[1])
