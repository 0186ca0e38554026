"""Earlier states: by date, by change, and where the clock jumped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from books import ONE_JOB, Rows, fresh, imported, written

import adapt
from adapt.database import writing
from adapt.database.opening import Logbook
from adapt.database.states import known_on, moment_of
from adapt.logbook.record import changes_of, entry_of, take_out


class Clock:
    """A clock that shows what it is told to."""

    def __init__(self, times: Sequence[str]) -> None:
        self._times: Iterator[str] = iter(times)

    def now(self, zone: object) -> datetime:
        return datetime.fromisoformat(next(self._times)).replace(tzinfo=UTC)

    @staticmethod
    def fromisoformat(text: str) -> datetime:
        return datetime.fromisoformat(text)


def at(times: Sequence[str], place: str, folder: Path, patch: pytest.MonkeyPatch) -> Logbook:
    """Make a logbook with one change at each time: the first job, then another amplitude each."""
    book = fresh(place)
    patch.setattr(writing, "datetime", Clock(times))
    for k, _ in enumerate(times):
        lines = [list(line) for line in ONE_JOB["readings"]]
        lines[1][4] = f"0.{30 + k}"
        rows: Rows = {**ONE_JOB, "readings": lines}
        assert imported(book, written(folder / str(k), rows), correct=True).change == k + 1
    return book


def amplitude(place: str, when: str) -> str:
    return str(adapt.read_log(place, known_on=when).tables["readings"].text("amplitude")[0])


def test_a_state_is_that_after_the_last_change_by_a_date(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at(["2026-03-01T10:00", "2026-03-05T10:00", "2026-03-05T12:00"], place, tmp_path, monkeypatch)
    assert amplitude(place, "2026-03-01T10:00Z") == "0.30"
    assert amplitude(place, "2026-03-05T11:00Z") == "0.31"
    assert amplitude(place, "2026-04-01") == "0.32"
    assert amplitude(place, "change 2") == "0.31"
    with pytest.raises(adapt.BadInput, match="holds no runs by 2026-02-01"):
        adapt.read_log(place, known_on="2026-02-01")
    with pytest.raises(adapt.BadInput, match="a change that the logbook has"):
        adapt.read_log(place, known_on="change 4")


def test_a_clock_set_back_does_not_put_a_later_state_before_an_earlier_one(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = ["2026-03-01T10:00", "2026-03-10T10:00", "2026-03-05T10:00", "2026-03-12T10:00"]
    book = at(times, place, tmp_path, monkeypatch)
    with book.reading() as connection:
        lines = changes_of(connection)
    assert [line.recorded[:10] for line in lines] == [
        "2026-03-01", "2026-03-10", "2026-03-10", "2026-03-12",
    ]  # fmt: skip
    assert [line.clock and line.clock[:10] for line in lines] == [None, None, "2026-03-05", None]
    assert amplitude(place, "2026-03-07") == "0.30"
    assert amplitude(place, "2026-03-11") == "0.32"


def test_where_the_clock_ran_ahead_a_date_says_that_it_may_not_tell_the_state(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = ["2026-03-01T10:00", "2036-03-02T10:00", "2026-03-03T10:00"]
    at(times, place, tmp_path, monkeypatch)
    log = adapt.read_log(place, known_on="2026-03-04")
    assert log.tables["readings"].text("amplitude")[0] == "0.30"
    assert len(log.problems) == 1
    assert "change 3" in log.problems[0].expected
    assert adapt.read_log(place, known_on="2026-03-02").problems == ()


def test_only_a_logbook_has_earlier_states(tmp_path: Path) -> None:
    folder = written(tmp_path / "log", ONE_JOB)
    with pytest.raises(adapt.BadInput, match="no logbook"):
        adapt.read_log(folder, known_on="2026-03-01")


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-01", "05/06/2026", "change x"])
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(adapt.BadInput, match="expected a date"):
        moment_of(text)


def test_one_rotor_is_read_alone(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    other = [("MR-2", "J-2", "1", "2026-03-02T09:00", "main rotor")]
    rows: Rows = {
        "runs": [*ONE_JOB["runs"], *other],
        "readings": [*ONE_JOB["readings"], ("J-2", "1", "hover", "cabin lateral", "0.2", "1:00")],
        "moves": ONE_JOB["moves"],
    }
    imported(book, written(tmp_path / "log", rows))
    log = adapt.read_log(place, rotors=["MR-2"])
    assert log.tables["runs"].text("job").tolist() == ["J-2"]
    assert log.tables["readings"].text("amplitude").tolist() == ["0.2"]
    assert "moves" not in log.tables
    with pytest.raises(adapt.BadInput, match="holds no runs of MR-3"):
        adapt.read_log(place, rotors=["MR-3"])


def test_a_row_taken_out_is_gone_from_the_state_and_kept_in_the_record(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    assert take_out(book, "readings", [2], "me", "read on another aircraft") == 2
    assert len(adapt.read_log(place).tables["readings"]) == 1
    assert len(adapt.read_log(place, known_on="change 1").tables["readings"]) == 2
    with book.reading() as connection:
        entries = entry_of(connection, "readings", 2)
    assert [(e.entry, e.void) for e in entries] == [(2, False), (3, True)]
    assert entries[0].cells["amplitude"] == "0.10"
    with pytest.raises(adapt.BadInput, match="found 2; expected entries that are in force"):
        take_out(book, "readings", [1, 2], "me", "again")
    assert len(adapt.read_log(place).tables["readings"]) == 1


def test_a_fact_that_was_taken_out_can_come_in_again(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    folder = written(tmp_path / "log", ONE_JOB)
    imported(book, folder)
    take_out(book, "readings", [1], "me", "not ours")
    # What is imported every week does not bring back what somebody took out.
    refused = imported(book, folder)
    assert (refused.change, refused.conflict_count) == (None, 1)
    (conflict,) = refused.conflicts
    assert (conflict.taken_out, dict(conflict.fact)["run"]) == (True, "1")
    assert imported(book, folder, correct=True).tables["readings"].new == 1
    table = adapt.read_log(place).tables["readings"]
    assert table.text("run").tolist() == ["1", "2"], "it has its old place"
    with book.reading() as connection:
        assert known_on(connection, "change 3") == (3, "")
        assert [e.entry for e in entry_of(connection, "readings", 1)] == [1, 3, 4]
