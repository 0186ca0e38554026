"""Logs as people hand them in: what is read, what is a fault, what is a doubt, what is refused."""

from __future__ import annotations

from datetime import time as clock_time
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import adapt
from adapt.log import History
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

ROTOR = Rotor(
    name="main rotor",
    blades=("1", "2", "3"),
    rpm=400.0,
    sensors=(Sensor("lateral", "ips"), Sensor("vertical", "ips", phase="lead")),
    regimes=(Regime("hover"), Regime("120 kt")),
    adjusters=(
        Adjuster("hub weight", "g", 10.0, (0.0, 100.0), largest_move=50.0),
        Adjuster("pitch link", "flats", 1.0, (-6.0, 6.0), blades=("1", "2")),
    ),
    limits=(Limit("lateral", 0.2), Limit(None, 10.0)),
    track_unit="mm",
)
RUNS = "rotor,job,run,started\nR-1,J-1,1,2026-01-01T10:00\nR-1,J-1,2,2026-01-02\n"
READINGS = """job,run,regime,sensor,amplitude,clock
J-1,1,hover,lateral,0.30,4:20
J-1,1,hover,vertical,0.10,3:00
J-1,2,hover,lateral,0.20,10:15
"""


def folder(path: Path, **tables: str | bytes) -> Path:
    """Write a log folder; runs and readings are sound unless given."""
    log = path / "log"
    log.mkdir()
    for name, text in {"runs": RUNS, "readings": READINGS, **tables}.items():
        data = text if isinstance(text, bytes) else text.encode()
        (log / f"{name}.csv").write_bytes(data)
    return log


def checked(path: Path, **tables: str | bytes) -> History:
    return adapt.check(ROTOR, adapt.read_log(folder(path, **tables)))


def value(history: History, job: str = "J-1", run: str = "1", sensor: str = "lateral") -> complex:
    rows = history.readings.query("job == @job and run == @run and sensor == @sensor")
    return complex(rows["value"].iloc[0])


def test_a_sound_log_has_no_finding_and_reads_lag_and_lead(tmp_path: Path) -> None:
    history = checked(tmp_path)
    assert history.faults == ()
    assert value(history) == pytest.approx(0.3 * np.exp(1j * np.deg2rad(130.0)))
    # the vertical instrument shows lead: 3:00 of lead is 270 deg of lag
    assert value(history, sensor="vertical") == pytest.approx(-0.1j, abs=1e-12)
    assert list(history.runs["run"]) == ["1", "2"]


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        ("J-1,2,hover,lateral,0.2,13:75", "clock", "13:75"),
        ("J-1,2,hover,lateral,0.2,13:05", "clock", "13:05"),
        ("J-1,2,hover,lateral,0.2,4", "clock", "4"),
        ("J-1,2,hover,lateral,-0.2,4:20", "amplitude", "-0.2"),
        ("J-1,2,hover,lateral,nan,4:20", "amplitude", "nan"),
        ("J-1,2,hover,lateral,loud,4:20", "amplitude", "loud"),
        ('J-1,2,hover,lateral,"1,234",4:20', "amplitude", "1,234"),
        ("J-1,2,hover,lateral,#REF!,4:20", "amplitude", "#REF!"),
        ("J-1,2,hover,latteral,0.2,4:20", "sensor", "latteral"),
        ("J-1,2,hoover,lateral,0.2,4:20", "regime", "hoover"),
        ("J-1,3,hover,lateral,0.2,4:20", "run", "3"),
        ("J-1,2,hover,lateral,0.2,", "clock", ""),
    ],
)
def test_a_reading_that_cannot_be_understood_sets_its_job_aside(
    tmp_path: Path, row: str, column: str, found: str
) -> None:
    other = "R-2,J-2,1,2026-01-03\n"
    history = checked(
        tmp_path,
        runs=RUNS + other,
        readings=READINGS.rsplit("\n", 2)[0] + f"\n{row}\nJ-2,1,hover,lateral,0.1,1:00\n",
    )
    (fault,) = history.faults
    assert fault.file.endswith("readings.csv")
    assert fault.row == 4
    assert column in (fault.column or "")
    assert found in fault.found
    assert fault.job == "J-1"
    assert dict(history.set_aside) == {"J-1": 1}
    assert set(history.readings["job"]) == {"J-2"}
    assert set(history.runs["job"]) == {"J-2"}


