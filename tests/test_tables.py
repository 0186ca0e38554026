"""Tables as text: encodings, separators, decimal signs, rows as a person counts them, workbooks."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import math
import unicodedata
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from adapt.delimited import write_csv
from adapt.problems import AdaptError, BadInput
from adapt.tables import LONGEST_CELL, Table, read_table

QUIET = [HealthCheck.function_scoped_fixture]


def table(path: Path, data: str | bytes, name: str = "t.csv") -> Table:
    file = path / name
    file.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_table(file, file=name)


def said(error: pytest.ExceptionInfo[BadInput]) -> list[tuple[int | None, str | None]]:
    return [(p.row, p.column) for p in error.value.problems]


def test_rows_are_numbered_as_a_person_counts_them(tmp_path: Path) -> None:
    found = table(tmp_path, "\n\na,b\n\n1,2\n,\n3,4\n\n\n")
    assert found.rows.tolist() == [5, 7]
    assert found.text("a").tolist() == ["1", "3"]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_separators_line_ends_and_marked_encodings_read_alike(
    tmp_path: Path, separator: str, end: str, encoding: str
) -> None:
    rows = [["After Run", "höhe [mm]"], ["1", "ä, ö; ü"], ["", "2"]]
    text = io.StringIO()
    csv.writer(text, delimiter=separator, lineterminator=end).writerows(rows)
    found = table(tmp_path, text.getvalue().encode(encoding))
    assert list(found.columns) == ["after_run", "höhe"]
    assert found.columns["höhe"].unit == "mm"
    assert found.text("höhe").tolist() == ["ä, ö; ü", "2"]
    assert found.problems == ()


def test_windows_1252_is_read_with_a_doubt_at_the_first_such_row(tmp_path: Path) -> None:
    found = table(tmp_path, "a,b\n1,2\n3,°C\n".encode("cp1252"))
    assert found.text("b").tolist() == ["2", "°C"]
    assert [(p.severity, p.row) for p in found.problems] == [("doubt", 3)]


def test_a_line_that_names_the_separator_is_no_header(tmp_path: Path) -> None:
    found = table(tmp_path, "sep=;\na;b\n1;0,5\n")
    assert found.rows.tolist() == [3]
    assert found.numbers("b")[0].tolist() == [0.5]


@pytest.mark.parametrize(
    ("text", "separator", "expected"),
    [
        ("0.25", ",", 0.25),
        ("+.5", ",", 0.5),
        ("2.", ",", 2.0),
        ("1e-3", ",", 1e-3),
        ("\u22121.5", ",", -1.5),  # the minus sign of a word processor
        ('"0,25"', ",", 0.25),
        ('"0,250"', ",", 0.25),  # no thousand starts with 0
        ("0,25", ";", 0.25),
        ("1,234", ";", 1.234),
        ("-12,5", "\t", -12.5),
        ('"1,234"', ",", None),  # a thousand, or one and a bit
        ("1.234,5", ";", None),
        ("1,234.5", ";", None),
        ("1 234", ",", None),
        ("1_000", ",", None),
        ("0x10", ",", None),
        ("nan", ",", None),
        ("inf", ",", None),
        ("1e400", ",", None),
        ("1e13", ",", None),  # larger than anything on a rotor
        ("٣", ",", None),
        ("0.25 ips", ",", None),
        ("#REF!", ",", None),
        ("=1+1", ",", None),
        ("--1", ",", None),
        ("1" * 50, ",", None),
    ],
)
def test_numbers_are_read_exactly_or_not_at_all(
    tmp_path: Path, text: str, separator: str, expected: float | None
) -> None:
    found = table(tmp_path, f"a{separator}b\n{text}{separator}x\n")
    (value,), (wrong,) = found.numbers("a")
    assert wrong == (expected is None)
    assert math.isnan(value) if expected is None else value == expected


def test_a_point_before_three_digits_is_not_guessed_where_commas_are_decimal_signs(
    tmp_path: Path,
) -> None:
    values, wrong = table(tmp_path, "a;b\n1.234;0,5\n0.234;1\n").numbers("a")
    assert wrong.tolist() == [True, False]
    assert values[1] == 0.234
    assert table(tmp_path, "a;b\n1.234;0.5\n").numbers("a")[0].tolist() == [1.234]


def test_an_empty_cell_is_no_number_and_no_fault(tmp_path: Path) -> None:
    values, wrong = table(tmp_path, "a,b\n,1\n").numbers("a")
    assert np.isnan(values).all()
    assert not wrong.any()
    assert table(tmp_path, "a,b\n1,2\n").text("c").tolist() == [""]


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("amplitude [ips]", "amplitude", "ips"),
        ("Amplitude (mm/s)", "amplitude", "mm/s"),
        (" PHASE deg ", "phase_deg", None),
        ("after-run", "after_run", None),
        ("wind kt[kt]", "wind_kt", "kt"),
        ("note (free) text", "note_(free)_text", None),
    ],
)
def test_header_names_are_read_without_regard_to_their_writing(
    tmp_path: Path, header: str, name: str, unit: str | None
) -> None:
    found = table(tmp_path, f"{header},x\n1,2\n")
    assert name in found
    assert found.columns[name].unit == unit


def test_ragged_rows_are_left_out_and_told_with_their_row(tmp_path: Path) -> None:
    found = table(tmp_path, "job,b,,\nJ-1,1\nJ-2,2,,\nJ-3\nJ-4,4,5\nJ-5,5,,,\n")
    assert found.text("job").tolist() == ["J-1", "J-2", "J-5"]
    assert [(p.severity, p.row) for p in found.problems] == [("fault", 4), ("fault", 5)]
    assert [(row, cells["job"]) for row, cells in found.broken] == [(4, "J-3"), (5, "J-4")]


def test_a_huge_cell_is_a_fault_of_its_row(tmp_path: Path) -> None:
    found = table(tmp_path, f"a,b\n1,2\n{'x' * (LONGEST_CELL + 1)},3\n")
    assert found.rows.tolist() == [2]
    assert [p.row for p in found.problems] == [3]
    assert len(str(found.problems[0])) < 200


@pytest.mark.parametrize(
    ("data", "row"),
    [
        (b"", None),
        (b"\n\n , ,\n", None),
        (b"\xef\xbb\xbf", None),
        (b"a,b\n1,\x002\n", 2),
        ("a,b\n1,2\n".encode("utf-16-le"), 1),  # no mark
        (b"a,b\n1,2\n3,\x81\x8d\n", 3),  # neither UTF-8 nor Windows-1252
        (b"\xff\xfea", None),
        (b'a,b\n1,2\n"3,4\n5,6\n', 3),  # a quote that is never closed
        (b'a,b\n1,"2" x\n', 2),
        (b"a,b\n1," + b"x" * 200_000 + b"\n", 2),
        (b"a,A\n1,2\n", 1),
        (b"PK\x03\x04", None),
    ],
)
def test_files_that_cannot_be_read_are_refused_with_the_row(
    tmp_path: Path, data: bytes, row: int | None
) -> None:
    with pytest.raises(BadInput) as error:
        table(tmp_path, data)
    assert [r for r, _ in said(error)] == [row]


@pytest.mark.parametrize("name", ["none.csv", "none.xlsx", "a\x00b.csv", "a\x00b.xlsx", ""])
def test_a_file_that_is_not_there_is_bad_input(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadInput):
        read_table(tmp_path / name)


def test_a_control_character_reaches_no_message(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as error:
        table(tmp_path, "a\x1b[31m,b,a\x1b[31m\n1,2,3\n")
    assert "\x1b" not in str(error.value)


CELLS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)


@settings(max_examples=150, deadline=None, suppress_health_check=QUIET)
@given(st.lists(st.tuples(CELLS, st.floats(-1e12, 1e12)), max_size=8))
@example([("=1+1", 0.1 + 0.2), ('say "so", or; not', -0.0), ("a\r\nb", 5e-324)])
def test_a_table_that_is_written_reads_back_as_it_was(
    tmp_path: Path, rows: list[tuple[str, float]]
) -> None:
    write_csv(tmp_path / "t.csv", ["name", "value"], rows)
    found = read_table(tmp_path / "t.csv")
    assert found.text("name").tolist() == [
        unicodedata.normalize("NFC", name.strip()) for name, _ in rows
    ]
    assert found.numbers("value")[0].tolist() == [value for _, value in rows]


@settings(max_examples=300, deadline=None, suppress_health_check=QUIET)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(st.sampled_from(list('a,b;"\n\r\t[]() 1.\ufeff\x85\u2028')), max_size=60).map(
            str.encode
        ),
    )
)
def test_junk_is_a_table_or_bad_input(tmp_path: Path, junk: bytes) -> None:
    try:
        found = table(tmp_path, junk)
    except BadInput:
        return
    for name in found.columns:
        assert len(found.text(name)) == len(found.numbers(name)[0]) == len(found)


def workbook(path: Path) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Readings"
    rows = [
        [None, None],
        ["run", "clock", "amplitude [ips]"],
        [7, dt.time(4, 20), 0.25],
        [7.0, dt.time(12, 30), "0,25"],
        ["007", 0.180555556, 1],
        [dt.date(2026, 3, 4), dt.timedelta(hours=12, minutes=30), True],
        ["#REF!", "4:20", 0.1],
        [8, "4:20", "=1/0"],
        [None, None, None],
        [9, dt.datetime(2026, 1, 2, 10, 0), 0.1 + 0.2],
    ]
    for row in rows:
        sheet.append(row)
    book.save(path)
    return path


def test_cells_of_a_workbook_become_the_text_that_was_meant(tmp_path: Path) -> None:
    found = read_table(workbook(tmp_path / "w.xlsx"))
    assert found.rows.tolist() == [3, 4, 5, 6, 10]
    assert found.text("run").tolist() == ["7", "7", "007", "2026-03-04", "9"]
    assert found.text("clock").tolist() == [
        "4:20:00",
        "12:30:00",
        "0.180555556",
        "12:30:00",
        "2026-01-02T10:00:00",
    ]
    assert found.numbers("amplitude")[0][[0, 1, 2, 4]].tolist() == [0.25, 0.25, 1.0, 0.3]
    assert found.numbers("amplitude")[1].tolist() == [False, False, False, True, False]


def test_an_error_or_an_unworked_formula_in_a_workbook_is_not_taken_for_an_empty_cell(
    tmp_path: Path,
) -> None:
    problems = read_table(workbook(tmp_path / "w.xlsx")).problems
    assert [(p.severity, p.row, p.column) for p in problems] == [
        ("fault", 7, "run"),
        ("fault", 8, "amplitude"),
    ]
    assert "#REF!" in problems[0].found
    assert "formula" in problems[1].found


def test_a_workbook_with_several_tables_needs_the_name_of_one(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["a"])
    book.create_sheet("other").append(["b"])
    book.create_sheet("empty")
    book.save(tmp_path / "w.xlsx")
    with pytest.raises(BadInput, match="several sheets"):
        read_table(tmp_path / "w.xlsx")
    assert list(read_table(tmp_path / "w.xlsx", "other").columns) == ["b"]
    with pytest.raises(BadInput, match="did you mean 'other'"):
        read_table(tmp_path / "w.xlsx", "othr")
    with pytest.raises(BadInput, match="empty file"):
        read_table(tmp_path / "w.xlsx", "empty")


@settings(max_examples=150, deadline=None, suppress_health_check=QUIET)
@given(st.integers(0, 30), st.floats(0, 1), st.integers(0, 60), st.binary(max_size=8))
def test_a_damaged_workbook_is_a_table_or_bad_input(
    tmp_path: Path, part_number: int, place: float, gone: int, put: bytes
) -> None:
    whole = workbook(tmp_path / "w.xlsx").read_bytes()

    def damaged(content: bytes) -> bytes:
        at = int(place * len(content))
        return content[:at] + put + content[at + gone :]

    if part_number < 20:
        # a sound archive whose sheet is damaged
        with zipfile.ZipFile(io.BytesIO(whole)) as archive:
            parts = {name: archive.read(name) for name in archive.namelist()}
        name = sorted(parts)[part_number % len(parts)]
        parts[name] = damaged(parts[name])
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            for part, content in parts.items():
                archive.writestr(part, content)
        whole = buffer.getvalue()
    else:
        whole = damaged(whole)
    (tmp_path / "d.xlsx").write_bytes(whole)
    with contextlib.suppress(BadInput):
        read_table(tmp_path / "d.xlsx")


def test_a_cell_far_out_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    book.active["XFD1048576"] = "stray"
    book.save(tmp_path / "w.xlsx")
    with pytest.raises(BadInput, match="row 1048576"):
        read_table(tmp_path / "w.xlsx")


def test_what_cannot_be_written_is_an_error_of_the_program(tmp_path: Path) -> None:
    with pytest.raises(AdaptError, match="cannot be written"):
        write_csv(tmp_path / "nowhere" / "t.csv", ["a"], [])
    with pytest.raises(AdaptError, match="cannot be written"):
        write_csv(tmp_path / "t.csv", ["a"], [["\ud800"]])
    assert not (tmp_path / "t.csv").exists()
