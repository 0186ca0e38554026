"""A clock that jumps: the order of changes holds, and so does every state as it was known."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import pytest
from books import fresh
from small_jobs import ROWS, bring_in

from adapt.database import writing
from adapt.database.states import known_on, tables_in_force
from adapt.database.verifying import verify
from adapt.logbook.record import changes_of


class Clock:
    """Stands in for the machine's clock."""

    now = datetime(2026, 5, 1, 12, tzinfo=UTC)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    set_by_hand = Clock()

    class Jumping(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return set_by_hand.now

    monkeypatch.setattr(writing, "datetime", Jumping)
    return set_by_hand


def test_changes_keep_their_order_whichever_way_the_clock_jumps(place: str, clock: Clock) -> None:
    book = fresh(place)
    draw = random.Random(7)
    said = []
    for number in range(1, 25):
        clock.now += timedelta(days=draw.choice([-4000, -30, -1, 0, 0, 1, 1, 2, 400, 4000]),
                               seconds=draw.randrange(-100, 100))  # fmt: skip
        said.append(clock.now)
        assert bring_in(book, number).change == number
    seen = verify(book)
    assert seen.whole
    assert seen.changes == 24
    with book.reading() as connection:
        lines = changes_of(connection)
        recorded = [datetime.fromisoformat(line.recorded) for line in lines]
        assert recorded == sorted(recorded)
        # The time of a change is what the clock said, or the latest that it had said before.
        highest = said[0]
        for line, moment, own in zip(lines, recorded, said, strict=True):
            highest = max(highest, own)
            assert moment == highest
            assert (line.clock is None) == (own == highest)
            assert line.clock is None or datetime.fromisoformat(line.clock) == own
        # As known on any moment: all changes recorded by then, and no other.
        for moment in [*recorded, *(m + timedelta(microseconds=1) for m in recorded), *said]:
            change, _ = known_on(connection, moment)
            assert change == sum(r <= moment for r in recorded)
            tables = tables_in_force(book, connection, change)
            assert sum(len(t) for t in tables.values()) == change * ROWS


def test_a_clock_at_the_ends_of_time_stops_nobody(place: str, clock: Clock) -> None:
    book = fresh(place)
    for number, moment in enumerate(
        (
            datetime(1970, 1, 1, tzinfo=UTC),
            datetime(9999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
            datetime(1, 1, 1, tzinfo=UTC),
        ),
        start=1,
    ):
        clock.now = moment
        assert bring_in(book, number).change == number
    assert verify(book).whole
