"""Writing decisions down and taking them back: whole, alone, and without a trace."""

from __future__ import annotations

import os
import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import ACCEPTED, OF_MOVE, REVIEWS, ROTOR, TABLES, checked, move, read, suspect, written

import adapt
from adapt.log import deciding, reviewing
from adapt.log.deciding import Decision
from adapt.log.reviewing import record, take_back
from adapt.problems import AdaptError, BadInput, CannotBeMet

NOW = datetime(2026, 4, 1, 10, 0, tzinfo=UTC)


def accepted(log: Path, told: dict | None = None) -> Decision:
    tables = adapt.read_log(log)
    history = adapt.check(ROTOR, tables)
    told = told or suspect("2", move("A", "hub weight", -40.0))
    return deciding.accept(ROTOR, tables, history, told, 1)


def recorded(log: Path, decision: Decision | None = None, **words: str) -> str:
    history = adapt.check(ROTOR, log)
    return record(ROTOR, log, history, decision or accepted(log), NOW, **words)[0]


def content(folder: Path) -> dict[str, bytes]:
    return {f.name: f.read_bytes() for f in sorted(folder.iterdir())}


def test_a_decision_is_two_tables_beside_the_log(tmp_path: Path) -> None:
    log = written(tmp_path)
    before = content(log)
    assert recorded(log, by="N. N.", note="task card 12") == "1"
    assert (log / "reviews.csv").read_text() == ACCEPTED.replace(
        "+40 was -40", "as somebody meant"
    ).replace(",\n", ",task card 12\n")
    assert (log / "corrections.csv").read_text() == OF_MOVE
    assert {name: data for name, data in content(log).items() if name in before} == before
    assert recorded(log, deciding.keep(suspect("3", after_run="2"))) == "2"
    history = adapt.check(ROTOR, log)
    assert (history.faults, history.doubts) == ((), ())
    assert history.kept == {("J1", "2")}


def test_the_number_is_above_all_that_either_table_has(tmp_path: Path) -> None:
    log = written(tmp_path, corrections=OF_MOVE.replace("1,moves", "41,moves"))
    assert recorded(log) == "42"


def test_notes_of_several_lines_become_one(tmp_path: Path) -> None:
    log = written(tmp_path)
    recorded(log, note='two\nlines, "quoted"\x00; and more')
    history = adapt.check(ROTOR, log)
    assert list(history.reviews["note"]) == ['two lines, "quoted" ; and more']


def test_taking_back_restores_the_folder_byte_for_byte(tmp_path: Path) -> None:
    log = written(tmp_path)
    states = [content(log)]
    decisions = [
        accepted(log),
        deciding.exclude(
            ROTOR, adapt.read_log(log), adapt.check(ROTOR, log),
            suspect("2", read("lateral", 0.1j)), 1,
        ),
        deciding.keep(suspect("2")),
    ]  # fmt: skip
    for decision in decisions:
        recorded(log, decision)
        states.append(content(log))
    for number in (3, 2, 1):
        assert states.pop() == content(log)
        assert take_back(log, "J1", "2")["review"] == str(number)
    assert states.pop() == content(log)
    with pytest.raises(CannotBeMet, match="nothing was decided"):
        take_back(log, "J1", "2")


