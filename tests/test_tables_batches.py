"""A table in batches: the same as the whole table, whatever stands in it; what comes before it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from adapt.problems import BadInput, Problem
from adapt.tables import LONGEST_CELL, Table, read_batches, read_table

QUIET = [HealthCheck.function_scoped_fixture]


def joined(parts: Iterable[Table]) -> dict[str, Any]:
    """Return what the batches hold together."""
    tables = list(parts)
    assert tables, "there is always a first batch"
    assert all(len(t) or t.problems for t in tables[1:]), "an empty batch after the first"
    return {
        "file": {t.file for t in tables},
        "columns": [(c.name, c.unit) for c in tables[0].columns.values()],
        "text": {n: [x for t in tables for x in t.text(n)] for n in tables[0].columns},
        "rows": [int(r) for t in tables for r in t.rows],
        "comma": {(t.decimal_comma, t.comma_seen) for t in tables},
        "problems": [p for t in tables for p in t.problems],
        "broken": [(row, dict(cells)) for t in tables for row, cells in t.broken],
    }


def alike(path: Path, most_rows: int) -> None:
    """Hold the batches of a file to the whole table, or the refusals to each other."""
    whole = refusal(lambda: [read_table(path)])
    parts = refusal(lambda: list(read_batches(path, most_rows=most_rows)))
    if isinstance(whole, list) and isinstance(parts, list):
        assert joined(parts) == joined(whole)
        assert max(map(len, parts)) <= most_rows
    else:
        # A wrong header is told before a row further down is reached that cannot be parsed.
        assert parts == whole or "twice" in str(parts)


def refusal(read: Callable[[], list[Table]]) -> list[Table] | tuple[Problem, ...]:
    """Return the tables, or why they are refused."""
    try:
        return read()
    except BadInput as error:
        return error.problems


LINES = st.lists(
    st.one_of(
        st.lists(
            st.sampled_from(["", " ", "a", "1,5", '"1,5"', "0.25", "ä", '"x\ny"']), max_size=4
        ).map(";".join),
        st.sampled_from(["1,2", "1,2,3", ",", ";;", 'broken"', '"open', "sep=;", "\u2028"]),
    ),
    max_size=14,
)


@settings(max_examples=400, deadline=None, suppress_health_check=QUIET)
@given(
    st.sampled_from(["job;amplitude [ips];x", "job,b", "a\tb", "sep=;\na;b", "\n\na;b", "a;A", ""]),
    LINES,
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1252"]),
    st.integers(1, 5),
)
@example("a;b", ["1.5;2", "x;y", "3;0,5"], "\n", "utf-8", 1)  # the comma comes in a later batch
@example("a;b", ["1.5;2", "x;y;0,5"], "\n", "utf-8", 1)  # only in a row that is left out
@example("a;b", ["x;y", f"{'x' * (LONGEST_CELL + 1)};y", ";", "1"], "\n", "utf-8", 2)
def test_batches_joined_are_the_whole_table(
    tmp_path: Path, header: str, lines: list[str], end: str, encoding: str, most_rows: int
) -> None:
    text = end.join([header, *lines])
    (tmp_path / "t.csv").write_bytes(text.encode(encoding, errors="replace"))
    alike(tmp_path / "t.csv", most_rows)


@settings(max_examples=200, deadline=None, suppress_health_check=QUIET)
@given(st.binary(max_size=120), st.integers(1, 4))
@example(b"\xef", 1)  # a part of a byte order mark
@example(b"\xef\xbb", 1)
@example(b"\xef\xbb\xbf\xef", 1)
def test_junk_in_batches_is_what_it_is_as_a_whole(
    tmp_path: Path, junk: bytes, most_rows: int
) -> None:
    (tmp_path / "t.csv").write_bytes(junk)
    alike(tmp_path / "t.csv", most_rows)


@pytest.mark.parametrize("most_rows", [1, 2, 100])
def test_a_workbook_in_batches_is_the_whole_sheet(tmp_path: Path, most_rows: int) -> None:
    book = openpyxl.Workbook()
    for row in [[], ["a", "b"], [1, "0,5"], ["#REF!", 2], [], [3, "=1/0"], ["x", None]]:
        book.active.append(row)
    book.save(tmp_path / "w.xlsx")
    alike(tmp_path / "w.xlsx", most_rows)


def test_a_character_cut_in_two_by_a_block_is_read_whole(tmp_path: Path) -> None:
    text = "a;b\n" + "x" * (LONGEST_CELL + 1) + ";1\n" + "ä;2\n" * 300_000
    (tmp_path / "t.csv").write_bytes(text.encode())
    parts = list(read_batches(tmp_path / "t.csv"))
    assert parts[0].problems[0].row == 2  # the long cell
    assert {x for part in parts for x in part.column("a").texts} == {"ä"}
    assert sum(map(len, parts)) == 300_000


def test_the_first_row_that_is_not_utf_8_is_found_far_down(tmp_path: Path) -> None:
    data = b"a;b\n" + b"1;2\n" * 400_000 + b"\xb0C;1\n"
    (tmp_path / "t.csv").write_bytes(data)
    first = next(read_batches(tmp_path / "t.csv"))
    assert [(p.severity, p.row) for p in first.problems] == [("doubt", 400_002)]


PREAMBLE = 'Serial "17\n\n  \nkt;;;\nx\ny\n"z\n'


def test_lines_before_the_header_may_hold_anything_and_are_counted(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_bytes((PREAMBLE + "a;b\n1;0,5\n").encode())
    (found,) = read_batches(tmp_path / "t.csv", skip=7)
    assert found.rows.tolist() == [9]
    assert found.numbers("b")[0].tolist() == [0.5]
    book = openpyxl.Workbook()
    for row in [["Serial", "17"], ["#REF!"], ["a", "b"], ["1", "2"]]:
        book.active.append(row)
    book.save(tmp_path / "w.xlsx")
    (sheet,) = read_batches(tmp_path / "w.xlsx", skip=2)
    assert (list(sheet.columns), sheet.rows.tolist()) == (["a", "b"], [4])
    for file, lines in (("t.csv", 9), ("w.xlsx", 4)):
        with pytest.raises(BadInput, match="an empty file"):
            list(read_batches(tmp_path / file, skip=lines))


def test_a_separator_and_an_encoding_can_be_said(tmp_path: Path) -> None:
    file = tmp_path / "t.csv"
    file.write_bytes("sep=|\na|b, c\n°|0,5\n".encode("cp1252"))
    (found,) = read_batches(file, separator="|", encoding="cp1252")
    assert found.problems == ()
    assert (found.text("a")[0], found.numbers("b,_c")[0][0]) == ("°", 0.5)
    file.write_bytes("a\tb\n°\t1\n".encode("utf-16-le"))
    (found,) = read_batches(file, encoding="utf-16-le")
    assert found.text("a").tolist() == ["°"]
    file.write_bytes("a\tb\n°\t1\n".encode("utf-16"))
    (found,) = read_batches(file, encoding="UTF-16LE")
    assert list(found.columns) == ["a", "b"]
    file.write_bytes(b"a,b\n\x81,1\n")
    with pytest.raises(BadInput, match="row 2: found bytes that are not CP1252"):
        list(read_batches(file, encoding="cp1252"))
    for wrong in ("hex", "no such", "idna", "utf-7", "a\x00b"):
        with pytest.raises(BadInput, match="the encoding of a text file"):
            list(read_batches(file, encoding=wrong))
    for wrong in ('"', "\n", "", ",,"):
        with pytest.raises(BadInput, match="the separator"):
            list(read_batches(file, separator=wrong))


def test_a_reader_that_stops_early_leaves_the_file_closed(
    tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    (tmp_path / "t.csv").write_text("a;b\n" + "1;2\n" * 10)
    parts = read_batches(tmp_path / "t.csv", most_rows=3)
    assert np.array_equal(next(parts).rows, [2, 3])
    parts.close()
    assert [w for w in recwarn if w.category is ResourceWarning] == []


def test_what_cannot_be_parsed_further_down_is_told_with_its_row(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a,b\n" + "1,2\n" * 5 + '1,"2" x\n')
    parts = read_batches(tmp_path / "t.csv", most_rows=2)
    assert [next(parts).rows.tolist() for _ in range(3)] == [[2], [3, 4], [5, 6]]
    with pytest.raises(BadInput, match="row 7"):
        next(parts)
