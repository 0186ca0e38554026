"""An instrument's tables mapped to a log's: long and wide, what is left out, what is refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapt.logbook.maps import map_from, mapped
from adapt.problems import BadInput, Problem
from adapt.tables import Table

QUIET = [HealthCheck.function_scoped_fixture]

LONG = """
[map]
name = "one row a reading"

[translations.regimes]
HOV = "hover"
FPG = "flat pitch"

[[sources]]
name = "measurements"
not_read = ["---"]
excluded = { OVLD = "over range" }

[[runs]]
rotor = "Rotor"
job = { columns = ["Order", "Tail"], joined_by = "-" }
run = "Run"
started = { columns = ["Date", "Time"], format = "%d.%m.%Y %H:%M:%S" }

[[readings]]
job = { columns = ["Order", "Tail"], joined_by = "-" }
run = "Run"
regime = { column = "Cond", translate = "regimes" }
sensor = "Sensor"
amplitude = { column = "Amp [mm/s]", from = "mm/s", to = "ips" }
phase_deg = { column = "Phase", from = "lead", to = "lag" }
"""
HEADER = "Order;Tail;Rotor;Run;Date;Time;Cond;Sensor;Amp [mm/s];Phase\n"
ROWS = """14;OV-TG;MR-1;1;24.11.2026;15:20:00;HOV;lat;5,08;90
14;OV-TG;MR-1;1;24.11.2026;15:20:00;FPG;vert;2,54;359,5
14;OV-TG;MR-1;2;24.11.2026;16:20:30;HOV;lat;0,00;0
"""


def table_file(folder: Path, text: str, name: str = "t.csv") -> Path:
    (folder / name).write_bytes(text.encode())
    return folder / name


def rows(
    text: str, path: Path, most_rows: int = 50_000
) -> tuple[dict[str, list[tuple[int, dict[str, str]]]], list[Problem]]:
    """Return the rows of each table of the log with their row numbers, and the doubts."""
    found: dict[str, list[tuple[int, dict[str, str]]]] = {}
    doubts: list[Problem] = []
    for name, table in mapped(map_from(text, "m.toml"), path, most_rows):
        texts = {c: table.text(c).tolist() for c in table.columns}
        for i, row in enumerate(table.rows.tolist()):
            found.setdefault(name, []).append((row, {c: texts[c][i] for c in texts}))
        doubts += table.problems
    return found, doubts


def refused(text: str, path: Path, most_rows: int = 50_000) -> list[Problem]:
    with pytest.raises(BadInput) as error:
        rows(text, path, most_rows)
    return list(error.value.problems)


def places(problems: list[Problem]) -> list[tuple[int | None, str | None, str]]:
    return [(p.row, p.column, p.found) for p in problems]


@pytest.mark.parametrize("most_rows", [1, 2, 50_000])
def test_one_table_gives_each_run_once_and_its_readings(tmp_path: Path, most_rows: int) -> None:
    found, doubts = rows(LONG, table_file(tmp_path, HEADER + ROWS), most_rows)
    common = {"rotor": "MR-1", "job": "14-OV-TG"}
    assert found["runs"] == [
        (2, {**common, "run": "1", "started": "2026-11-24T15:20"}),
        (4, {**common, "run": "2", "started": "2026-11-24T16:20:30"}),
    ]
    at = {"job": "14-OV-TG", "excluded": ""}
    assert [(row, cells | at) == (row, cells) for row, cells in found["readings"]]
    assert [
        (row, *(c[k] for k in ("run", "regime", "sensor", "amplitude", "phase_deg")))
        for row, c in found["readings"]
    ] == [
        (2, "1", "hover", "lat", "0.2", "270"),
        (3, "1", "flat pitch", "vert", "0.1", "0.5"),
        (4, "2", "hover", "lat", "0", "0"),
    ]
    assert doubts == []


def test_header_units_of_the_log_are_those_after_the_conversion(tmp_path: Path) -> None:
    tables = dict(mapped(map_from(LONG, "m.toml"), table_file(tmp_path, HEADER + ROWS)))
    assert tables["readings"].columns["amplitude"].unit == "ips"
    assert tables["readings"].file == "t.csv"
    plain = LONG.replace(', from = "mm/s", to = "ips"', "")
    tables = dict(mapped(map_from(plain, "m.toml"), tmp_path / "t.csv"))
    assert tables["readings"].columns["amplitude"].unit == "mm/s"


def test_readings_that_were_not_read_are_left_out_or_excluded_and_told(tmp_path: Path) -> None:
    more = (
        "14;OV-TG;MR-1;2;24.11.2026;16:20:30;FPG;lat;---;***\n"
        "14;OV-TG;MR-1;2;24.11.2026;16:20:30;FPG;vert;OVLD;12\n"
        "14;OV-TG;MR-1;2;24.11.2026;16:20:30;HOV;vert;0,00;---\n"
        "14;OV-TG;MR-1;2;24.11.2026;16:20:30;HOV;up;1,00;---\n"
    )
    found, doubts = rows(LONG, table_file(tmp_path, HEADER + ROWS + more))
    late = {row: c for row, c in found["readings"] if row > 4}
    assert sorted(late) == [6, 7]
    assert (late[6]["amplitude"], late[6]["excluded"]) == ("", "over range")
    assert (late[7]["amplitude"], late[7]["phase_deg"], late[7]["excluded"]) == ("0", "", "")
    assert [(p.severity, p.column) for p in doubts] == [
        ("doubt", "Amp [mm/s]"),
        ("doubt", "Phase"),
    ]
    assert "'---' in 1 row (first: t.csv, row 5)" in doubts[0].found
    assert "row 8" in doubts[1].found


def test_everything_that_cannot_be_mapped_is_told_at_once_with_how_often(tmp_path: Path) -> None:
    bad = (
        "14;OV-TG;MR-1;2;24.11.2026;16:20:30;FWD;lat;1,0;10\n" * 300
        + "14;;MR-1;2;24.13.2026;16:20:30;HOV;lat;1.0x;800\n"
        + "14;OV-TG;MR-1\n"
    )
    problems = refused(LONG, table_file(tmp_path, HEADER + ROWS + bad), 100)
    assert sorted(places(problems), key=str) == sorted(
        [
            (5, "Cond", "'FWD' in 300 rows"),
            (305, "Order, Tail", "'14-'"),
            (305, "Date, Time", "'24.13.2026 16:20:30'"),
            (305, "Amp [mm/s]", "'1.0x'"),
            (305, "Phase", "'800'"),
            (306, None, "3 cells"),
        ],
        key=str,
    )
    assert all(p.file == "t.csv" and p.severity == "fault" for p in problems)
    assert "known: HOV, FPG" in next(p.expected for p in problems if p.column == "Cond")


def test_a_run_that_two_rows_tell_differently_is_refused_or_the_first_counts(
    tmp_path: Path,
) -> None:
    other = "14;OV-TG;MR-2;1;24.11.2026;15:21:00;HOV;up;1,00;10\n" * 2
    path = table_file(tmp_path, HEADER + ROWS + other)
    for most_rows in (1, 100):
        problems = refused(LONG, path, most_rows)
        assert places(problems) == [
            (5, "rotor", "'MR-2' in 2 rows"),
            (5, "started", "'2026-11-24T15:21' in 2 rows"),
        ]
        assert "t.csv, row 2" in problems[0].expected
    found, _ = rows(LONG.replace("[[runs]]", '[[runs]]\nrows_differ = "first"'), path)
    assert [cells["rotor"] for _, cells in found["runs"]] == ["MR-1", "MR-1"]


WIDE = """
[map]
name = "one row a regime"
[[readings]]
job = "Job"
run = "Run"
regime = "Cond"
amplitude = { from = "ips", to = "ips", measured = "peak to peak" }
[[readings.groups]]
is = { sensor = "cabin lateral" }
amplitude = "Lat A"
clock = "Lat P"
[[readings.groups]]
is = { sensor = "cabin vertical" }
amplitude = { column = "Vert A", measured = "peak" }
clock = { column = "Vert P", from = "lead", to = "lag" }
[[track]]
job = "Job"
run = "Run"
regime = "Cond"
height = { from = "in", to = "mm", sign_turned = true }
groups = [
  { is = { blade = "red" }, height = "B1" },
  { is = { blade = "blue" }, height = "B2" },
]
"""


def test_a_wide_table_gives_a_row_for_each_group_that_is_filled(tmp_path: Path) -> None:
    text = (
        "Job,Run,Cond,Lat A,Lat P,Vert A,Vert P,B1,B2\n"
        "J-1,1,hover,0.50,4:20,0.25,12:00,0.25,-0.5\n"
        "J-1,1,60 kt,,,0.10,2:00,,\n"
        "J-1,2,hover,0.30,,,,0,0.1\n"
    )
    found, doubts = rows(WIDE, table_file(tmp_path, text))
    assert [
        (row, c["regime"], c["sensor"], c["amplitude"], c["clock"]) for row, c in found["readings"]
    ] == [
        (2, "hover", "cabin lateral", "0.25", "4:20"),
        (2, "hover", "cabin vertical", "0.25", "12:00"),
        (3, "60 kt", "cabin vertical", "0.10", "10:00"),
        (4, "hover", "cabin lateral", "0.15", ""),  # no phase: `check` says so
    ]
    assert [(row, c["run"], c["blade"], c["height"]) for row, c in found["track"]] == [
        (2, "1", "red", "-6.35"),
        (2, "1", "blue", "12.7"),
        (4, "2", "red", "0"),
        (4, "2", "blue", "-2.54"),
    ]
    assert doubts == []


def test_what_is_wrong_in_the_columns_of_a_group_is_told_and_items_stay_small(
    tmp_path: Path,
) -> None:
    header = "Job,Run,Cond,Lat A,Lat P,Vert A,Vert P,B1,B2\n"
    row = "J-1,1,hover,0.50,4:20,0.25,12:00,0.25,-0.5\n"
    path = table_file(tmp_path, header + row * 3000)
    sizes = [len(table) for _, table in mapped(map_from(WIDE, "m.toml"), path, 4000)]
    assert sum(sizes) == 12_000
    assert max(sizes) <= 4000
    bad = row.replace("12:00", "12:75").replace("-0.5", "low")
    problems = refused(WIDE, table_file(tmp_path, header + row + bad * 2))
    assert places(problems) == [
        (3, "Vert P", "'12:75' in 2 rows"),
        (3, "B2", "'low' in 2 rows"),
    ]


EXCLUDED = """
[map]
name = "two reasons"
[[sources]]
name = "t"
excluded = { OVLD = "over range", NSYN = "no pulse" }
[[readings]]
job = "Job"
run = "Run"
regime = { text = "hover" }
sensor = { text = "lat" }
amplitude = "A"
phase_deg = "P"
excluded = "Remark"
leave_out = [{ column = "Remark", is = "test" }]
[[readings]]
job = "Job"
run = "Run"
regime = { text = "hover" }
sensor = { text = "vert" }
amplitude = "B"
phase_deg = "P"
leave_out = [{ column = "Remark", is = "test" }]
"""


def test_a_reason_of_a_person_comes_before_that_of_the_amplitude_and_of_the_phase(
    tmp_path: Path,
) -> None:
    text = "Job,Run,A,B,P,Remark\nJ,1,OVLD,1,NSYN,\nJ,2,1,1,NSYN,\nJ,3,OVLD,1,2,loose\nJ,4,1,1,1,\n"
    found, doubts = rows(EXCLUDED, table_file(tmp_path, text + "J,5,1,1,1,test\n" * 2))
    lateral = [c["excluded"] for _, c in found["readings"] if c["sensor"] == "lat"]
    assert lateral == ["over range", "no pulse", "loose", ""]
    vertical = [c["excluded"] for _, c in found["readings"] if c["sensor"] == "vert"]
    assert vertical == ["no pulse", "no pulse", "", ""]
    assert [p.found for p in doubts] == ["'test' in 2 rows (first: t.csv, row 6)"]


def test_a_pattern_without_a_folder_is_of_files_right_in_the_folder(tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    table_file(tmp_path, HEADER + ROWS, "new.csv")
    table_file(tmp_path / "old", HEADER + ROWS, "old.csv")
    text = LONG.replace('name = "measurements"', 'name = "measurements"\nfiles = "*"')
    found, doubts = rows(text, tmp_path)
    assert len(found["readings"]) == 3
    assert [p.file for p in doubts] == ["old/old.csv"]


MOVES = """
[map]
name = "moves"
[[moves]]
job = { column = "Job", prefix = "N-" }
after_run = "Run"
blade = { column = "Blade", translate = { 1 = "red", 2 = "blue" } }
adjuster = { text = "hub weight" }
amount = { column = "Weight", from = "oz", to = "g", sign_turned = true }
only = [{ column = "What", is = "W" }]
leave_out = [{ column = "Weight", is = ["0", "0.0"] }]
[[moves]]
job = { column = "Job", prefix = "N-" }
after_run = "Run"
blade = { column = "Blade", translate = { 1 = "red", 2 = "blue" } }
adjuster = { text = "pitch link" }
amount = { column = "Weight", factor = "1/6" }
only = [{ column = "What", matches = "^L" }]
"""


def test_moves_are_scaled_turned_round_and_rows_that_nobody_asks_for_are_told(
    tmp_path: Path,
) -> None:
    text = "Job,Run,Blade,What,Weight\n7,1,1,W,1.5\n7,1,2,W,0.0\n7,1,2,L12,3\n7,2,1,T,2\n7,2,1,,1\n"
    found, doubts = rows(MOVES, table_file(tmp_path, text))
    assert found["moves"] == [
        (2, {"job": "N-7", "after_run": "1", "blade": "red", "adjuster": "hub weight",
             "amount": "-42.524"}),
        (4, {"job": "N-7", "after_run": "1", "blade": "blue", "adjuster": "pitch link",
             "amount": "0.5"}),
    ]  # fmt: skip
    assert [p.found for p in doubts] == [
        "'0' or '0.0' in 1 row (first: t.csv, row 3)",
        "something that no section [[moves]] asks for in 2 rows (first: t.csv, row 5)",
    ]


FOLDER = r"""
[map]
name = "one file a run, its order in the lines before the header"
[[sources]]
name = "vibration"
files = "vib_*.csv"
skip_lines = 4
[[sources]]
name = "orders"
files = "office/*.xlsx"
sheet = "Runs*"
[[readings]]
source = "vibration"
job = { preamble = true, part = 'Order:\s*(\S+)' }
run = { file_name = true, part = 'run(\d+)' }
regime = { text = "hover" }
sensor = "Sensor"
amplitude = "Amp"
clock = "Clock"
[[runs]]
source = "orders"
rotor = "Serial"
job = { sheet_name = true, part = '^Runs (.+)$' }
run = "Run"
started = { columns = ["Day", "Time"], format = "%d/%m/%Y %H:%M", utc_offset = "+01:00" }
wind_kt = { column = "Wind", from = "m/s", to = "kt" }
"""


def test_files_and_sheets_of_a_folder_are_found_and_named_in_what_is_told(tmp_path: Path) -> None:
    import datetime as dt

    for run in (1, 2):
        text = f'Recorder "7\nOrder:  J-{run}7 \nx;;\n\nSensor,Amp,Clock\nlat,0.{run},4:20\n'
        table_file(tmp_path, text, f"vib_run{run}.csv")
    table_file(tmp_path, "a,b\n1,2\n", "forgotten.csv")
    (tmp_path / "office").mkdir()
    book = openpyxl.Workbook()
    book.active.title = "Notes"
    for job, day in (("J-17", dt.date(2026, 3, 4)), ("J-27", "5/3/2026")):
        sheet = book.create_sheet(f"Runs {job}")
        sheet.append(["Run", "Serial", "Day", "Time", "Wind"])
        sheet.append([1, "MR-1", day, dt.time(9, 5) if job == "J-17" else "9:05", 5])
    book.save(tmp_path / "office" / "year.xlsx")
    found, doubts = rows(FOLDER, tmp_path)
    assert [(c["job"], c["run"], c["started"], c["wind_kt"]) for _, c in found["runs"]] == [
        ("J-17", "1", "2026-03-04T09:05+01:00", "9.7192"),
        ("J-27", "1", "2026-03-05T09:05+01:00", "9.7192"),
    ]
    assert [(row, c["job"], c["run"]) for row, c in found["readings"]] == [
        (6, "J-17", "1"),
        (6, "J-27", "2"),
    ]
    assert [(p.file, p.severity) for p in doubts] == [("forgotten.csv", "doubt")]
    files = {table.file for _, table in mapped(map_from(FOLDER, "m.toml"), tmp_path) if len(table)}
    assert files == {
        "vib_run1.csv",
        "vib_run2.csv",
        "office/year.xlsx, sheet Runs J-17",
        "office/year.xlsx, sheet Runs J-27",
    }
    (tmp_path / "vib_run3.csv").write_text("a\nb\nc\nd\nSensor,Amplitude,Clock\nlat,1,4:20\n")
    (tmp_path / "vib_run4.csv").write_text("")
    problems = refused(FOLDER, tmp_path)
    assert [(p.file, p.row, p.found) for p in problems] == [
        ("vib_run3.csv", 5, "no such column"),
        ("vib_run4.csv", None, "an empty file"),
    ]


def test_missing_files_sheets_and_folders_are_told_together(tmp_path: Path) -> None:
    assert [p.found for p in refused(FOLDER, tmp_path)] == ["no such file", "no such file"]
    optional = FOLDER.replace("skip_lines", "may_be_missing = true\nskip_lines")
    assert [p.expected for p in refused(optional, tmp_path)] == [
        "a file 'office/*.xlsx' for the source 'orders' of the map"
    ]
    (tmp_path / "office").mkdir()
    openpyxl.Workbook().save(tmp_path / "office" / "a.xlsx")
    assert "the sheets 'Sheet'" in refused(optional, tmp_path)[0].found
    assert "nothing that can be read" in refused(LONG, tmp_path / "none.csv")[0].found
    assert "nothing that can be read" in refused(LONG, tmp_path / "a\x00b")[0].found
    assert "vib_*.csv" in refused(FOLDER, table_file(tmp_path, "a,b\n", "other.csv"))[0].expected


def test_every_missing_column_is_told_with_the_nearest_name(tmp_path: Path) -> None:
    path = table_file(tmp_path, HEADER.replace("Cond", "Condn").replace("Run;", "") + "\n")
    problems = refused(LONG, path)
    assert [(p.row, p.column, p.found) for p in problems] == [
        (1, "Run", "no such column"),
        (1, "Cond", "no such column"),
    ]
    assert "did you mean 'condn'" in problems[1].expected


def test_a_header_that_names_another_unit_than_the_map_is_refused(tmp_path: Path) -> None:
    path = table_file(tmp_path, HEADER.replace("mm/s", "ips") + ROWS)
    problems = refused(LONG, path)
    assert places(problems) == [(1, "Amp [mm/s]", "the unit 'ips' in the header")]
    path = table_file(tmp_path, HEADER.replace("mm/s", "MM/Sec") + ROWS)
    assert len(rows(LONG, path)[0]["readings"]) == 3


def test_the_header_of_a_phase_names_how_it_is_written_and_a_factor_unnames_a_unit(
    tmp_path: Path,
) -> None:
    for unit, fits in (("deg", True), ("°", True), ("rad", False), ("h:mm", False)):
        path = table_file(tmp_path, HEADER.replace("Phase", f"Phase [{unit}]") + ROWS)
        if fits:
            assert len(rows(LONG, path)[0]["readings"]) == 3
        else:
            assert places(refused(LONG, path)) == [(1, "Phase", f"the unit '{unit}' in the header")]
    path = table_file(tmp_path, "Job,Run,Blade,What,Weight [turns]\n7,1,1,L,3\n")
    links = '[map]\nname = "m"\n' + MOVES[MOVES.rindex("[[moves]]") :]
    for factor, amount, unit in (
        ('factor = "1/6"', "0.5", None),
        ("sign_turned = true", "-3", "turns"),
    ):
        text = links.replace('factor = "1/6"', factor)
        ((_, table),) = mapped(map_from(text, "m.toml"), path)
        assert (table.text("amount")[0], table.columns["amount"].unit) == (amount, unit)


NAMES = """
[map]
name = "names as they come"
[[events]]
job = "Job"
after_run = "Run"
kind = { text = "other" }
note = "Note"
"""


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd|' /C calc'!A0", "@SUM(A1)", "x" * 20_000, "\u202eabc", "a\x1b[31mb", "'"]
)
def test_cells_are_text_whatever_they_look_like(tmp_path: Path, text: str) -> None:
    path = table_file(tmp_path, f'Job,Run,Note\nJ-1,1,"{text}"\n')
    found, _ = rows(NAMES, path)
    assert found["events"][0][1]["note"] == text
    problems = refused(
        NAMES.replace('"Note"', '{ column = "Note", translate = { A = "B" } }'), path
    )
    assert str(problems[0]).isprintable()
    assert len(str(problems[0])) < 300


def test_a_cell_that_is_too_long_is_refused_with_its_row(tmp_path: Path) -> None:
    path = table_file(tmp_path, f"Job,Run,Note\nJ-1,1,{'x' * 20_001}\nJ-1,2,y\n")
    assert [p.row for p in refused(NAMES, path)] == [2]


def test_encoding_separator_and_decimal_sign_can_be_said(tmp_path: Path) -> None:
    source = '[[sources]]\nname = "t"\nseparator = "|"\nencoding = "cp1252"\ndecimal_sign = ","\n'
    text = '[map]\nname = "x"\n' + source + NAMES.split('come"\n')[1].replace(
        "[[events]]", "[[fitted]]"
    ).replace("after_run", "blade").replace('kind = { text = "other" }', 'adjuster = { text = "x" }'
    ).replace('note = "Note"', 'amount = "Note"')  # fmt: skip
    path = tmp_path / "t.csv"
    path.write_bytes("Job|Run|Note\nJ°|1|1,234\n".encode("cp1252"))
    found, doubts = rows(text, path)
    assert found["fitted"][0][1] == {"job": "J°", "blade": "1", "adjuster": "x", "amount": "1.234"}
    assert doubts == []
    assert refused(text.replace('sign = ","', 'sign = "."'), path)[0].found == "'1,234'"


def test_a_source_without_a_row_is_told_and_a_bom_is_no_part_of_a_name(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(b"\xef\xbb\xbf" + HEADER.encode())
    found, doubts = rows(LONG, path)
    assert found == {}
    assert [p.found for p in doubts] == ["no row that the map uses"]
    path.write_bytes(b"\xef\xbb\xbf" + (HEADER + ROWS).encode())
    assert len(rows(LONG, path)[0]["readings"]) == 3


def test_a_header_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = table_file(tmp_path, HEADER.replace("Sensor", "Phase") + ROWS)
    assert places(refused(LONG, path))[0] == (1, "phase", "this column twice")


TWICE = """
[map]
name = "the same header over several columns"
[[sources]]
name = "t"
headers = ["Job", "Run", "Cond", "A1 [mm/s]", "P1", "A2 [mm/s]", "P2"]
[[readings]]
job = "Job"
run = "Run"
regime = "Cond"
amplitude = { from = "mm/s", to = "ips" }
groups = [
  { is = { sensor = "lat" }, amplitude = "A1", clock = "P1" },
  { is = { sensor = "vert" }, amplitude = "A2", clock = "P2" },
]
"""


def test_columns_can_be_named_where_the_header_row_does_not_or_is_not_there(
    tmp_path: Path,
) -> None:
    row = "J-1,1,hover,2.54,4:20,25.4,2:00\n"
    expected = [("lat", "0.1", "4:20"), ("vert", "1", "2:00")]
    for text, source, first in (
        ("Job,Run,Cond,A,P,A,P\n" + row, TWICE, 2),
        (row, TWICE.replace("headers", "header_row = false\nheaders"), 1),
    ):
        found, _ = rows(source, table_file(tmp_path, text))
        assert [(c["sensor"], c["amplitude"], c["clock"]) for _, c in found["readings"]] == expected
        assert {at for at, _ in found["readings"]} == {first}
    problems = refused(TWICE.replace(', "P2"]', "]").replace('"P2"', '"P1"'), tmp_path / "t.csv")
    assert "one group for each column" in problems[0].expected
    short = table_file(tmp_path, "a,b\n1,2\n")
    assert places(refused(TWICE, short)) == [(2, None, "2 cells")]


def test_names_of_files_and_sheets_reach_no_terminal_as_they_are(tmp_path: Path) -> None:
    name = "a\x1b[31m\udc80.csv"
    table_file(tmp_path, HEADER + "1\n", name)
    text = LONG.replace('name = "measurements"', 'name = "measurements"\nfiles = "a*"')
    (problem,) = refused(text, tmp_path)
    assert problem.file.isprintable()
    assert "x1b[31m" in problem.file
    problem.file.encode()


GOOD_CELLS = [
    *(["14"], ["OV-TG"], ["MR-1"], ["7", "8"], ["24.11.2026"], ["15:20:00"]),
    *(["HOV", "FPG"], ["lat"], ["5,08", "0,0", "---", "OVLD", ""], ["90", "---"]),
]
ODD = ["", "x", "1e9", "\u2212", '"', "'", "\x00", "999999999999999", "0.", ",", "1.234", "a;b"]
LINES = st.lists(
    st.one_of(
        st.tuples(*map(st.sampled_from, GOOD_CELLS)),
        st.tuples(*map(st.sampled_from, GOOD_CELLS)),
        st.tuples(*(st.sampled_from([*good, *good, *ODD]) for good in GOOD_CELLS)),
    ).map(";".join),
    max_size=5,
)


def counted(path: Path, most_rows: int) -> int | list[Problem]:
    """Return the readings and the rows that were told to be left out, or why all is refused."""
    try:
        found, doubts = rows(LONG, path, most_rows)
    except BadInput as error:
        return list(error.problems)
    told = [re.search(r" in (\d+) row", p.found) for p in doubts]
    return len(found["readings"]) + sum(int(match[1]) for match in told if match)


@settings(max_examples=400, deadline=None, suppress_health_check=QUIET)
@given(LINES, st.integers(1, 4))
def test_no_row_vanishes_whatever_stands_in_it(
    tmp_path: Path, lines: list[str], most_rows: int
) -> None:
    result = counted(table_file(tmp_path, HEADER + ROWS + "\n".join(lines)), most_rows)
    if isinstance(result, int):
        assert result == 3 + len(lines)
    else:
        assert result
        assert all(str(p).isprintable() for p in result)


@settings(max_examples=150, deadline=None, suppress_health_check=QUIET)
@given(st.binary(max_size=100))
def test_junk_is_bad_input_or_a_source_without_rows(tmp_path: Path, junk: bytes) -> None:
    (tmp_path / "t.csv").write_bytes(junk)
    with pytest.raises(BadInput):
        rows(LONG, tmp_path / "t.csv")


def test_conditions_leave_out_what_they_name(tmp_path: Path) -> None:
    path = table_file(tmp_path, "Job,Run,Note\na,1,x\nb,,y\nc,-,z\nd,4,\ne,5,TEST 2\n")

    def kept(condition: str, key: str = "leave_out") -> str:
        text = NAMES.replace("[[events]]", f"[[events]]\n{key} = [{condition}]")
        return "".join(c["job"] for _, c in rows(text, path)[0]["events"])

    assert kept('{ column = "Run", empty = true }') == "acde"
    assert kept('{ column = "Run", number = false }') == "ade"
    assert kept('{ column = "Note", matches = "^TEST" }') == "abcd"
    assert kept('{ column = "Note", is = ["x", "y"] }') == "cde"
    assert kept('{ column = "Note", is_not = ["x", "y"] }') == "ab"
    assert kept('{ column = "Run", number = true }, { column = "Note", is = "x" }', "only") == "a"


def test_nothing_more_is_yielded_after_the_first_problem(tmp_path: Path) -> None:
    bad = ROWS.replace("HOV", "FWD")
    path = table_file(tmp_path, HEADER + ROWS + bad + ROWS)
    seen: list[Table] = []
    parts = mapped(map_from(LONG, "m.toml"), path, 3)
    with pytest.raises(BadInput):
        seen.extend(table for _, table in parts)
    assert {int(row) for table in seen for row in table.rows} <= {2, 3, 4}
    assert seen


def test_a_map_is_a_value_that_keeps_its_own_text() -> None:
    found = map_from(LONG, "m.toml")
    assert (found.text, found.file, found.name) == (LONG, "m.toml", "one row a reading")
    with pytest.raises(AttributeError):
        found.name = "x"  # type: ignore[misc]
    assert isinstance(found.given[0].ways, Mapping)


def test_a_slow_expression_stops_the_import_with_its_text(tmp_path: Path) -> None:
    text = LONG.replace('run = "Run"', """run = { column = "Run", part = '(a|aa)+$' }""", 1)
    (tmp_path / "t.csv").write_text(
        HEADER + ROWS.replace("MR-1;1;", "MR-1;" + "a" * 45 + "b;"), encoding="utf-8"
    )
    with pytest.raises(BadInput, match=r"\(a\|aa\)"):
        list(mapped(map_from(text, "slow.toml"), tmp_path / "t.csv"))


MOVED = """
[map]
name = "the office's work orders"

