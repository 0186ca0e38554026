"""Moves that were ordered after a run: kept, so that they stand beside those that were made.

An order is a row like any other: a later one for the same run takes its place, and both are kept.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from adapt.database.opening import Logbook
from adapt.database.schema import changes, orders
from adapt.database.states import names_of, numbers_of, rows_in_force
from adapt.database.writing import writing
from adapt.logbook.jobs import states_of
from adapt.planning.plan import Move, Plan
from adapt.problems import CannotBeMet, shown

__all__ = ["Order", "order", "orders_of", "take_back"]


@dataclass(frozen=True)
class Order:
    """Moves that were ordered, none at all where nothing is to be moved or an order taken back.

    known: the change whose state was planned from. chance, joint_chance, worst_ratio: as planned,
    None where an order was taken back. coefficients_from: what the plan rested on. change,
    recorded (UTC), who, note: of the order.
    """

    job: str
    after_run: str
    known: int
    moves: tuple[Move, ...]
    aim: str
    chance: float | None
    joint_chance: float | None
    worst_ratio: float | None
    proven: bool
    taken_back: bool
    coefficients_from: str
    change: int
    recorded: str
    who: str
    note: str


def order(
    book: Logbook, plan: Plan, known: int, coefficients_from: str, who: str, note: str = ""
) -> int:
    """Keep the moves of a plan as ordered, in a logbook opened to write; return the change.

    known: the change whose state was planned from. Raises CannotBeMet where the job has gone on
    since (a later run, moves made, closed): the plan is then not of how the rotor stands.
    """
    content: dict[str, Any] = {
        "moves": [[m.blade, m.adjuster, m.amount] for m in plan.moves],
        "aim": plan.aim,
        "chance": plan.chance,
        "joint_chance": plan.joint_chance,
        "worst_ratio": plan.worst_ratio,
        "proven": plan.proven,
        "coefficients_from": coefficients_from,
        "taken_back": False,
    }
    return _kept(book, plan.job, plan.after_run, known, content, who, note, "order")


def take_back(book: Logbook, of: Order, who: str, note: str = "") -> int:
    """Say that an order does not stand any more; return the change. Raises CannotBeMet as `order`.

    What was ordered stays in the logbook.
    """
    content: dict[str, Any] = {
        "moves": [], "aim": of.aim, "chance": None, "joint_chance": None, "worst_ratio": None,
        "proven": False, "coefficients_from": "", "taken_back": True,
    }  # fmt: skip
    return _kept(book, of.job, of.after_run, of.change, content, who, note, "take back")


def orders_of(connection: Connection, change: int, job: str) -> dict[str, Order]:
    """Return the orders of a job that stand after a change, by the run after which they are."""
    number = numbers_of(connection, [job]).get(job)
    if number is None:
        return {}
    query = (
        select(
            orders.c.after_run, orders.c.known, orders.c.content, orders.c.change,
            changes.c.recorded, changes.c.who, changes.c.note,
        )
        .join(changes, changes.c.change == orders.c.change)
        .where(orders.c.job == number, orders.c.change <= change)
        .order_by(orders.c.order)
    )  # fmt: skip
    rows = list(connection.execute(query))
    names = names_of(connection, np.array([row.after_run for row in rows], dtype=np.int64))
    found: dict[str, Order] = {}
    for row in rows:
        said = json.loads(row.content)
        run = names[int(row.after_run)]
        found[run] = Order(
            job, run, int(row.known),
            tuple(Move(str(b), str(a), float(x)) for b, a, x in said["moves"]), str(said["aim"]),
            said["chance"], said["joint_chance"], said["worst_ratio"], bool(said["proven"]),
            bool(said["taken_back"]), str(said["coefficients_from"]), int(row.change),
            str(row.recorded), str(row.who), str(row.note),
        )  # fmt: skip
    return found


def _kept(
    book: Logbook, job: str, after_run: str, known: int, content: dict[str, Any], who: str,
    note: str, what: str,
) -> int:  # fmt: skip
    with writing(book, who, what, note) as change:
        _require_now(book, change.connection, change.known, job, after_run)
        change.add(
            "orders",
            job=change.name(job),
            after_run=change.name(after_run),
            known=known,
            content=json.dumps(content, ensure_ascii=False),
        )
        return change.number


def _require_now(
    book: Logbook, connection: Connection, known: int, job: str, after_run: str
) -> None:
    """Raise CannotBeMet where a run is not a job's last, or moves were made after it."""
    state = states_of(connection, known, [job]).get(job)
    if state is not None and state.status != "open":
        raise CannotBeMet(f"job {shown(job)[1:-1]} is {state.status}: nothing is ordered for it")
    number = [numbers_of(connection, [job]).get(job, 0)]
    runs = rows_in_force(book, connection, "runs", known, number)
    last = str(runs.text("run")[-1]) if len(runs) else ""
    if last != after_run:
        raise CannotBeMet(
            f"job {shown(job)[1:-1]} has gone on since: its last run is {shown(last)}, and this "
            f"was planned from run {shown(after_run)[1:-1]}. Plan again"
        )
    moves = rows_in_force(book, connection, "moves", known, number)
    if (moves.text("after_run") == after_run).any():
        raise CannotBeMet(
            f"moves were made after run {shown(after_run)[1:-1]} already: what they did must be "
            "read first"
        )
