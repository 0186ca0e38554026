"""A log written as another instrument would write it, mapped back: the same log to `check`."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from adapt.database.making import new_logbook
from adapt.database.opening import open_logbook
from adapt.log import Log, check, read_log
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.maps import map_from, mapped
from adapt.rotor import read_rotor
from adapt.tables import Column, Table

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "datasets" / "demo"
REGIMES = {"flat pitch": "FPG", "hover": "HOV", "60 kt": "V06", "90 kt": "V09", "120 kt": "V12",
           "descent": "DES", "ground run": "GRD"}  # fmt: skip

MAP = """
[map]
name = "recorder of the neighbours"
[translations.regimes]
FPG = "flat pitch"
HOV = "hover"
V06 = "60 kt"
V09 = "90 kt"
V12 = "120 kt"
DES = "descent"
GRD = "ground run"

[[sources]]
name = "runs"
files = "runs.csv"
[[sources]]
name = "readings"
files = "readings.*"
[[sources]]
name = "track"
files = "heights.csv"

[[runs]]
source = "runs"
rotor = "serial"
job = { columns = ["letter", "order"], joined_by = "-" }
run = "flight"
started = { columns = ["day", "time"], format = "%d.%m.%y %H.%M" }
design = "design"

[[readings]]
source = "readings"
job = "job"
run = "run"
regime = { column = "condition", translate = "regimes" }
sensor = "place"
amplitude = { column = "velocity", from = "mm/s", to = "ips", measured = "peak to peak" }
phase_deg = { column = "phase", from = "lead", to = "lag", offset_deg = -30 }
excluded = "remark"

[[track]]
source = "track"
job = "job"
run = "run"
regime = { column = "condition", translate = "regimes" }
height = { from = "cm", to = "mm" }
groups = [
    { is = { blade = "red" }, height = "b1" },
    { is = { blade = "blue" }, height = "b2" },
    { is = { blade = "green" }, height = "b3" },
    { is = { blade = "yellow" }, height = "b4" },
    { is = { blade = "white" }, height = "b5" },
]
"""


def written(folder: Path, suffix: str) -> None:
    """Write the demo's log as another instrument would, by pandas and plain arithmetic."""
    runs = pd.read_csv(DEMO / "log" / "runs.csv", dtype=str)
    started = pd.to_datetime(runs["started"])
    pd.DataFrame(
        {
            "serial": runs["rotor"], "letter": runs["job"].str[:1], "order": runs["job"].str[2:],
            "flight": runs["run"], "day": started.dt.strftime("%d.%m.%y"),
            "time": started.dt.strftime("%H.%M"), "design": runs["design"],
        }
    ).to_csv(folder / "runs.csv", index=False, sep="\t")  # fmt: skip
    readings = pd.read_csv(DEMO / "log" / "readings.csv", dtype=str, keep_default_na=False)
    hours = readings["clock"].str.split(":", expand=True).astype(float)
    lag = hours[0] * 30 + hours[1] / 2
    velocity = readings["amplitude"].astype(float) * 25.4 * 2
    rows = [
        ["job", "run", "condition", "place", "velocity [mm/s]", "phase", "remark"],
        *zip(
            readings["job"], readings["run"], readings["regime"].map(REGIMES), readings["sensor"],
            [f"{v:.3f}".replace(".", ",") for v in velocity],
            [f"{(360 - (p + 30)) % 360:.1f}".replace(".", ",") for p in lag],
            readings["excluded"], strict=True,
        ),
    ]  # fmt: skip
    if suffix == ".xlsx":
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(list(row))
        book.save(folder / "readings.xlsx")
    else:
        with (folder / "readings.csv").open("w", newline="", encoding="utf-16") as file:
            csv.writer(file, delimiter=";").writerows(rows)
    track = pd.read_csv(DEMO / "log" / "track.csv", dtype=str, keep_default_na=False)
    track = track[track["excluded"] == ""]
    wide = track.assign(cm=track["height"].astype(float) / 10).pivot_table(
        index=["job", "run", "regime"], columns="blade", values="cm"
    )
    wide = wide[["red", "blue", "green", "yellow", "white"]].reset_index()
    wide["regime"] = wide["regime"].map(REGIMES)
    wide.columns = pd.Index(["job", "run", "condition", "b1", "b2", "b3", "b4", "b5"])
    wide.to_csv(folder / "heights.csv", index=False)