@settings(max_examples=20, deadline=None)
@given(
    separator=st.sampled_from([",", ";", "\t"]),
    end=st.sampled_from(["\n", "\r\n"]),
    mark=st.booleans(),
    closed=st.booleans(),
    extra=st.sampled_from(["", "extra column"]),
    order=st.permutations(REVIEWS.strip().split(",")),
    others=st.integers(0, 2),
    blank=st.booleans(),
)
def test_tables_from_a_spreadsheet_keep_their_shape(
    separator: str, end: str, mark: bool, closed: bool, extra: str, order: list[str],
    others: int, blank: bool,
) -> None:  # fmt: skip
    kept = {"review": "7", "job": "J2", "table": "moves", "after_run": "1", "run": "2"}
    kept |= {"decision": "keep", "note": 'said "so"'}
    rows = [order + [extra] * bool(extra)]
    rows += [[kept.get(c, "") for c in order] + ["x"] * bool(extra)] * min(others, 1)
    lines = [separator.join(f'"{c}"' if " " in c else c for c in row) for row in rows]
    lines = [line.replace('"said "so""', '"said ""so"""') for line in lines]
    if blank:
        lines.append(separator * (len(rows[0]) - 1))
    text = end.join(lines) + (end if closed else "")
    with tempfile.TemporaryDirectory() as name:
        log = written(Path(name))
        data = ("\ufeff" * mark + text).encode()
        (log / "reviews.csv").write_bytes(data)
        before = content(log)
        recorded(log, note="100 %; done, or not")
        after = content(log)
        assert after["reviews.csv"].startswith(data)
        history = adapt.check(ROTOR, log)
        assert history.faults == ()
        mine = history.reviews[history.reviews["job"] == "J1"]
        assert list(mine["note"]) == ["100 %; done, or not"]
        assert set(history.kept) == ({("J2", "1")} if others else set())
        take_back(log, "J1", "2")
        if others or separator != "," or list(order) != REVIEWS.strip().split(",") or extra or mark:
            assert content(log) == before
        else:  # a table with nothing but our own header goes
            assert {**content(log), "reviews.csv": data} == before


def test_numbers_get_the_decimal_sign_of_their_table(tmp_path: Path) -> None:
    header = OF_MOVE.splitlines()[0].replace(",", ";")
    other = "7;moves;J2;1;;A;hub weight;;;-20;;;-12,5;;\n"
    log = written(
        tmp_path, corrections=f"{header}\n{other}",
        reviews=REVIEWS + "7,J2,moves,1,2,accept,,,,,\n",
    )  # fmt: skip
    told = suspect("2", read("lateral", 1.234))
    recorded(log, accepted(log, told))
    assert ";1,234;" in (log / "corrections.csv").read_text()
    history = adapt.check(ROTOR, log)
    assert history.faults == ()
    assert sorted(history.corrections["corrected"].abs()) == pytest.approx([1.234, 12.5])


def test_a_decision_made_meanwhile_is_not_lost(tmp_path: Path) -> None:
    log = written(tmp_path)
    decision, history = accepted(log), adapt.check(ROTOR, log)
    recorded(log, deciding.keep(suspect("2")), by="Somebody Else")
    before = content(log)
    with pytest.raises(CannotBeMet, match="meanwhile by Somebody Else"):
        record(ROTOR, log, history, decision, NOW)
    later = adapt.check(ROTOR, log)
    take_back(log, "J1", "2")
    with pytest.raises(CannotBeMet, match="taken back meanwhile"):
        record(ROTOR, log, later, decision, NOW)
    assert "reviews.csv" in before
    assert "reviews.csv" not in content(log)


def test_a_log_that_was_edited_meanwhile_is_left_as_it_is(tmp_path: Path) -> None:
    log = written(tmp_path, reviews=REVIEWS + "7,J2,moves,1,2,keep,,,,,\n")
    decision, history = accepted(log), adapt.check(ROTOR, log)
    (log / "moves.csv").write_text(TABLES["moves"].replace("A,hub weight,40", "A,hub weight,30"))
    before = content(log)
    with pytest.raises(CannotBeMet, match="edited meanwhile"):
        record(ROTOR, log, history, decision, NOW)
    assert content(log) == before


