"""Imports: everything new comes in once, what is there adds nothing, all or nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from books import DEMO, ONE_JOB, Rows, demo_rotors, fresh, imported, to_write, with_demo, written

import adapt
from adapt.log_columns import NEEDED_COLUMNS


def changed(rows: Rows, table: str, line: int, column: str, text: str) -> Rows:
    lines = [list(row) for row in rows[table]]
    lines[line][lines[0].index(column)] = text
    return {**rows, table: lines}


def cells(place: str, table: str, **options: object) -> list[dict[str, str]]:
    log = adapt.read_log(place, **options)  # type: ignore[arg-type]
    found = log.tables[table]
    columns = {c: found.text(c) for c in found.columns}
    return [{c: str(text[i]) for c, text in columns.items()} for i in range(len(found))]


def test_the_demo_reads_from_a_logbook_as_from_its_folder(place: str) -> None:
    book = fresh(place)
    made = imported(book, DEMO / "log", rotors=demo_rotors(), with_faults=True)
    assert made.change == 1
    assert made.refused == ""
    folder, logbook = adapt.read_log(DEMO / "log"), adapt.read_log(place)
    assert set(folder.tables) == set(logbook.tables)
    for name, table in folder.tables.items():
        kept = logbook.tables[name]
        assert set(table.columns) <= set(kept.columns)
        for column in kept.columns:
            assert np.array_equal(kept.text(column), table.text(column)), (name, column)
    for rotor in demo_rotors():
        one, other = adapt.check(rotor, folder), adapt.check(rotor, logbook)
        for name in ("runs", "readings", "track", "moves", "fitted", "events"):
            assert getattr(one, name).equals(getattr(other, name)), name
        assert one.set_aside == other.set_aside
        assert len(one.doubts) == len(other.doubts)


def test_importing_twice_adds_nothing(place: str) -> None:
    book = to_write(with_demo(place))
    again = imported(book, DEMO / "log", with_faults=True)
    assert again.change is None
    assert again.new == 0
    assert again.conflict_count == 0
    assert {name: c.there for name, c in again.tables.items()} == {
        name: len(table) for name, table in adapt.read_log(DEMO / "log").tables.items()
    }


def test_faults_keep_an_import_out_and_are_told_in_the_rows_of_the_source(place: str) -> None:
    book = fresh(place)
    found = imported(book, DEMO / "log", rotors=demo_rotors())
    assert found.change is None
    assert "could not be used" in found.refused
    assert [(p.file, p.row, p.column, p.job) for p in found.faults] == [
        ("readings.csv", 614, "clock", "J-018")
    ]
    with pytest.raises(adapt.BadInput, match="holds no runs"):
        adapt.read_log(place)


def test_a_dry_run_tells_what_would_come_in_and_keeps_nothing(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    folder = written(tmp_path / "log", ONE_JOB)
    found = imported(book, folder, dry=True)
    assert found.change is None
    assert found.dry
    assert found.new == 5
    assert imported(book, folder).change == 1


def test_the_same_number_written_otherwise_is_there_already(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    other = changed(ONE_JOB, "readings", 1, "amplitude", "0.3")
    other = changed(other, "readings", 2, "clock", "10:15:00")
    other = changed(other, "runs", 1, "started", "2026-03-01 09:00:00")
    again = imported(book, written(tmp_path / "again", other))
    assert again.change is None
    assert again.conflict_count == 0
    assert again.new == 0


def test_another_word_on_a_fact_is_a_conflict_and_nothing_comes_in(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    other = changed(ONE_JOB, "readings", 2, "amplitude", "0.12")
    more = {**other, "moves": [*other["moves"], ("J-1", "2", "blue", "hub weight", "20")]}
    found = imported(book, written(tmp_path / "other", more))
    assert found.change is None
    assert found.conflict_count == 1
    conflict = found.conflicts[0]
    assert (conflict.file, conflict.row, conflict.with_row) == ("readings.csv", 3, None)
    assert conflict.differs == (("amplitude", "0.10", "0.12"),)
    assert dict(conflict.fact)["run"] == "2"
    assert len(cells(place, "moves")) == 1


def test_a_correction_replaces_and_every_earlier_state_can_be_asked_for(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    other = changed(ONE_JOB, "readings", 2, "amplitude", "0.12")
    found = imported(book, written(tmp_path / "other", other), correct=True)
    assert found.change == 2
    assert found.tables["readings"].corrected == 1
    again = changed(ONE_JOB, "readings", 2, "amplitude", "0.11")
    assert imported(book, written(tmp_path / "again", again), correct=True).change == 3
    assert [row["amplitude"] for row in cells(place, "readings")] == ["0.30", "0.11"]
    from adapt.database.states import tables_in_force

    with book.reading() as connection:
        for change, amplitude in ((1, "0.10"), (2, "0.12"), (3, "0.11")):
            table = tables_in_force(book, connection, change)["readings"]
            assert table.text("amplitude").tolist() == ["0.30", amplitude]


def test_a_correction_keeps_what_its_source_does_not_say(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    rows = dict(ONE_JOB)
    rows["readings"] = [
        (*line, note)
        for line, note in zip(ONE_JOB["readings"], ("bearing_temp", "41", "43"), strict=True)
    ]
    imported(book, written(tmp_path / "log", rows))
    other = changed(ONE_JOB, "readings", 1, "clock", "4:25")
    assert imported(book, written(tmp_path / "other", other), correct=True).change == 2
    assert cells(place, "readings")[0]["bearing_temp"] == "41"
    assert cells(place, "readings")[0]["clock"] == "4:25"


def test_rows_that_contradict_each_other_in_one_source_are_told_with_both_rows(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    lines = [*ONE_JOB["readings"], ("J-1", "1", "hover", "cabin lateral", "0.31", "4:20")]
    found = imported(book, written(tmp_path / "log", {**ONE_JOB, "readings": lines}), correct=True)
    assert found.change is None
    assert [(c.row, c.with_row) for c in found.conflicts] == [(4, 2)]


def test_a_fact_that_a_source_tells_twice_comes_in_once(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    lines = [*ONE_JOB["readings"], ("J-1", "1", "hover", "cabin lateral", "0.30", "4:20")]
    found = imported(book, written(tmp_path / "log", {**ONE_JOB, "readings": lines}))
    assert found.tables["readings"].twice == 1
    assert len(cells(place, "readings")) == 2


def test_every_row_that_cannot_be_kept_is_told_at_once(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    rows = changed(ONE_JOB, "readings", 1, "sensor", "")
    rows = changed(rows, "moves", 1, "blade", "")
    rows = {**rows, "runs": [*rows["runs"], ("MR-9", "J-1")]}
    found = imported(book, written(tmp_path / "log", rows), with_faults=True)
    assert found.change is None
    assert {(p.file, p.row) for p in found.wrong} == {
        ("readings.csv", 2), ("moves.csv", 2), ("runs.csv", 4),
    }  # fmt: skip


def test_a_decimal_comma_becomes_a_point_and_means_the_same(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    folder = written(tmp_path / "log", ONE_JOB)
    text = "job;run;regime;sensor;amplitude [ips];clock\nJ-1;1;hover;cabin lateral;0,305;4:20\n"
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    assert imported(book, folder).change == 1
    row = cells(place, "readings")[0]
    assert row["amplitude"] == "0.305"
    assert row["unit"] == "ips"


def test_a_number_that_would_mean_another_one_beside_other_files_is_refused(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    folder = written(tmp_path / "log", ONE_JOB)
    text = (
        "job;run;regime;sensor;amplitude;clock\nJ-1;1;hover;cabin lateral;0,3;4:20\n"
        "J-1;2;hover;cabin lateral;1.234;4:20\n"
    )
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    found = imported(book, folder, with_faults=True)
    assert [(p.row, p.column) for p in found.wrong] == [(3, "amplitude")]


def test_rows_of_a_job_without_runs_are_faults(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    folder = written(tmp_path / "log", {"moves": ONE_JOB["moves"]})
    found = imported(book, folder)
    assert found.change is None
    assert [p.job for p in found.faults] == ["J-1"]


def test_tables_come_in_one_after_the_other(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    for name in ("runs", "readings", "moves"):
        assert imported(book, written(tmp_path / name, {name: ONE_JOB[name]})).change
    assert set(adapt.read_log(place).tables) == {"runs", "readings", "moves"}


@pytest.mark.parametrize("name", list(NEEDED_COLUMNS))
def test_every_table_of_a_log_can_be_kept(place: str, tmp_path: Path, name: str) -> None:
    book = fresh(place)
    columns = [*NEEDED_COLUMNS[name], "note" if name == "reviews" else "clock"]
    columns = list(dict.fromkeys(columns))
    row = ["J-1" if c == "job" else f"{c} 1" for c in columns]
    rows: Rows = {"runs": ONE_JOB["runs"], name: [columns, row]}
    if name == "runs":
        rows = {"runs": [*ONE_JOB["runs"], ("MR-9", "J-1", "3", "", "main rotor")]}
    assert imported(book, written(tmp_path / "log", rows)).change == 1
    with book.reading() as connection:
        from adapt.database.states import tables_in_force

        kept = tables_in_force(book, connection, 1)[name]
    assert len(kept) == len(rows[name]) - 1


def test_a_job_belongs_to_one_rotor_whatever_hangar_named_it(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "log", ONE_JOB))
    other: Rows = {
        "runs": [ONE_JOB["runs"][0], ("MR-2", "J-1", "3", "2026-03-02T09:00", "main rotor")]
    }
    found = imported(book, written(tmp_path / "other", other))
    assert found.change is None
    assert [(p.column, p.job) for p in found.faults] == [("rotor", "J-1")]
    assert "'MR-9' and 'MR-2'" in found.faults[0].found


def test_another_logbook_comes_in_like_a_folder_as_it_is_in_force(
    place: str, second_place: Callable[[], str], tmp_path: Path
) -> None:
    first = to_write(with_demo(place))
    lines = changed(ONE_JOB, "readings", 1, "amplitude", "0.31")
    imported(first, written(tmp_path / "log", ONE_JOB))
    imported(first, written(tmp_path / "other", lines), correct=True)
    other = second_place()
    second = fresh(other)
    made = imported(second, Path(place) if first.on_file else place, with_faults=True)  # type: ignore[arg-type]
    assert made.change == 1
    one, two = adapt.read_log(place), adapt.read_log(other)
    assert set(one.tables) == set(two.tables)
    for name, table in one.tables.items():
        for column in table.columns:
            assert np.array_equal(table.text(column), two.tables[name].text(column))
    again = imported(first, Path(other) if first.on_file else other)  # type: ignore[arg-type]
    assert again.change is None
    assert again.new == 0