def joined(parts: list[Table]) -> Table:
    columns = {}
    for name in parts[0].columns:
        text = np.concatenate([part.text(name) for part in parts])
        codes, different = pd.factorize(text)
        columns[name] = Column(name, codes, tuple(different), parts[0].columns[name].unit)
    return Table(parts[0].file, columns, np.concatenate([part.rows for part in parts]))


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_a_log_as_another_instrument_writes_it_is_the_same_log(tmp_path: Path, suffix: str) -> None:
    written(tmp_path, suffix)
    parts: dict[str, list[Table]] = {}
    for name, table in mapped(map_from(MAP, "neighbours.toml"), tmp_path, 97):
        assert table.problems == ()
        parts.setdefault(name, []).append(table)
    rotor, direct = read_rotor(DEMO / "main-rotor.toml"), read_log(DEMO / "log")
    of_map = {**direct.tables, **{name: joined(found) for name, found in parts.items()}}
    expected = check(rotor, direct)
    found = check(rotor, Log(of_map, (), str(tmp_path)))
    assert found.faults == ()
    # The demo holds one clock of 13:75, which arithmetic turns into a phase: its job is set aside.
    (faulty,) = {p.job for p in expected.faults}
    columns = ["job", "run", "regime", "sensor"]
    left = expected.readings.sort_values(columns).reset_index(drop=True)
    right = found.readings[found.readings["job"] != faulty]
    right = right.sort_values(columns).reset_index(drop=True)
    assert len(left) > 1000
    assert left[columns].equals(right[columns])
    assert np.allclose(left["value"].to_numpy(), right["value"].to_numpy(), rtol=0, atol=1e-9)
    columns = ["job", "run", "regime", "blade"]
    left = expected.track.sort_values(columns).reset_index(drop=True)
    right = found.track[found.track["job"] != faulty]
    right = right.sort_values(columns).reset_index(drop=True)
    assert len(left) > 500
    assert left[columns].equals(right[columns])
    assert np.allclose(left["height"], right["height"], rtol=0, atol=1e-9)
    columns = ["rotor", "job", "run", "started"]
    runs = found.runs[found.runs["job"] != faulty].reset_index(drop=True)
    assert expected.runs[columns].equals(runs[columns])


def test_a_mapped_log_imports_once_with_its_units(tmp_path: Path) -> None:
    (tmp_path / "source").mkdir()
    written(tmp_path / "source", ".csv")
    new_logbook(tmp_path / "book.sqlite")
    changes = []
    for _ in range(2):
        book = open_logbook(tmp_path / "book.sqlite", to_write=True)
        parts = mapped(map_from(MAP, "neighbours.toml"), tmp_path / "source")
        taken = take_in(book, parts, "the neighbours", "N. N.", with_faults=True)
        changes.append((taken.change, sum(counts.new for counts in taken.tables.values())))
    rows = {name: len(read_log(DEMO / "log").tables[name]) for name in ("runs", "readings")}
    log = read_log(tmp_path / "book.sqlite")
    assert changes[1] == (None, 0)
    assert {name: len(log.tables[name]) for name in rows} == rows
    assert set(log.tables["readings"].text("unit")) == {"ips"}


def test_a_million_rows_are_never_in_memory_together(tmp_path: Path) -> None:
    few, many = (_peak_megabytes(tmp_path, rows) for rows in (60_000, 1_000_000))
    assert many < few + 60  # a million rows are 140 MB as text alone, and 500 as Python's lists


def _peak_megabytes(folder: Path, rows: int) -> float:
    """Return the most memory that mapping so many rows takes, in a process of its own [MB]."""
    file = folder / f"{rows}.csv"
    line = "J-%d;1;hover;sensor number %d of the far end of the tail boom and its cover;0,25;90\n"
    with file.open("w") as text:
        text.write("Job;Run;Cond;Sensor;Amp;Phase\n")
        text.writelines(line % (i // 2000, i % 2000) for i in range(rows))
    program = f"""
import resource
from adapt.logbook.maps import map_from, mapped
text = '''[map]
name = "m"
[[readings]]
job = "Job"
run = "Run"
regime = "Cond"
sensor = "Sensor"
amplitude = {{ column = "Amp", from = "ips", to = "mm/s" }}
phase_deg = "Phase"
'''
rows = sum(len(t) for _, t in mapped(map_from(text, "m"), {str(file)!r}))
assert rows == {rows}, rows
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT)
    assert ran.returncode == 0, ran.stderr
    return float(ran.stdout)
