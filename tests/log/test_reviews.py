"""Decisions and corrections as a log holds them: what is used, what is a fault, what is a doubt."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import (
    ACCEPTED,
    CORRECTIONS,
    OF_MOVE,
    REVIEWS,
    ROTOR,
    TABLES,
    checked,
    reading,
    written,
)

import adapt
from adapt.problems import BadInput


def moves(history: adapt.log.History, job: str = "J1") -> list[tuple[str, str, str, float]]:
    rows = history.moves[history.moves["job"] == job]
    columns = ("after_run", "blade", "adjuster", "amount")
    return list(zip(*(rows[c] for c in columns), strict=True))


def of_reading(corrected: str, decision: str = "accept", run: str = "2") -> dict[str, str]:
    review = f"1,J1,readings,1,{run},{decision},,,,,\n"
    return {"reviews": REVIEWS + review, "corrections": CORRECTIONS + corrected}


def test_a_corrected_move_is_used_as_it_was_made(tmp_path: Path) -> None:
    history = checked(tmp_path, reviews=ACCEPTED, corrections=OF_MOVE)
    assert history.faults == ()
    assert history.doubts == ()
    assert sorted(moves(history)) == [
        ("1", "A", "hub weight", -40.0), ("2", "B", "pitch link", 3.0)
    ]  # fmt: skip
    assert dict(history.reviews.iloc[0])["by"] == "N. N."
    told = history.corrections.iloc[0]
    assert (told["run"], told["blade"], told["entered"], told["corrected"]) == ("1", "A", 40, -40)


def test_moves_not_made_leave_the_log_and_moves_not_entered_enter_it(tmp_path: Path) -> None:
    rows = "1,moves,J1,1,,A,hub weight,,,40,,,0,,\n1,moves,J1,1,,B,hub weight,,,,,,30,,\n"
    history = checked(tmp_path, reviews=ACCEPTED, corrections=CORRECTIONS + rows)
    assert history.faults == ()
    assert moves(history) == [("1", "B", "hub weight", 30.0), ("2", "B", "pitch link", 3.0)]


def test_a_corrected_reading_is_in_the_sensors_own_convention(tmp_path: Path) -> None:
    row = "1,readings,J1,,2,,,vertical,hover,0.15,,200.3,0.15,3:00,\n"
    history = checked(tmp_path, **of_reading(row))
    assert history.faults == ()
    # the vertical instrument shows lead: 3:00 of lead is 270 deg of lag
    assert reading(history, "J1", "2", "vertical") == pytest.approx(-0.15j)


def test_what_is_made_of_a_corrected_reading_follows_it(tmp_path: Path) -> None:
    row = "1,readings,J1,,2,,,lateral,hover,0.2,10:15,,0.2,4:15,\n"
    history = checked(tmp_path, **of_reading(row))
    lateral, vertical, roll = (
        reading(history, "J1", "2", s) for s in ("lateral", "vertical", "roll")
    )
    assert lateral == pytest.approx(0.2 * np.exp(1j * np.deg2rad(127.5)))
    assert roll == pytest.approx(0.5 * lateral - 0.5 * vertical)


def test_an_excluded_reading_is_not_used_and_the_rest_of_its_run_is(tmp_path: Path) -> None:
    row = "1,readings,J1,,2,,,lateral,hover,0.2,10:15,,,,\n"
    history = checked(tmp_path, **of_reading(row, "exclude"))
    assert history.faults == ()
    assert history.left_out == frozenset()
    assert set(history.readings.query("job == 'J1' and run == '2'")["sensor"]) == {"vertical"}
    told = history.excluded.iloc[0]
    assert (told["sensor"], told["reason"], told["row"]) == ("lateral", "review 1", 4)


@pytest.mark.parametrize(
    ("review", "kept"),
    [
        ("moves,1,2", {("J1", "1")}),
        ("moves,2,3", {("J1", "2")}),
        ("readings,1,2", {("J1", "1"), ("J1", "2")}),
        ("readings,1,1", {("J1", "1")}),
        ("readings,2,3", {("J1", "2")}),
    ],
)
def test_a_decision_concerns_the_pair_of_its_moves_or_those_of_its_run(
    review: str, kept: set[tuple[str, str]], tmp_path: Path
) -> None:
    history = checked(tmp_path, reviews=f"{REVIEWS}a,J1,{review},Keep,,,,,\n")
    assert history.faults == ()
    assert (history.kept, history.left_out) == (kept, frozenset())
    (tmp_path / "x").mkdir()
    history = checked(tmp_path / "x", reviews=f"{REVIEWS}a,J1,{review},exclude,,,,,\n")
    assert (history.kept, history.left_out) == (frozenset(), kept)


def test_a_log_without_reviews_has_none(tmp_path: Path) -> None:
    history = checked(tmp_path)
    assert history.reviews.empty
    assert history.corrections.empty
    assert (history.kept, history.left_out) == (frozenset(), frozenset())


@pytest.mark.parametrize(
    ("reviews", "column", "found"),
    [
        (",J1,moves,1,2,keep", "review", "nothing"),
        ("1,J1,moves,1,2,maybe", "decision", "maybe"),
        ("1,J1,move,1,2,keep", "table", "move"),
        ("1,J1,moves,1,9,keep", "run", "9"),
        ("1,J1,moves,9,2,keep", "after_run", "9"),
        ("1,J1,moves,1,3,keep", "after_run", "1"),
        ("1,J1,moves,2,2,keep", "after_run", "2"),
        ("1,J1,readings,1,3,keep", "after_run", "1"),
        ("1,J1,moves,1,2,accept", "decision", "accept"),
        ("1,J1,moves,1,2,keep,,,,,\n1,J1,moves,2,3,keep", "review", "1"),
        ("1,J1,moves,1,2,keep,,,,,\n2,J1,moves,1,2,exclude", "decision", "exclude"),
        ("1,J1,moves,1,2,keep,,,,,\n2,J1,moves,1,2,keep", "decision", "keep"),
    ],
)
def test_a_decision_that_makes_no_sense_sets_its_job_aside(
    reviews: str, column: str, found: str, tmp_path: Path
) -> None:
    history = checked(tmp_path, reviews=f"{REVIEWS}{reviews},,,,,\n")
    fault = history.faults[0]
    assert (fault.file, fault.column, fault.job) == ("reviews.csv", column, "J1")
    assert found in fault.found
    assert set(history.set_aside) == {"J1"}
    assert set(history.runs["job"]) == {"J2"}
    assert history.reviews.empty


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        ("1,moves,J1,1,,E,hub weight,,,40,,,-40,,", "blade", "E"),
        ("1,moves,J1,1,,A,hubweight,,,40,,,-40,,", "adjuster", "hubweight"),
        ("1,moves,J1,9,,A,hub weight,,,40,,,-40,,", "after_run", "9"),
        ("1,moves,J1,1,,A,hub weight,,,40,,,much,,", "corrected", "much"),
        ("1,moves,J1,1,,A,hub weight,,,40,,,,,", "corrected", "nothing"),
        ("1,moves,J1,1,,A,hub weight,,,some,,,-40,,", "entered", "some"),
        ("1,moves,J1,1,,A,hub weight,,,50,,,-40,,", "entered", "40 there now"),
        ("1,moves,J1,1,,B,hub weight,,,50,,,-40,,", "entered", "no such move now"),
        ("1,moves,J1,1,,A,hub weight,,,,,,-40,,", "entered", "40 there now"),
        ("1,moves,J2,1,,A,hub weight,,,-20,,,20,,", "job", "J2"),
        ("1,fitted,J1,1,,A,hub weight,,,40,,,-40,,", "table", "fitted"),
        (OF_MOVE.splitlines()[1] + "\n" + OF_MOVE.splitlines()[1], "corrected", "-40"),
        ("1,readings,J1,,2,,,latteral,hover,0.2,10:15,,0.2,4:15,", "sensor", "latteral"),
        ("1,readings,J1,,2,,,lateral,hovr,0.2,10:15,,0.2,4:15,", "regime", "hovr"),
        ("1,readings,J1,,8,,,lateral,hover,0.2,10:15,,0.2,4:15,", "run", "8"),
        ("1,readings,J1,,2,,,lateral,hover,0.2,10:15,,-0.2,4:15,", "corrected", "-0.2"),
        ("1,readings,J1,,2,,,lateral,hover,0.2,10:15,,0.2,14:15,", "corrected_clock", "14:15"),
        ("1,readings,J1,,2,,,lateral,hover,0.2,10:15,,0.2,,", "corrected_clock", "no phase"),
        ("1,readings,J1,,2,,,lateral,hover,0.2,,,0.2,4:15,", "entered_clock", "no phase"),
        ("1,readings,J1,,2,,,lateral,hover,0.2,10:45,,0.2,4:15,", "entered", "0.2 at 10:15"),
        ("1,readings,J1,,2,,,lateral,100 kt,0.2,10:15,,0.2,4:15,", "entered", "no such reading"),
    ],
)
def test_a_correction_that_does_not_fit_the_log_is_a_fault(
    row: str, column: str, found: str, tmp_path: Path
) -> None:
    history = checked(tmp_path, reviews=ACCEPTED, corrections=f"{CORRECTIONS}{row}\n")
    faults = [f for f in history.faults if f.file == "corrections.csv"]
    assert [f.column for f in faults][:1] == [column]
    assert found in faults[0].found
    assert faults[0].row is not None


def test_a_log_edited_after_its_review_says_what_to_do(tmp_path: Path) -> None:
    edited = TABLES["moves"].replace("A,hub weight,40", "A,hub weight,-40")
    history = checked(tmp_path, reviews=ACCEPTED, corrections=OF_MOVE, moves=edited)
    (fault,) = history.faults
    assert str(fault) == (
        "corrections.csv, row 2, column entered: found '40' as entered, but -40 there now; "
        "expected the entry as it was when it was reviewed; if the log was put right itself, take "
        "review '1' back (adapt review, --undo)"
    )
    assert set(history.set_aside) == {"J1"}


def test_a_fault_of_the_job_itself_is_not_told_twice(tmp_path: Path) -> None:
    spoilt = TABLES["moves"].replace("A,hub weight,40", "A,hub weight,forty")
    history = checked(tmp_path, reviews=ACCEPTED, corrections=OF_MOVE, moves=spoilt)
    assert [f.file for f in history.faults] == ["moves.csv"]


def test_nothing_is_corrected_in_an_entry_that_was_kept(tmp_path: Path) -> None:
    kept = ACCEPTED.replace("accept", "keep")
    (fault,) = checked(tmp_path, reviews=kept, corrections=OF_MOVE).faults
    assert (fault.file, fault.column) == ("corrections.csv", "review")


@pytest.mark.parametrize(
    "row",
    [
        "1,moves,J1,1,,A,hub weight,,,40,,,,,",
        "1,readings,J1,,2,,,lateral,hover,0.2,10:15,,0.2,4:15,",
    ],
)
def test_an_exclusion_names_readings_and_gives_them_no_value(row: str, tmp_path: Path) -> None:
    excluded = ACCEPTED.replace("accept", "exclude")
    history = checked(tmp_path, reviews=excluded, corrections=f"{CORRECTIONS}{row}\n")
    assert {f.file for f in history.faults} == {"corrections.csv"}
    assert set(history.set_aside) == {"J1"}


def test_a_correction_without_its_decision_is_doubted_and_not_used(tmp_path: Path) -> None:
    """A program that is killed between its two files leaves the log as it was before."""
    history = checked(tmp_path, corrections=OF_MOVE)
    assert history.faults == ()
    (doubt,) = history.doubts
    assert (doubt.file, doubt.column, doubt.found) == ("corrections.csv", "review", "'1'")
    assert ("1", "A", "hub weight", 40.0) in moves(history)
    assert history.corrections.empty


def test_only_what_a_move_was_corrected_to_is_doubted(tmp_path: Path) -> None:
    slipped = TABLES["moves"].replace("A,hub weight,40", "A,hub weight,405")
    before = checked(tmp_path, moves=slipped)
    assert {(d.file, d.row) for d in before.doubts} == {("moves.csv", 2)}
    (tmp_path / "x").mkdir()
    rows = "1,moves,J1,1,,A,hub weight,,,405,,,45,,\n"
    after = checked(tmp_path / "x", moves=slipped, reviews=ACCEPTED, corrections=CORRECTIONS + rows)
    (doubt,) = after.doubts
    assert (doubt.file, doubt.row, doubt.column) == ("corrections.csv", 2, "corrected")
    assert doubt.expected == "a whole number of steps of 10"


def test_what_the_hardware_cannot_carry_is_told_of_the_correction(tmp_path: Path) -> None:
    fitted = "job,blade,adjuster,amount\nJ1,A,hub weight,390\n"
    moved = TABLES["moves"].replace("A,hub weight,40", "A,hub weight,-40")
    rows = "1,moves,J1,1,,A,hub weight,,,-40,,,40,,\n"
    history = checked(
        tmp_path, fitted=fitted, moves=moved, reviews=ACCEPTED, corrections=CORRECTIONS + rows
    )
    (doubt,) = history.doubts
    assert (doubt.file, doubt.row, doubt.found) == (
        "corrections.csv", 2, "430 fitted after this move"
    )  # fmt: skip


def test_a_corrected_amplitude_far_over_its_limit_is_a_doubt(tmp_path: Path) -> None:
    row = "1,readings,J1,,2,,,lateral,hover,0.2,10:15,,2.5,10:15,\n"
    history = checked(tmp_path, **of_reading(row))
    assert {(d.file, d.column) for d in history.doubts} == {("corrections.csv", "corrected")}


def test_decisions_about_another_design_are_passed_over(tmp_path: Path) -> None:
    runs = TABLES["runs"].replace("started", "started,design").replace("-0", "-0")
    lines = [
        line + (",tail rotor" if ",J2," in line else ",") if "R1" in line else line
        for line in runs.splitlines()
    ]
    other = "7,J2,moves,1,2,maybe,,,,,\n"
    history = checked(
        tmp_path,
        runs="\n".join(lines) + "\n",
        reviews=ACCEPTED + other,
        corrections=OF_MOVE + "7,moves,J2,1,,Z,nonsense,,,x,,,y,,\n",
    )
    assert history.faults == ()
    assert list(history.reviews["review"]) == ["1"]


def test_of_a_number_that_stands_twice_the_first_review_is_used(tmp_path: Path) -> None:
    again = "1,J2,moves,1,2,keep,,,,,\n"
    history = checked(tmp_path, reviews=ACCEPTED + again, corrections=OF_MOVE)
    assert set(history.set_aside) == {"J2"}
    assert ("1", "A", "hub weight", -40.0) in moves(history)


def test_a_unit_that_is_not_the_rotor_files_is_refused(tmp_path: Path) -> None:
    header = CORRECTIONS.replace(",corrected,", ",corrected [kg],")
    rows = OF_MOVE.splitlines()[1]
    with pytest.raises(BadInput, match="kg"):
        checked(tmp_path, reviews=ACCEPTED, corrections=f"{header}{rows}\n")


def test_a_date_that_a_spreadsheet_turned_is_only_doubted(tmp_path: Path) -> None:
    history = checked(tmp_path, reviews=f"{REVIEWS}1,J1,moves,1,2,keep,,,,04/01/26 10:00,\n")
    assert history.faults == ()
    assert [d.column for d in history.doubts] == ["decided"]


def test_reviews_are_read_from_a_workbook_too(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in {**TABLES, "reviews": ACCEPTED, "corrections": OF_MOVE}.items():
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append([cell or None for cell in line.split(",")])
    book.save(tmp_path / "log.xlsx")
    history = adapt.check(ROTOR, tmp_path / "log.xlsx")
    assert history.faults == ()
    assert ("1", "A", "hub weight", -40.0) in moves(history)


CELLS = st.sampled_from(
    ["", "1", "2", "9", "J1", "J2", "accept", "exclude", "keep", "moves", "readings", "A", "B",
     "hub weight", "pitch link", "lateral", "vertical", "roll", "hover", "40", "-40", "0", "0.2",
     "10:15", "4:20", "200.3", "x", "=1+1", "1e300", "nan"]
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(CELLS, min_size=11, max_size=11), max_size=4),
    st.lists(st.lists(CELLS, min_size=15, max_size=15), max_size=4),
)
def test_whatever_stands_in_them_is_used_or_reported(
    reviews: list[list[str]], corrections: list[list[str]]
) -> None:
    def rows(table: list[list[str]]) -> str:
        return "".join(",".join(row) + "\n" for row in table)

    with tempfile.TemporaryDirectory() as name:
        history = checked(
            Path(name), reviews=REVIEWS + rows(reviews), corrections=CORRECTIONS + rows(corrections)
        )
    told = history.faults or history.doubts
    used = len(history.reviews) + len(history.corrections)
    assert told or used == sum(any(row) for row in (*reviews, *corrections))  # blank rows are none
    assert set(history.reviews["job"]).isdisjoint(history.set_aside)
    # what a clean job's corrections say is what stands in its tables
    for row in history.corrections.to_dict("records"):
        if row["table"] == "moves":
            made = history.moves.query(
                "job == @row['job'] and after_run == @row['run'] and blade == @row['blade'] "
                "and adjuster == @row['adjuster']"
            )["amount"].sum()
            assert made == row["corrected"]


def test_a_rotor_without_adjusters_has_nothing_to_correct(tmp_path: Path) -> None:
    bare = replace(ROTOR, adjusters=(), blades=("A",))
    log = written(tmp_path, moves=TABLES["moves"].splitlines()[0] + "\n", reviews=REVIEWS)
    history = adapt.check(bare, log)
    assert history.faults == ()
    assert history.corrections.empty
