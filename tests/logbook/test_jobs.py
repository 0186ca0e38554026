"""The status of jobs: who released what, and what a closed job refuses."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import ONE_JOB, Rows, fresh, imported, written

import adapt
from adapt.logbook.jobs import jobs_of, set_status


def test_a_job_is_closed_with_its_last_run_and_released_by_somebody(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    assert [job.state.status for job in jobs_of(book)] == ["open"]
    set_status(book, "J-1", "closed", "me", closing_run="2", released_by="A. Reed", note="ok")
    job = jobs_of(book)[0]
    assert (job.runs, job.rotor) == (("1", "2"), "MR-9")
    assert (job.state.status, job.state.closing_run, job.state.released_by) == (
        "closed", "2", "A. Reed",
    )  # fmt: skip
    set_status(book, "J-1", "open", "me", note="came back")
    assert jobs_of(book)[0].state.status == "open"


def test_everything_that_is_wrong_with_closing_is_said_at_once(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    with pytest.raises(adapt.BadInput) as told:
        set_status(book, "J-1", "closed", "me", closing_run="7", released_by=" ")
    assert "released by" in str(told.value)
    assert "'7'" in str(told.value)
    with pytest.raises(adapt.BadInput, match="the last run"):
        set_status(book, "J-1", "closed", "me", closing_run="1", released_by="A. Reed")
    with pytest.raises(adapt.BadInput, match="a job of the logbook"):
        set_status(book, "J-7", "stopped", "me")
    with pytest.raises(adapt.CannotBeMet, match="is open already"):
        set_status(book, "J-1", "open", "me")


def test_a_closed_job_takes_corrections_and_no_new_rows(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    set_status(book, "J-1", "closed", "me", closing_run="2", released_by="A. Reed")
    more: Rows = {"moves": [*ONE_JOB["moves"], ("J-1", "2", "blue", "hub weight", "20")]}
    found = imported(book, written(tmp_path / "more", more))
    assert found.change is None
    assert [(p.found, p.job) for p in found.wrong] == [("job J-1, closed", "J-1")]
    lines = [list(line) for line in ONE_JOB["moves"]]
    lines[1][4] = "60"
    other = written(tmp_path / "other", {"moves": lines})
    assert imported(book, other, correct=True).change is not None
