"""Entered by hand: all or nothing, nothing of anybody else's lost, findings at the row entered."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import pytest
from books import copied, demo_rotors, fresh, to_write

from adapt.database.opening import Logbook, open_logbook
from adapt.database.states import latest, tables_in_force
from adapt.database.verifying import verify
from adapt.logbook.entering import EnteredRow, Entering, enter
from adapt.logbook.jobs import set_status
from adapt.logbook.record import changes_of

RUN = EnteredRow(
    "runs", {"job": "J-1", "run": "1"},
    {"rotor": "MR-9", "started": "2026-03-01T09:00", "design": "main rotor", "wind_kt": "4"},
)  # fmt: skip


def reading(
    amplitude: str | None,
    clock: str = "4:20",
    was: Mapping[str, str] | None = None,
    sensor: str = "cabin lateral",
    run: str = "1",
) -> EnteredRow:
    key = {"job": "J-1", "run": run, "regime": "hover", "sensor": sensor}
    cells = None if amplitude is None else {"amplitude": amplitude, "clock": clock}
    return EnteredRow("readings", key, cells, was)


def entered(book: Logbook, *rows: EnteredRow, **options: bool) -> Entering:
    return enter(book, rows, "tester", rotors=demo_rotors(), **options)  # type: ignore[arg-type]


def now(book: Logbook, name: str) -> list[dict[str, str]]:
    """Return the rows in force of a table."""
    with book.reading() as connection:
        tables = tables_in_force(book, connection, latest(connection))
    if name not in tables:
        return []
    table = tables[name]
    columns = [(c, table.text(c)) for c in table.columns]
    return [{c: str(t[k]) for c, t in columns if t[k]} for k in range(len(table))]


@pytest.fixture
def book(place: str) -> Logbook:
    return to_write(copied(place, fill))


def fill(place: str) -> None:
    kept = entered(fresh(place), RUN, reading("0.30"))
    assert (kept.change, kept.added, kept.refused) == (1, 2, False)


def test_rows_stand_as_they_were_entered(book: Logbook) -> None:
    assert now(book, "readings") == [
        {"job": "J-1", "run": "1", "regime": "hover", "sensor": "cabin lateral",
         "amplitude": "0.30", "clock": "4:20"}
    ]  # fmt: skip
    (run,) = now(book, "runs")
    assert run["wind_kt"] == "4"
    with book.reading() as connection:
        (line,) = changes_of(connection)
    assert (line.who, line.what) == ("tester", "enter")


def test_entering_the_same_again_adds_nothing(book: Logbook) -> None:
    again = entered(book, RUN, reading("0.3", "04:20"))
    assert again == Entering(None)


def test_an_entry_is_corrected_from_what_was_shown_and_keeps_what_is_not_named(
    book: Logbook,
) -> None:
    shown = {"amplitude": "0.30", "clock": "4:20"}
    right = entered(
        book, reading("0.25", "4:20", shown),
        EnteredRow("runs", RUN.key, {"note": "rain"}, {"note": ""}),
    )  # fmt: skip
    assert (right.corrected, right.added, right.taken_out) == (2, 0, 0)
    assert now(book, "readings")[0]["amplitude"] == "0.25"
    (run,) = now(book, "runs")
    assert (run["note"], run["wind_kt"], run["rotor"]) == ("rain", "4", "MR-9")
    assert verify(book).whole


def test_what_somebody_else_entered_meanwhile_is_never_written_over(book: Logbook) -> None:
    shown = {"amplitude": "0.30", "clock": "4:20"}
    assert entered(book, reading("0.25", was=shown)).corrected == 1
    late = entered(book, reading("0.20", was=shown), reading("0.1", sensor="cabin vertical"))
    assert late.change is None
    assert [(m.row, dict(m.theirs or {})["amplitude"]) for m in late.meanwhile] == [(0, "0.25")]
    assert [r["amplitude"] for r in now(book, "readings")] == ["0.25"]
    # Who meant the same is told nothing.
    assert entered(book, reading("0.25", was=shown)) == Entering(None)


def test_a_new_entry_where_another_stands_already_is_told(book: Logbook) -> None:
    late = entered(book, reading("0.11"))
    assert [m.row for m in late.meanwhile] == [0]
    assert late.change is None


def test_an_entry_is_taken_out_and_entered_again(book: Logbook) -> None:
    shown = {"amplitude": "0.30", "clock": "4:20"}
    more = entered(book, reading("0.1", sensor="cabin vertical"))
    assert more.added == 1
    gone = entered(book, reading(None, was=shown))
    assert gone.taken_out == 1
    assert [r["sensor"] for r in now(book, "readings")] == ["cabin vertical"]
    assert entered(book, reading(None, was=shown)) == Entering(None)
    back = entered(book, reading("0.29"))
    assert back.added == 1
    assert {r["amplitude"] for r in now(book, "readings")} == {"0.1", "0.29"}
    assert verify(book).whole


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        (reading("0,3x", sensor="cabin vertical"), "amplitude", "'0,3x'"),
        (reading("0.1", "13:75", sensor="cabin vertical"), "clock", "'13:75'"),
        (reading("0.1", sensor="nowhere"), "sensor", "'nowhere'"),
        (EnteredRow("moves", {"job": "J-1", "after_run": "1", "blade": "mauve",
                              "adjuster": "hub weight"}, {"amount": "20"}), "blade", "'mauve'"),
        (EnteredRow("runs", {"job": "J-1", "run": " "}, {"rotor": "MR-9", "started": ""}),
         "run", "nothing"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_at_its_row_and_nothing_is_kept(
    book: Logbook, row: EnteredRow, column: str, found: str
) -> None:
    good = reading("0.1", sensor="cockpit vertical")
    refused = entered(book, good, row)
    assert refused.change is None
    assert [(p.row, p.column, p.found) for p in refused.wrong] == [(1, column, found)]
    assert len(now(book, "readings")) == 1


def test_everything_wrong_is_told_at_once(book: Logbook) -> None:
    refused = entered(
        book, reading("x", sensor="cabin vertical"), reading("0.1", "99", sensor="cockpit vertical")
    )
    assert {(p.row, p.column) for p in refused.wrong} == {(0, "amplitude"), (1, "clock")}
    assert refused.change is None


def test_the_same_twice_in_one_form_is_told(book: Logbook) -> None:
    refused = entered(
        book, reading("0.1", sensor="cabin vertical"), reading("0.2", sensor="cabin vertical")
    )
    assert [p.row for p in refused.wrong] == [1]


def test_a_doubt_is_told_and_kept(book: Logbook) -> None:
    told = entered(
        book,
        EnteredRow("moves", {"job": "J-1", "after_run": "1", "blade": "red",
                             "adjuster": "hub weight"}, {"amount": "50"}),
    )  # fmt: skip
    assert told.change == 2
    assert [(p.row, p.column) for p in told.doubts] == [(0, "amount")]


def test_a_dry_run_tells_all_and_keeps_nothing(book: Logbook) -> None:
    told = entered(book, reading("0.1", sensor="cabin vertical"), dry=True)
    assert (told.change, told.added) == (None, 1)
    assert len(now(book, "readings")) == 1


def test_a_closed_job_takes_no_rows(book: Logbook) -> None:
    set_status(book, "J-1", "closed", "tester", closing_run="1", released_by="N. Example")
    refused = entered(book, reading("0.1", sensor="cabin vertical"))
    assert refused.change is None
    assert "an open job" in refused.wrong[0].expected


def test_of_two_who_enter_at_once_both_are_kept_or_one_is_told(place: str, book: Logbook) -> None:
    sensors = ["cabin lateral", "cabin vertical", "cockpit vertical"]

    def one(k: int) -> Entering:
        # Everybody enters the same fact, and one that nobody else does.
        same = reading(f"0.{k + 1}1", run="2", sensor=sensors[0])
        place_of_move = {"job": "J-1", "after_run": "1", "blade": "red", "adjuster": "hub weight"}
        mine = EnteredRow("moves", place_of_move, {"amount": str(20 * (k + 1))})
        cells = {"rotor": "MR-9", "started": "2026-03-01T11:00", "design": "main rotor"}
        run = EnteredRow("runs", {"job": "J-1", "run": "2"}, cells)
        return entered(to_write(place), run, same, mine)

    with ThreadPoolExecutor(4) as pool:
        ends = list(pool.map(one, range(4)))
    kept = [e for e in ends if e.change is not None]
    assert len(kept) == 1
    assert all(e.meanwhile for e in ends if e.change is None)
    assert len(now(open_logbook(place), "moves")) == 1
    assert verify(open_logbook(place)).whole