[[moves]]
job = "Order"
after_run = { column = "Run", one_less = true }
blade = "Blade"
adjuster = { text = "hub weight" }
amount = "Weight"
extra = { task_card = "Card", shift = { column = "Shift", translate = { N = "night" } } }
"""


def test_what_a_log_does_not_know_is_carried_through(tmp_path: Path) -> None:
    lines = "Order,Run,Blade,Weight,Card,Shift\nJ-1,2,red,40,=7/1,N\nJ-1,010,blue,20,8/1,\n"
    (tmp_path / "t.csv").write_text(lines, encoding="utf-8")
    ((name, table),) = mapped(map_from(MOVED, "orders.toml"), tmp_path / "t.csv")
    assert name == "moves"
    assert table.text("task_card").tolist() == ["=7/1", "8/1"]
    assert table.text("shift").tolist() == ["night", ""]
    # The run flown after the moves is named; a log names the one before them.
    assert table.text("after_run").tolist() == ["1", "009"]


@pytest.mark.parametrize("run", ["0", "R2", "2.0", "-1", "x"])
def test_a_run_that_has_none_before_it_is_refused(tmp_path: Path, run: str) -> None:
    lines = f"Order,Run,Blade,Weight,Card,Shift\nJ-1,{run},red,40,7,N\n"
    (tmp_path / "t.csv").write_text(lines, encoding="utf-8")
    with pytest.raises(BadInput, match="a whole number above 0"):
        list(mapped(map_from(MOVED, "orders.toml"), tmp_path / "t.csv"))


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ('extra = { amount = "Card" }', "a name in small letters that is no column of a log"),
        ('extra = { regime = "Card" }', "a name in small letters that is no column of a log"),
        ('extra = { "Task Card" = "Card" }', "such as task_card"),
        ('extra = "Card"', "columns, as in"),
        ("extra = { task_card = 7 }", "the header of a column in quotes"),
        ('extra = { task_card = { colunm = "Card" } }', "colunm"),
        ('blade = { column = "Blade", one_less = true }', "one_less"),
    ],
)
def test_extra_columns_that_cannot_be_are_refused(said: str, told: str) -> None:
    key = said.split(" = ")[0]
    text = "\n".join(said if li.startswith(f"{key} =") else li for li in MOVED.split("\n"))
    with pytest.raises(BadInput) as refused:
        map_from(text, "orders.toml")
    assert told in str(refused.value)