def test_every_fault_of_every_table_is_told_at_once(tmp_path: Path) -> None:
    history = checked(
        tmp_path,
        runs=RUNS + "R-1,J-2,1,yesterday\n",
        readings=READINGS + "J-1,2,hover,lateral,0.2,10:15\nJ-9,1,hover,lateral,0.1,1:00\n",
        moves="job,after_run,blade,adjuster,amount\nJ-1,1,4,hub weight,10\nJ-1,1,1,tab,ten\n",
        track="job,run,regime,blade,height\nJ-1,1,hover,1,high\n",
        events="job,after_run,kind,note\nJ-1,1,fell off,\n",
    )
    places = {(Path(f.file).name, f.row, f.column) for f in history.faults}
    assert ("runs.csv", 4, "started") in places
    assert any(p[:2] == ("readings.csv", 5) for p in places)  # a duplicate
    assert any(p[:2] == ("readings.csv", 6) for p in places)  # an unknown job
    assert ("moves.csv", 2, "blade") in places
    assert {("moves.csv", 3, "adjuster"), ("moves.csv", 3, "amount")} <= places
    assert ("track.csv", 2, "height") in places
    assert ("events.csv", 2, "kind") in places
    assert all(f.expected for f in history.faults)


def test_an_unknown_name_suggests_the_nearest(tmp_path: Path) -> None:
    history = checked(tmp_path, readings=READINGS.replace("vertical", "vertcal"))
    assert "vertical" in history.faults[0].expected


def test_runs_out_of_time_order_and_a_job_of_two_rotors_are_faults(tmp_path: Path) -> None:
    runs = "rotor,job,run,started\nR-1,J-1,1,2026-01-03\nR-2,J-1,2,2026-01-02\n"
    history = checked(tmp_path, runs=runs)
    assert {f.column for f in history.faults} >= {"started", "rotor"}


@pytest.mark.parametrize(
    ("moves", "fitted", "said"),
    [
        ("J-1,1,1,hub weight,15", "", "step"),
        ("J-1,1,1,hub weight,60", "", "largest"),
        ("J-1,1,1,hub weight,50", "J-1,1,hub weight,70", "0 to 100"),
        ("J-1,1,3,pitch link,1", "", "1"),
    ],
)
def test_what_is_against_the_hardware_is_a_doubt_and_is_used(
    tmp_path: Path, moves: str, fitted: str, said: str
) -> None:
    tables = {"moves": f"job,after_run,blade,adjuster,amount\n{moves}\n"}
    if fitted:
        tables["fitted"] = f"job,blade,adjuster,amount\n{fitted}\n"
    history = checked(tmp_path, **tables)
    assert history.faults == ()
    assert len(history.moves) == 1
    assert any(said in d.expected or said in d.found for d in history.doubts)


def test_a_huge_amplitude_is_a_doubt(tmp_path: Path) -> None:
    history = checked(tmp_path, readings=READINGS.replace("0.20,10:15", "2.10,10:15"))
    assert history.faults == ()
    assert any("2.1" in d.found for d in history.doubts)


@pytest.mark.parametrize(("spread", "doubtful"), [("0.19", False), ("0.5", True)])
def test_a_spread_over_the_limit_is_a_doubt(spread: str, doubtful: bool, tmp_path: Path) -> None:
    """0.2 is the limit of the channel: readings that scatter by more say nothing of it."""
    text = READINGS.replace("clock\n", "clock,spread,repeats\n")
    text = text.replace("10:15\n", f"10:15,{spread},5\n")
    text = text.replace("4:20\n", "4:20,,\n").replace("3:00\n", "3:00,,\n")
    history = checked(tmp_path, readings=text)
    assert history.faults == ()
    assert any(d.column == "spread" and spread in d.found for d in history.doubts) is doubtful


def test_excluded_readings_are_kept_apart_and_not_used(tmp_path: Path) -> None:
    text = READINGS.replace("clock\n", "clock,excluded\n").replace("10:15\n", "10:15,cable loose\n")
    text = text.replace("4:20\n", "4:20,\n").replace("3:00\n", "3:00,\n")
    history = checked(tmp_path, readings=text)
    assert history.faults == ()
    assert len(history.readings) == 2
    assert "cable loose" in set(history.excluded["reason"])


def test_rows_of_another_design_are_skipped_without_complaint(tmp_path: Path) -> None:
    runs = (
        "rotor,job,run,started,design\nR-1,J-1,1,2026-01-01,main rotor\n"
        "R-1,J-1,2,2026-01-02,main rotor\nT-1,J-2,1,2026-01-01,tail rotor\n"
    )
    history = checked(tmp_path, runs=runs, readings=READINGS + "J-2,1,ground,gearbox,0.5,1:00\n")
    assert history.faults == ()
    assert set(history.runs["job"]) == {"J-1"}


