"""Single entries put right by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import ONE_JOB, demo_rotors, fresh, imported, to_write, with_demo, written

import adapt
from adapt.logbook.correcting import correct
from adapt.logbook.record import entry_of


def test_a_corrected_cell_is_in_force_and_the_old_one_in_the_record(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    made = correct(book, "readings", 1, {"amplitude": "0.25"}, "me", "typed wrong")
    assert (made.change, made.entry, made.doubts) == (2, 3, ())
    table = adapt.read_log(place).tables["readings"]
    assert table.text("amplitude").tolist() == ["0.25", "0.10"]
    assert table.text("clock").tolist() == ["4:20", "10:15"]
    assert table.rows.tolist() == [3, 2]
    with book.reading() as connection:
        assert [e.cells["amplitude"] for e in entry_of(connection, "readings", 3)] == [
            "0.30", "0.25",
        ]  # fmt: skip
    with pytest.raises(adapt.BadInput, match="found 1; expected an entry that is in force"):
        correct(book, "readings", 1, {"amplitude": "0.2"}, "me", "again")


def test_a_correction_that_makes_a_job_unusable_is_refused(place: str) -> None:
    book = to_write(with_demo(place))
    rotors = demo_rotors()
    with pytest.raises(adapt.BadInput, match="a clock angle"):
        correct(book, "readings", 1, {"clock": "13:75"}, "me", "as read", rotors)
    doubtful = correct(book, "readings", 2, {"amplitude": "5"}, "me", "as read", rotors)
    assert [p.row for p in doubtful.doubts] == [doubtful.entry]
    # The demo has a clock angle that cannot be.
    correct(book, "readings", 613, {"clock": "1:29"}, "me", "as on the tape", rotors)
    assert "J-018" not in adapt.check(rotors[0], place).set_aside


@pytest.mark.parametrize(
    ("name", "cells", "note", "said"),
    [
        ("reading", {"clock": "1:00"}, "x", "expected one of runs, readings"),
        ("readings", {}, "x", "found none"),
        ("readings", {"clock": "1:00"}, " ", "expected why"),
        ("readings", {"sensor": "cabin vertical"}, "x", "says which fact"),
        ("readings", {"clok": "1:00"}, "x", "did you mean 'clock'"),
        ("runs", {"rotor": ""}, "x", "expected a name"),
        ("readings", {"amplitude": "0.30"}, "x", "says so already"),
        (
            "readings",
            {"amplitude": "1.234,5"},
            "x",
            "amplitude: found '1.234,5'; expected a number",
        ),
        ("readings", {"amplitude": "1,234"}, "x", "expected a number"),
        (
            "readings",
            {"amplitude": "0.3", "clock": "abc"},
            "x",
            "clock: found 'abc'; expected",
        ),
        ("runs", {"started": "01.03.2026"}, "x", "expected a date and time"),
    ],
)
def test_a_request_that_cannot_be_met_says_why_and_changes_nothing(
    place: str, tmp_path: Path, name: str, cells: dict[str, str], note: str, said: str
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    with pytest.raises(adapt.BadInput, match=said):
        correct(book, name, 1, cells, "me", note)
    with pytest.raises(adapt.BadInput, match="a change that the logbook has"):
        adapt.read_log(place, known_on="change 2")


def test_a_correction_that_no_rotor_file_checked_says_so(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    made = correct(book, "readings", 1, {"amplitude": "0,25"}, "me", "typed wrong")
    assert made.unchecked == ("main rotor",)
    assert adapt.read_log(place).tables["readings"].text("amplitude")[0] == "0.25"
    made = correct(book, "readings", 2, {"amplitude": "0.2"}, "me", "as read", demo_rotors())
    assert made.unchecked == ()
