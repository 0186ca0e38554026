"""The study of kills: few of them lose nothing, and it would see a loss, a half and a stray."""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

from killed_work import KINDS, job_name
from kills import Held, begun, look, report, run

from adapt.database.making import new_logbook


def test_few_kills_of_imports_and_publishes_lose_nothing(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new_logbook(place)
    found = run(place, 6, 3, tmp_path)
    assert (found.missing, found.half, found.wrong) == (0, set(), [])
    assert found.good
    for kind in KINDS:
        tally = found.tallies[kind]
        assert tally.kills == tally.whole == tally.went_on == 3
        assert tally.before + tally.within + tally.after == 3
        assert tally.kept >= 4 + 3  # the first four, and what was given again after each kill
    assert sum(t.within + t.after for t in found.tallies.values()) > 0, "none fell within the work"
    report(found, "a place", 3)
    printed = capsys.readouterr().out
    assert "6 kills on a place" in printed
    assert "rows confirmed and missing: 0" in printed


@pytest.fixture
def held(tmp_path: Path) -> Held:
    """What was confirmed of a logbook with one job and one set."""
    place = str(tmp_path / "fleet.logbook")
    new_logbook(place)
    held = begun(place, 3, tmp_path)
    for kind in KINDS:
        assert held.work.do(held.book, kind, 1) == "all"
        held.confirm(kind, 1)
    held.compare(look(held.reading, held.work))
    assert (held.found.missing, held.found.half, held.found.wrong) == (0, set(), [])
    return held


def behind_its_back(held: Held, *statements: str) -> None:
    """Change rows that nothing may change: the rules against it are taken away first."""
    with closing(sqlite3.connect(held.work.place)) as raw, raw:
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        for (name,) in raw.execute(query).fetchall():
            raw.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            raw.execute(statement)


OF_THE_JOB = f"job = (SELECT name FROM names WHERE text = '{job_name(1)}')"


def test_a_row_that_is_lost_is_told_and_its_job_is_half_there(held: Held) -> None:
    behind_its_back(held, f"DELETE FROM moves WHERE {OF_THE_JOB} AND entry = "
                          f"(SELECT max(entry) FROM moves WHERE {OF_THE_JOB})")  # fmt: skip
    held.compare(look(held.reading, held.work))
    assert held.found.missing == 1
    assert held.found.half == {job_name(1)}
    assert held.found.wrong, "verify did not find it"
    assert not held.found.good


def test_a_job_that_is_lost_whole_is_told(held: Held) -> None:
    held.confirm("imports", 2)
    held.compare(look(held.reading, held.work))
    assert held.found.missing == held.jobs[job_name(2)].total() > 0
    assert held.found.half == set()
    assert "confirmed" in held.found.wrong[0]
    assert not held.found.good


def test_a_set_that_is_lost_or_half_there_is_told(held: Held) -> None:
    held.confirm("publishes", 2)
    behind_its_back(
        held, "UPDATE documents SET content = x'23' WHERE document = (SELECT chart FROM sets)"
    )
    held.compare(look(held.reading, held.work))
    assert held.found.missing == 3
    assert held.found.half == {"set 1"}
    assert not held.found.good


def test_what_nobody_was_at_is_told(held: Held) -> None:
    assert held.work.do(held.book, "imports", 2) == "all"
    assert held.compare(look(held.reading, held.work), job_name(2))
    assert held.found.half == set()
    assert held.found.wrong == []
    held.compare(look(held.reading, held.work), job_name(3))
    assert held.found.half == {job_name(2)}
    assert not held.found.good