def test_track_is_centred_and_a_regime_with_a_blade_missing_is_left_out(tmp_path: Path) -> None:
    track = (
        "job,run,regime,blade,height\n"
        + "".join(f"J-1,1,hover,{b},{h}\n" for b, h in (("1", 10), ("2", 4), ("3", 1)))
        + "J-1,2,hover,1,3\nJ-1,2,hover,2,5\n"
    )
    history = checked(tmp_path, track=track)
    assert history.faults == ()
    assert list(history.track["height"]) == pytest.approx([5.0, -1.0, -4.0])
    assert any("hover" in d.found or "hover" in d.expected for d in history.doubts)


def test_a_combination_is_made_of_its_parts_in_lag(tmp_path: Path) -> None:
    made = Sensor("roll", "ips", combination={"lateral": 0.5, "vertical": -0.5})
    rotor = Rotor(**{**vars_of(ROTOR), "sensors": (*ROTOR.sensors, made)})
    history = adapt.check(rotor, adapt.read_log(folder(tmp_path)))
    lateral, vertical = value(history), value(history, sensor="vertical")
    assert value(history, sensor="roll") == pytest.approx(0.5 * lateral - 0.5 * vertical)
    assert len(history.readings.query("sensor == 'roll'")) == 1  # run 2 lacks a part


def vars_of(rotor: Rotor) -> dict[str, object]:
    return {name: getattr(rotor, name) for name in rotor.__dataclass_fields__}


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace(",", ";").replace("0.", "0,"),
        lambda text: text.replace(",", "\t"),
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("job,run", " Job , RUN"),
        lambda text: "\n".join(f"{line},=1+1" for line in text.splitlines()) + "\n",
        lambda text: text.replace("amplitude", "amplitude [ips]"),
        lambda text: text.replace("4:20", "4:20:00").replace("10:15", "10:15:00 AM"),
        lambda text: "\n" + text + "\n,,,,,\n",
    ],
)
def test_the_ways_in_which_programs_save_tables_read_alike(tmp_path: Path, change: object) -> None:
    history = checked(tmp_path, readings=change(READINGS))  # type: ignore[operator]
    assert [str(f) for f in history.faults] == []
    assert value(history) == pytest.approx(0.3 * np.exp(1j * np.deg2rad(130.0)))
    assert value(history, run="2") == pytest.approx(0.2 * np.exp(1j * np.deg2rad(307.5)))


def test_other_encodings_are_read_or_doubted(tmp_path: Path) -> None:
    history = checked(tmp_path, readings=READINGS.encode("utf-16"))
    assert history.faults == ()
    runs = RUNS.replace("started", "started,note").replace("10:00", "10:00,Lärm")
    runs = runs.replace("01-02", "01-02,")
    (tmp_path / "other").mkdir()
    other = checked(tmp_path / "other", runs=runs.encode("cp1252"))
    assert other.faults == ()
    assert any("runs.csv" in d.file for d in other.doubts)


def test_a_unit_that_the_rotor_file_does_not_expect_is_refused(tmp_path: Path) -> None:
    log = adapt.read_log(
        folder(tmp_path, readings=READINGS.replace("amplitude", "amplitude [mm/s]"))
    )
    with pytest.raises(BadInput, match="mm/s"):
        adapt.check(ROTOR, log)


def test_a_unit_column_is_held_against_the_rotor_file(tmp_path: Path) -> None:
    text = READINGS.replace("clock\n", "clock,unit\n").replace(":20\n", ":20,ips\n")
    text = text.replace("3:00\n", "3:00,g\n").replace("10:15\n", "10:15,ips\n")
    with pytest.raises(BadInput, match="'g'"):
        adapt.check(ROTOR, adapt.read_log(folder(tmp_path, readings=text)))


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"readings": ""}, "readings.csv"),
        ({"readings": "job,run,regime,sensor\n"}, "amplitude"),
        ({"runs": "rotor,job,job,run,started\n"}, "job"),
    ],
)
def test_tables_that_cannot_be_used_at_all_are_refused(
    tmp_path: Path, tables: dict[str, str], said: str
) -> None:
    with pytest.raises(BadInput, match=said):
        adapt.read_log(folder(tmp_path, **tables))


def test_a_folder_that_is_not_there_or_lacks_tables_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        adapt.read_log(tmp_path / "nowhere")
    (tmp_path / "log").mkdir()
    with pytest.raises(BadInput, match="runs"):
        adapt.read_log(tmp_path / "log")


