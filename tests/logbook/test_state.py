"""Whose a job is, as a logbook knew it."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import ONE_JOB, fresh, imported, written

from adapt.logbook.state import log_at, serials_of_job
from adapt.problems import BadInput


def test_a_job_is_of_every_rotor_that_some_row_gave_it_to(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    lines = [list(line) for line in ONE_JOB["runs"]]
    for line in lines[1:]:
        line[0] = "MR-8"
    imported(book, written(tmp_path / "other", {"runs": lines}), correct=True)
    with book.reading() as connection:
        assert serials_of_job(connection, 0, "J-1") == []
        assert serials_of_job(connection, 1, "J-1") == ["MR-9"]
        # Whose rows the job had is read too, so that nothing of it is missed.
        assert serials_of_job(connection, 2, "J-1") == ["MR-8", "MR-9"]
        assert serials_of_job(connection, 2, "J-2") == []
        for serials in (["MR-8"], ["MR-9"], None):
            log = log_at(book, connection, 2, serials)
            assert set(log.tables["runs"].text("rotor")) == {"MR-8"}
        assert set(log_at(book, connection, 1).tables["runs"].text("rotor")) == {"MR-9"}
        with pytest.raises(BadInput, match="holds no runs as of change 0"):
            log_at(book, connection, 0)