def test_two_at_once_both_stand_or_one_is_told(tmp_path: Path) -> None:
    log = written(tmp_path)
    history = adapt.check(ROTOR, log)
    keep_one = deciding.keep(suspect("2"))
    keep_other = deciding.keep(suspect("2", job="J2"))
    for decisions, wanted in (((keep_one, keep_other), 2), ((keep_one, keep_one), 1)):
        told: list[str] = []
        refused: list[str] = []
        gate = threading.Barrier(2)

        def decide(decision: Decision, told=told, refused=refused, gate=gate) -> None:
            gate.wait()
            try:
                told.append(record(ROTOR, log, history, decision, NOW)[0])
            except CannotBeMet as error:
                refused.append(str(error))

        threads = [threading.Thread(target=decide, args=(d,)) for d in decisions]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(told) == len(set(told)) == wanted
        assert set(told) == set(adapt.check(ROTOR, log).reviews["review"])
        assert ["meanwhile" in words for words in refused] == [True] * (2 - wanted)
        for file in ("reviews.csv", "corrections.csv"):
            (log / file).unlink(missing_ok=True)


def test_who_finds_the_lock_waits_and_then_says_so(tmp_path: Path, monkeypatch) -> None:
    log = written(tmp_path)
    monkeypatch.setattr(reviewing, "PATIENCE_S", 0.1)
    (log / reviewing.LOCK).touch()
    before = content(log)
    with pytest.raises(CannotBeMet, match=reviewing.LOCK):
        recorded(log)
    with pytest.raises(CannotBeMet, match=reviewing.LOCK):
        take_back(log, "J1", "2")
    assert content(log) == before
    (log / reviewing.LOCK).unlink()
    assert recorded(log) == "1"
    assert reviewing.LOCK not in content(log)


def test_a_table_that_is_open_in_a_spreadsheet_program_is_not_written(tmp_path: Path) -> None:
    log = written(tmp_path)
    (log / ".~lock.reviews.csv#").touch()
    with pytest.raises(CannotBeMet, match="close it first"):
        recorded(log)


def test_what_cannot_be_added_to_says_why(tmp_path: Path) -> None:
    log = written(tmp_path)
    decision, history = accepted(log), adapt.check(ROTOR, log)
    (log / "reviews.csv").write_bytes((REVIEWS + "9,J2,moves,1,2,keep,,,\xe4,,\n").encode("cp1252"))
    with pytest.raises(CannotBeMet, match="UTF-8"):
        record(ROTOR, log, history, decision, NOW)
    (log / "reviews.csv").write_text("review,job,table,after_run,run,decision\n")
    with pytest.raises(BadInput, match="no such column"):
        record(ROTOR, log, history, decision, NOW)
    (log / "reviews.csv").rename(log / "reviews.xlsx")
    with pytest.raises(CannotBeMet, match="workbook"):
        record(ROTOR, log, history, decision, NOW)
    with pytest.raises(CannotBeMet, match="no folder"):
        record(ROTOR, log / "runs.csv", history, decision, NOW)


@pytest.mark.skipif(os.name != "posix", reason="file modes")
def test_when_the_decision_cannot_be_written_its_corrections_go_too(
    tmp_path: Path, monkeypatch
) -> None:
    log = written(tmp_path)
    decision, history = accepted(log), adapt.check(ROTOR, log)
    before = content(log)
    write = reviewing.write_whole

    def full(path: Path, text: str) -> None:
        if path.name == "reviews.csv":
            raise AdaptError("the disk is full")
        write(path, text)

    monkeypatch.setattr(reviewing, "write_whole", full)
    with pytest.raises(AdaptError, match="full"):
        record(ROTOR, log, history, decision, NOW)
    assert content(log) == before


def test_a_review_that_stands_twice_is_not_taken_back_on_a_guess(tmp_path: Path) -> None:
    log = written(tmp_path, reviews=ACCEPTED + ACCEPTED.splitlines()[1] + "\n", corrections=OF_MOVE)
    with pytest.raises(CannotBeMet, match="more than once"):
        take_back(log, "J1", "2")


def test_a_decision_that_no_longer_fits_can_be_taken_back(tmp_path: Path) -> None:
    edited = TABLES["moves"].replace("A,hub weight,40", "A,hub weight,-40")
    assert checked(tmp_path, reviews=ACCEPTED, corrections=OF_MOVE, moves=edited).set_aside
    take_back(tmp_path / "log", "J1", "2")
    assert adapt.check(ROTOR, tmp_path / "log").faults == ()
