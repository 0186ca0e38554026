"""Jobs as a whole: their order, what is fitted from run to run and from job to job, conditions."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import adapt
from adapt.log import History
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor, SharedRange

ROTOR = Rotor(
    name="main rotor",
    blades=("A", "B", "C", "D"),
    rpm=390.0,
    sensors=(
        Sensor("left", "ips", phase="lead"),
        Sensor("right", "ips"),
        Sensor("roll", "ips", combination={"left": 0.5, "right": -0.5}),
    ),
    regimes=(Regime("hover"), Regime("100 kt")),
    adjusters=(
        Adjuster("fore weight", "g", 10.0, (0.0, 100.0)),
        Adjuster("aft weight", "g", 10.0, (0.0, 100.0)),
        Adjuster("tab", "deg", 0.1, (-0.3, 0.3), sum_range=(-0.2, 0.2)),
    ),
    limits=(Limit("left", 0.2), Limit(None, 8.0)),
    shared_ranges=(SharedRange(("fore weight", "aft weight"), (0.0, 120.0)),),
    track_unit="mm",
)
HEADERS = {
    "runs": "rotor,job,run,started",
    "readings": "job,run,regime,sensor,amplitude,clock",
    "track": "job,run,regime,blade,height",
    "moves": "job,after_run,blade,adjuster,amount",
    "fitted": "job,blade,adjuster,amount",
    "events": "job,after_run,kind,sensor,note",
}
TWO_JOBS = ["R1,J1,1,2026-01-01", "R1,J1,2,2026-01-02", "R1,J2,1,2026-03-01", "R1,J2,2,2026-03-02"]
READINGS = [f"{job},{run},hover,left,0.1,4:20" for job in ("J1", "J2") for run in (1, 2)]


def checked(path: Path, headers: dict[str, str] | None = None, **tables: list[str]) -> History:
    log = path / "log"
    log.mkdir()
    rows = {"runs": TWO_JOBS, "readings": READINGS, **tables}
    for name, lines in rows.items():
        header = {**HEADERS, **(headers or {})}[name]
        (log / f"{name}.csv").write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return adapt.check(ROTOR, log)


def doubts(history: History) -> list[tuple[str, int | None, str | None, str]]:
    assert [str(f) for f in history.faults] == []
    return [(p.file, p.row, p.column, p.found) for p in history.doubts]


def test_fitted_amounts_are_followed_through_moves_to_the_next_job(tmp_path: Path) -> None:
    fitted = ["J1,A,fore weight,50", "J2,A,fore weight,70"]
    moves = ["J1,1,A,fore weight,20"]
    assert doubts(checked(tmp_path, fitted=fitted, moves=moves)) == []


def test_a_fitted_amount_that_does_not_follow_is_a_doubt(tmp_path: Path) -> None:
    fitted = ["J1,A,fore weight,50", "J2,A,fore weight,60"]
    moves = ["J1,1,A,fore weight,20"]
    history = checked(tmp_path, fitted=fitted, moves=moves)
    assert doubts(history) == [("fitted.csv", 3, "amount", "60")]
    assert history.doubts[0].expected.startswith("70 ")
    assert history.doubts[0].job == "J2"


def test_replaced_hardware_explains_amounts_that_do_not_follow(tmp_path: Path) -> None:
    fitted = ["J1,A,fore weight,50", "J2,A,fore weight,60"]
    events = ["J1,2,hardware changed,,blade A replaced"]
    assert doubts(checked(tmp_path, fitted=fitted, events=events)) == []


def test_nothing_follows_from_a_job_that_was_set_aside(tmp_path: Path) -> None:
    fitted = ["J1,A,fore weight,50", "J2,A,fore weight,60"]
    history = checked(tmp_path, fitted=fitted, moves=["J1,1,A,fore weight,ten"])
    assert dict(history.set_aside) == {"J1": 1}
    assert history.doubts == ()


def test_the_job_before_is_the_one_before_in_time_not_in_the_file(tmp_path: Path) -> None:
    fitted = ["J2,A,fore weight,60", "J1,A,fore weight,60"]
    history = checked(tmp_path, runs=TWO_JOBS[2:] + TWO_JOBS[:2], fitted=fitted,
                      moves=["J1,1,A,fore weight,10"])  # fmt: skip
    assert list(history.runs["job"]) == ["J1", "J1", "J2", "J2"]
    assert doubts(history) == [("fitted.csv", 2, "amount", "60")]
    assert history.doubts[0].expected.startswith("70 ")


@pytest.mark.parametrize(
    ("fitted", "moves", "found"),
    [
        (["J1,A,fore weight,90"], ["J1,1,A,fore weight,20"], ["110 fitted after this move"]),
        (["J1,A,fore weight,130"], ["J1,1,A,fore weight,-20"], ["130"]),
        (["J1,A,fore weight,100"], ["J1,1,A,fore weight,-100"], []),
        ([], ["J1,1,A,fore weight,-100"], []),  # what was fitted is not known
        ([], ["J1,1,A,fore weight,60", "J1,2,A,fore weight,60"], ["a width of 120"]),
        (["J1,B,tab,0.1"], ["J1,1,B,tab,0.2"], []),  # 0.1 + 0.2 is not more than 0.3 here
        (["J1,B,tab,0.1"], ["J1,1,B,tab,-0.2"], []),
        (["J1,B,tab,-0.1", "J1,C,tab,0"], ["J1,1,B,tab,0.2", "J1,1,C,tab,0.1"],
         ["moves that sum to 0.3"]),
        (["J1,A,fore weight,70", "J1,A,aft weight,40"], ["J1,1,A,aft weight,20"],
         ["130 together on blade 'A'"]),
        (["J1,A,fore weight,70"], ["J1,1,A,aft weight,90"], []),
    ],
)  # fmt: skip
def test_ranges_are_held_against_what_is_fitted_after_each_move(
    tmp_path: Path, fitted: list[str], moves: list[str], found: list[str]
) -> None:
    history = checked(tmp_path, fitted=fitted, moves=moves)
    assert [d[3] for d in doubts(history)] == found
    assert len(history.moves) == len(moves)


def test_runs_in_very_different_conditions_are_doubts_at_the_later_run(tmp_path: Path) -> None:
    header = HEADERS["runs"] + ",gross_weight,wind_kt,rpm"
    runs = [
        "R1,J1,1,2026-01-01,2000,5,390",
        "R1,J1,2,2026-01-02,2300,25,397.8",
        "R1,J2,1,2026-03-01,3000,5,380",
        "R1,J2,2,2026-03-02,2500,26,390",
    ]
    history = checked(tmp_path, {"runs": header}, runs=runs)
    assert [d[:3] for d in doubts(history)] == [
        ("runs.csv", 5, "gross_weight"),
        ("runs.csv", 5, "rpm"),
        ("runs.csv", 5, "wind_kt"),
    ]


def test_a_job_that_starts_inside_another_of_the_same_rotor_is_a_doubt(tmp_path: Path) -> None:
    runs = [*TWO_JOBS[:2], "R1,J2,1,2026-01-01T12:00", "R1,J2,2,2026-01-05"]
    assert doubts(checked(tmp_path, runs=runs)) == [
        ("runs.csv", 4, "started", "'2026-01-01T12:00'")
    ]
    (tmp_path / "x").mkdir()
    runs = [*TWO_JOBS[:2], "R2,J2,1,2026-01-01T12:00", "R2,J2,2,2026-01-05"]
    assert doubts(checked(tmp_path / "x", runs=runs)) == []


@pytest.mark.parametrize(
    ("started", "severity"),
    [
        (["2026-01-01T10:00", "2026-01-01T10:00"], None),
        (["2026-01-01T10:00", ""], None),
        (["", "2026-01-01T10:00"], None),
        (["2026-01-01T10:00+02:00", "2026-01-01T08:30Z"], None),
        (["2026-01-01T10:00+02:00", "2026-01-01T07:30Z"], "fault"),
        (["2026-01-01T10:00", "2026-01-01T09:59"], "fault"),
        (["2026-01-01T10:00", "2026-01-01T12:00Z"], "doubt"),
        (["01/02/2026", "2026-01-02"], "fault"),
        (["2026-13-01", "2026-01-02"], "fault"),
        (["0026-01-01", "2026-01-02"], "fault"),
        (["46023.4", "2026-01-02"], "fault"),
    ],
)
def test_starts_of_the_runs_of_a_job(
    tmp_path: Path, started: list[str], severity: str | None
) -> None:
    runs = [f"R1,J1,{i + 1},{text}" for i, text in enumerate(started)] + TWO_JOBS[2:]
    history = checked(tmp_path, runs=runs)
    findings = [(p.severity, p.column, p.job) for p in history.faults + history.doubts]
    assert findings == ([] if severity is None else [(severity, "started", "J1")])


def test_the_history_does_not_depend_on_the_order_of_rows_but_for_the_runs(tmp_path: Path) -> None:
    readings = [
        f"{job},{run},{regime},{sensor},0.{k}{run},{k + 1}:00"
        for job in ("J1", "J2")
        for run in (1, 2)
        for regime in ("hover", "100 kt")
        for k, sensor in enumerate(["left", "right"])
    ]
    track = [
        f"{job},{run},hover,{blade},{k - 1.5}"
        for job in ("J1", "J2")
        for run in (1, 2)
        for k, blade in enumerate("ABCD")
    ]
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first = checked(tmp_path / "a", readings=readings, track=track)
    random.Random(1).shuffle(readings)
    random.Random(2).shuffle(track)
    second = checked(tmp_path / "b", readings=readings, track=track)
    pd.testing.assert_frame_equal(first.readings, second.readings)
    pd.testing.assert_frame_equal(first.track, second.track)
    assert list(first.readings["sensor"].unique()) == ["left", "right", "roll"]


def test_a_combination_is_not_derived_where_it_was_read_or_excluded_or_a_part_is_missing(
    tmp_path: Path,
) -> None:
    header = HEADERS["readings"] + ",spread,excluded"
    readings = [
        "J1,1,hover,left,0.4,3:00,0.03,",
        "J1,1,hover,right,0.2,3:00,0.04,",
        "J1,2,hover,left,0.4,3:00,,",
        "J1,2,hover,right,0.2,3:00,,cable loose",
        "J2,1,hover,left,0.4,3:00,,",
        "J2,1,hover,right,0.2,3:00,,",
        "J2,1,hover,roll,0.7,12:00,,",
        "J2,2,hover,left,0.4,3:00,,",
        "J2,2,hover,right,0.2,3:00,,",
        "J2,2,hover,roll,9.9,4:20,,spike",
    ]
    history = checked(tmp_path, {"readings": header}, readings=readings)
    roll = history.readings[history.readings["sensor"] == "roll"].set_index(["job", "run"])
    assert list(roll.index) == [("J1", "1"), ("J2", "1")]
    # left is lead: 3:00 of lead is -90 deg of lag; 0.5 (-0.4i) - 0.5 (0.2i)
    assert roll.loc[("J1", "1"), "value"] == pytest.approx(-0.3j)
    assert roll.loc[("J1", "1"), "spread"] == pytest.approx(0.025)
    assert roll.loc[("J2", "1"), "value"] == pytest.approx(0.7)
    assert list(history.excluded["sensor"]) == ["right", "roll"]
    assert list(history.excluded["reason"]) == ["cable loose", "spike"]


def test_a_run_whose_row_cannot_be_read_is_one_fault_not_one_for_each_reading(
    tmp_path: Path,
) -> None:
    runs = [TWO_JOBS[0], "R1,J1,2", *TWO_JOBS[2:]]
    history = checked(tmp_path, runs=runs)
    assert [(p.file, p.row, p.job) for p in history.faults] == [("runs.csv", 3, "J1")]
    assert set(history.runs["job"]) == {"J2"}
    (tmp_path / "x").mkdir()
    runs = [",J1,1,2026-01-01", ",J1,2,2026-01-02", *TWO_JOBS[2:]]
    history = checked(tmp_path / "x", runs=runs)
    assert [(p.row, p.column, p.job) for p in history.faults] == [
        (2, "rotor", "J1"),
        (3, "rotor", "J1"),
    ]


def test_misspelt_columns_and_files_are_doubts(tmp_path: Path) -> None:
    header = HEADERS["readings"] + ",exclude"
    history = checked(tmp_path, {"readings": header}, readings=[r + ",yes" for r in READINGS])
    assert [(d[1], d[2]) for d in doubts(history)] == [(1, "exclude")]
    (tmp_path / "log" / "move.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    found = adapt.check(ROTOR, tmp_path / "log").doubts
    assert any(p.file == "move.csv" and "moves" in p.expected for p in found)
    (tmp_path / "log" / "readings.csv").rename(tmp_path / "log" / "reading.csv")
    with pytest.raises(BadInput, match=r"reading\.csv.*the name readings"):
        adapt.read_log(tmp_path / "log")


def test_a_table_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    checked(tmp_path)
    (tmp_path / "log" / "Runs.xlsx").write_bytes(b"")
    with pytest.raises(BadInput, match=r"Runs\.xlsx and runs\.csv; expected one table runs"):
        adapt.read_log(tmp_path / "log")


def test_events_are_of_known_kinds_and_sensors(tmp_path: Path) -> None:
    events = ["J1,1,Sensor Moved,left,", "J1,2,reference_moved,,after inspection"]
    history = checked(tmp_path, events=events)
    assert doubts(history) == []
    assert history.events[["after_run", "kind", "sensor"]].to_numpy().tolist() == [
        ["1", "sensor moved", "left"],
        ["2", "reference moved", ""],
    ]
    (tmp_path / "x").mkdir()
    events = [
        "J1,1,sensor moved,,",
        "J1,1,sensor fell off,left,",
        "J2,1,other,lft,",
        "J2,9,other,,",
    ]
    history = checked(tmp_path / "x", events=events)
    assert [(p.row, p.column) for p in history.faults] == [
        (5, "after_run"),
        (3, "kind"),
        (4, "sensor"),
        (2, "sensor"),
    ]


def test_a_track_with_a_blade_missing_or_excluded(tmp_path: Path) -> None:
    header = HEADERS["track"] + ",excluded"
    whole = [
        f"J1,1,hover,{blade},{height}," for blade, height in zip("ABCD", (3, 1, -1, 5), strict=True)
    ]
    track = [
        *whole,
        *[row.replace("hover", "100 kt") for row in whole[:3]],
        *[row.replace("J1,1", "J1,2") for row in whole[:3]],
        "J1,2,hover,D,99,tape lost",
        *[row.replace("J1,1", "J2,1") for row in whole[:3]],
        "J2,1,hover,D,,",
    ]
    history = checked(tmp_path, {"track": header}, track=track)
    assert [d[1] for d in doubts(history)] == [6, 13]
    assert history.track["height"].tolist() == [1.0, -1.0, -3.0, 3.0]
    assert np.isnan(history.track["lag"]).all()
    assert list(history.excluded["blade"]) == ["D"]


def test_track_of_a_rotor_without_track_is_left_out_with_a_doubt(tmp_path: Path) -> None:
    checked(tmp_path, track=["J1,1,hover,A,3"])
    history = adapt.check(replace(ROTOR, track_unit=None, limits=()), tmp_path / "log")
    assert [(p.severity, p.file) for p in history.doubts] == [("doubt", "track.csv")]
    assert len(history.track) == 0


def test_a_rotor_of_one_blade_has_a_track_of_nothing(tmp_path: Path) -> None:
    checked(tmp_path, track=["J1,1,hover,A,3"])
    fan = replace(ROTOR, blades=("A",))
    history = adapt.check(fan, tmp_path / "log")
    assert history.track["height"].tolist() == [0.0]


def test_runs_of_no_such_design_are_said_to_be_none(tmp_path: Path) -> None:
    header = HEADERS["runs"] + ",design"
    runs = [f"{row},tail rotor" for row in TWO_JOBS]
    history = checked(tmp_path, {"runs": header}, runs=runs)
    assert len(history.runs) == len(history.readings) == 0
    assert history.runs["gross_weight"].dtype == float
    assert history.runs["started"].dtype == "datetime64[ns]"
    assert [d[2] for d in doubts(history)] == ["design"]
    (tmp_path / "x").mkdir()
    runs = [*(f"{row},Main  Rotor" for row in TWO_JOBS[:3]), f"{TWO_JOBS[3]},main rotr"]
    history = checked(tmp_path / "x", {"runs": header}, runs=runs)
    assert [(p.row, p.column, p.job) for p in history.faults] == [(4, "design", "J2")]
    assert [(p.row, p.column) for p in history.doubts] == [(5, "design")]
