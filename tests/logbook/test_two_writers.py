"""Two who write at once take turns: nothing is lost, nobody starves, no reader sees a half."""

from __future__ import annotations

import sys
from pathlib import Path

from books import fresh

from adapt.database.verifying import verify

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

from two_writers import run


def test_two_writers_and_two_readers_at_once_lose_nothing(place: str) -> None:
    book = fresh(place)
    found = run(place, seconds=2.5)
    assert found.lost == []
    assert found.torn == 0
    assert found.failed == []
    assert min(found.kept.values()) > 0.1 * max(found.kept.values()), found.kept
    assert found.reads > 0
    seen = verify(book)
    assert seen.whole
    assert seen.changes == sum(found.kept.values())
