"""Orders stand beside what was made, and only while the job is where they were planned."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import ONE_JOB, demo_rotors, fresh, imported, to_write, written

import adapt
from adapt.database.opening import Logbook
from adapt.database.states import latest
from adapt.database.verifying import verify
from adapt.logbook.entering import EnteredRow, enter
from adapt.logbook.jobs import set_status
from adapt.logbook.ordering import Order, order, orders_of, take_back
from adapt.planning.plan import Move, Plan
from adapt.problems import CannotBeMet

ROWS = {**ONE_JOB, "moves": ONE_JOB["moves"][:1], "runs": ONE_JOB["runs"][:2],
        "readings": ONE_JOB["readings"][:2]}  # fmt: skip


@pytest.fixture
def book(place: str, tmp_path: Path) -> Logbook:
    made = fresh(place)
    taken = imported(made, written(tmp_path / "log", ROWS), rotors=demo_rotors())
    assert taken.change == 1
    return made


RED = (Move("red", "hub weight", 40.0),)


def a_plan(after_run: str = "1", moves: tuple[Move, ...] = RED) -> Plan:
    return Plan(
        rotor="MR-9", design="main rotor", job="J-1", after_run=after_run, aim="fewest",
        limit_set=None, chance_asked=0.9, most_moves=None, hedged=True, feasible=True,
        stopped_by=(), not_constrained=(), worst_ratio=0.625, lower_bound=1.0, second_bound=None,
        proven=True, chance=0.925, joint_chance=0.9375, minutes=15.0, moves=moves, readings=(),
        track=(), tradeoff=(), alternatives=(),
    )  # fmt: skip


def standing(book: Logbook, change: int | None = None) -> dict[str, Order]:
    with book.reading() as connection:
        return orders_of(connection, latest(connection) if change is None else change, "J-1")


def test_an_order_is_kept_with_what_it_was_to_bring(book: Logbook) -> None:
    assert order(book, a_plan(), 1, "the set 2026-05", "planner", "tonight") == 2
    (kept,) = standing(book).values()
    assert (kept.after_run, kept.moves) == ("1", (Move("red", "hub weight", 40.0),))
    assert (kept.chance, kept.joint_chance, kept.worst_ratio) == (0.925, 0.9375, 0.625)
    assert (kept.proven, kept.aim, kept.known, kept.change) == (True, "fewest", 1, 2)
    assert (kept.who, kept.note, kept.coefficients_from) == (
        "planner",
        "tonight",
        "the set 2026-05",
    )
    assert standing(book, 1) == {}
    assert verify(book).whole


def test_a_later_order_takes_the_place_of_the_first_and_both_are_kept(book: Logbook) -> None:
    order(book, a_plan(), 1, "", "planner")
    order(book, a_plan(moves=(Move("blue", "trim tab", -1.5),)), 2, "", "planner")
    assert standing(book)["1"].moves == (Move("blue", "trim tab", -1.5),)
    assert standing(book, 2)["1"].moves == (Move("red", "hub weight", 40.0),)


def test_an_order_is_taken_back(book: Logbook) -> None:
    order(book, a_plan(), 1, "", "planner")
    take_back(book, standing(book)["1"], "planner", "found a worn rod end")
    kept = standing(book)["1"]
    assert (kept.taken_back, kept.moves, kept.chance) == (True, (), None)
    assert kept.note == "found a worn rod end"


def test_nothing_is_ordered_where_the_job_has_gone_on(book: Logbook) -> None:
    with pytest.raises(CannotBeMet, match="its last run is '1'"):
        order(book, a_plan("7"), 1, "", "planner")
    move = {"job": "J-1", "after_run": "1", "blade": "red", "adjuster": "hub weight"}
    enter(book, [EnteredRow("moves", move, {"amount": "40"})], "hangar", rotors=demo_rotors())
    with pytest.raises(CannotBeMet, match="moves were made after run 1 already"):
        order(book, a_plan(), 1, "", "planner")
    run = EnteredRow(
        "runs", {"job": "J-1", "run": "2"}, {"rotor": "MR-9", "design": "main rotor", "started": ""}
    )
    enter(book, [run], "hangar", rotors=demo_rotors())
    with pytest.raises(CannotBeMet, match="has gone on since"):
        order(book, a_plan(), 1, "", "planner")
    assert standing(book) == {}


def test_nothing_is_ordered_for_a_closed_job(book: Logbook) -> None:
    set_status(book, "J-1", "stopped", "tester", note="sold")
    with pytest.raises(CannotBeMet, match="is stopped"):
        order(book, a_plan(), 1, "", "planner")


def test_a_backed_up_logbook_has_its_orders(book: Logbook, tmp_path: Path) -> None:
    from adapt.database.backing_up import back_up, restore

    order(book, a_plan(), 1, "", "planner")
    back_up(book, tmp_path / "copy.logbook")
    restore(tmp_path / "copy.logbook", tmp_path / "again.logbook")
    assert standing(to_write(str(tmp_path / "again.logbook"))) == standing(book)
    assert adapt.read_log(tmp_path / "again.logbook").tables["runs"].text("job").tolist() == ["J-1"]