def test_tables_of_a_header_alone(tmp_path: Path) -> None:
    history = checked(
        tmp_path,
        moves="job,after_run,blade,adjuster,amount\n",
        track="job,run,regime,blade,height\n",
    )
    assert history.faults == ()
    assert len(history.moves) == len(history.track) == 0
    assert history.moves["amount"].dtype == history.track["height"].dtype == float
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadInput, match=r"runs.csv: found no rows"):
        checked(tmp_path / "empty", runs="rotor,job,run,started\n")


def test_a_workbook_with_clock_angles_taken_for_times_is_read_as_meant(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "readings"
    sheet.append(["job", "run", "regime", "sensor", "amplitude", "clock"])
    sheet.append(["J-1", 1, "hover", "lateral", 0.3, clock_time(4, 20)])
    sheet.append(["J-1", 1, "hover", "vertical", 0.1, "3:00"])
    sheet.append(["J-1", 2, "hover", "lateral", "0,2", 10.25 / 24])
    runs = book.create_sheet("runs")
    runs.append(["rotor", "job", "run", "started"])
    runs.append(["R-1", "J-1", 1, pd.Timestamp("2026-01-01 10:00").to_pydatetime()])
    runs.append(["R-1", "J-1", 2, "2026-01-02"])
    book.save(tmp_path / "log.xlsx")
    history = adapt.check(ROTOR, adapt.read_log(tmp_path / "log.xlsx"))
    assert [str(f) for f in history.faults] == []
    assert value(history) == pytest.approx(0.3 * np.exp(1j * np.deg2rad(130.0)))
    assert value(history, run="2") == pytest.approx(0.2 * np.exp(1j * np.deg2rad(307.5)))


def test_formula_like_cells_and_paths_are_text(tmp_path: Path) -> None:
    runs = (
        RUNS.replace("started", "started,note")
        .replace("10:00", "10:00,=cmd|'/C calc'!A0")
        .replace("01-02", "01-02,../../etc/passwd")
    )
    history = checked(tmp_path, runs=runs)
    assert history.faults == ()
    assert list(history.runs["note"]) == ["=cmd|'/C calc'!A0", "../../etc/passwd"]


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=400), st.sampled_from(["runs", "readings", "moves", "track"]))
def test_junk_gives_findings_and_never_anything_else(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, name: str
) -> None:
    try:
        history = checked(tmp_path_factory.mktemp("junk"), **{name: junk})
    except BadInput:
        return
    assert isinstance(history, History)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 1.9), st.floats(0.0, 359.9), st.sampled_from(["hover", "120 kt"])
        ),
        min_size=1, max_size=2, unique_by=lambda t: t[2],
    )
)  # fmt: skip
def test_degrees_come_back_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, float, str]]
) -> None:
    text = "job,run,regime,sensor,amplitude,phase_deg\n" + "".join(
        f"J-1,1,{regime},lateral,{amplitude!r},{phase!r}\n" for amplitude, phase, regime in rows
    )
    history = checked(tmp_path_factory.mktemp("log"), readings=text)
    assert history.faults == ()
    for amplitude, phase, regime in rows:
        found = history.readings.set_index("regime")["value"][regime]
        assert found == pytest.approx(amplitude * np.exp(1j * np.deg2rad(phase)), abs=1e-12)


def test_a_large_log_is_checked_without_a_loop_over_its_rows(tmp_path: Path) -> None:
    # 30,000 readings; faults only in the last row
    jobs = [f"J-{k}" for k in range(1500)]
    runs = "rotor,job,run,started\n" + "".join(
        f"R-{k % 50},{job},{run},2026-01-0{run}\n"
        for k, job in enumerate(jobs)
        for run in (1, 2, 3, 4, 5)
    )
    rows = "".join(
        f"{job},{run},{g},{s},0.1,1:00\n"
        for job in jobs for run in (1, 2, 3, 4, 5) for g in ("hover", "120 kt")
        for s in ("lateral", "vertical")
    )  # fmt: skip
    history = checked(
        tmp_path,
        runs=runs,
        readings=f"job,run,regime,sensor,amplitude,clock\n{rows[:-5]}13:99\n",
    )
    assert len(history.faults) == 1
    assert history.faults[0].row == 30_001
    assert len(history.readings) == 30_000 - 20


@pytest.mark.parametrize("kind", ["folder", "link to nowhere"])
def test_a_table_of_that_name_that_is_no_file_is_not_taken_for_missing(
    tmp_path: Path, kind: str
) -> None:
    log = folder(tmp_path)
    if kind == "folder":
        (log / "moves.csv").mkdir()
    else:
        (log / "moves.csv").symlink_to(tmp_path / "not-there.csv")
    with pytest.raises(BadInput, match=r"moves\.csv: found no readable file"):
        adapt.read_log(log)
