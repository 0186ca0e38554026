"""Reading a logbook neither waits for a writer nor keeps one waiting, however it was opened."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import ONE_JOB, fresh, imported, to_write, written

from adapt.database.opening import open_logbook
from adapt.database.states import latest
from adapt.database.writing import writing


@pytest.mark.parametrize("opened_to_write", [True, False])
def test_readers_see_one_state_beside_a_writer(
    place: str, tmp_path: Path, opened_to_write: bool
) -> None:
    imported(fresh(place), written(tmp_path / "log", ONE_JOB))
    reader = open_logbook(place, to_write=opened_to_write)
    with writing(to_write(place), "somebody", "note"), reader.reading() as connection:
        assert latest(connection) == 1
    with reader.reading() as connection:
        assert latest(connection) == 2
        with writing(to_write(place), "somebody", "note"):
            pass
        assert latest(connection) == 2
    with reader.reading() as connection:
        assert latest(connection) == 3
