"""Killed within an upgrade: the logbook is of the earlier version or of the later, and whole.

The later version is invented here, so that there is always one: it adds tables, an index and rules.
"""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from alembic.config import Config
from books import to_write
from forked import child_of
from small_jobs import bring_in

from adapt.database import making, opening, verifying
from adapt.database.making import new_logbook, upgrade_logbook
from adapt.database.migrating import VERSIONS
from adapt.database.opening import open_logbook, version_of
from adapt.database.verifying import verify_rows

LATER = f'''
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "0098", "{VERSIONS[-1]}", None, None


def upgrade():
    for number in range(12):
        op.create_table(f"later_{{number}}", sa.Column("n", sa.Integer, primary_key=True),
                        sa.Column("text", sa.Text))
        op.create_index(f"ix_later_{{number}}", f"later_{{number}}", ["text"])
        op.execute(f"INSERT INTO later_{{number}} VALUES (1, 'one')")
'''


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the program know a later version of the schema."""
    folder = tmp_path / "versions"
    folder.mkdir()
    (folder / "0098_later.py").write_text(LATER)
    own = Path(making.__file__).parent / "migrations" / "versions"

    class Both(Config):
        def __init__(self) -> None:
            super().__init__()
            self.set_main_option("version_path_separator", "os")
            self.set_main_option("version_locations", f"{own}:{folder}")

    monkeypatch.setattr("alembic.config.Config", Both)
    for module in (making, opening, verifying):
        monkeypatch.setattr(module, "VERSIONS", (*VERSIONS, "0098"))


def test_a_kill_of_an_upgrade_leaves_the_earlier_version_or_the_later(
    place: str, request: pytest.FixtureRequest
) -> None:
    new_logbook(place)
    book = to_write(place)
    for number in range(1, 4):
        bring_in(book, number)
    request.getfixturevalue("later")
    with book.engine.connect() as connection:
        digest = verify_rows(connection).digest
    draw = random.Random(14)
    versions = set()
    for kill in range(25):
        child = child_of(lambda tell: tell(" ".join(upgrade_logbook(place))))
        # A kill so late that it comes after the end is the last.
        time.sleep(draw.uniform(0.0, 0.02 + 0.03 * kill))
        lines = child.kill()
        assert not [line for line in lines if line.startswith("failed")], lines
        with open_logbook(place, earlier=True).reading() as connection:
            version = version_of(connection)
            there = connection.dialect.has_table(connection, "later_11")
            assert connection.dialect.has_table(connection, "later_0") == there
            if version == VERSIONS[-1]:
                assert verify_rows(connection).digest == digest
        assert there == (version == "0098")
        assert version == "0098" or not lines
        versions.add(version)
        if version == "0098":
            break
    assert VERSIONS[-1] in versions, "no child was killed before it was done"
    assert upgrade_logbook(place)[1] == "0098"
    assert upgrade_logbook(place) == ("0098", "0098")
