"""Any sequence of imports, corrections and rows taken out, against a plain model of the states.

The model is a list of dictionaries, one after each change: fact to cells. The logbook must say the
same of every one of them, also long after.
"""

from __future__ import annotations

import itertools
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from books import to_write
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from servers import Server

import adapt
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.database.schema import KEYS
from adapt.database.states import latest, tables_in_force
from adapt.database.verifying import verify
from adapt.logbook.exporting import export
from adapt.logbook.importing.source import batches_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.record import take_out
from adapt.problems import AdaptError
from adapt.tables import Column, Table

Fact = tuple[str, ...]
State = dict[tuple[str, Fact], str]  # (table, key) -> its cell

CELL = {"runs": "note", "readings": "amplitude", "moves": "amount"}
FIXED = {
    "runs": {"rotor": "MR-9", "started": "2026-03-01"},
    "readings": {"clock": "4:20"},
    "moves": {},
}
PHASES = (Phase.explicit, Phase.generate)  # to shrink a failure takes minutes
_NUMBERS = itertools.count()

jobs = st.sampled_from(["J-1", "J-2"])
runs_ = st.sampled_from(["1", "2"])
facts = st.one_of(
    st.tuples(st.just("runs"), st.tuples(jobs, runs_)),
    st.tuples(st.just("readings"), st.tuples(jobs, runs_, st.just("hover"), st.sampled_from("xy"))),
    st.tuples(st.just("moves"), st.tuples(jobs, runs_, st.just("red"), st.just("hub weight"))),
)
cells = st.sampled_from(["0.1", "0.10", "0.2", "0.3", ""])
sources = st.lists(st.tuples(facts, cells), min_size=1, max_size=6)
steps = st.one_of(
    st.tuples(st.just("import"), sources, st.booleans()),
    st.tuples(st.just("take out"), st.integers(0, 5), st.booleans()),
)


def test_every_earlier_state_is_as_a_plain_model_says_on_a_file() -> None:
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.logbook"
        new_logbook(empty)

        def new_place() -> str:
            return str(shutil.copy(empty, Path(folder) / f"{next(_NUMBERS)}.logbook"))

        @settings(
            max_examples=60,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            phases=PHASES,
            derandomize=True,
        )
        @given(st.lists(steps, max_size=7))
        def holds(asked: list[tuple[object, ...]]) -> None:
            follow(new_place, asked)

        holds()


def test_every_earlier_state_is_as_a_plain_model_says_on_a_server(server: Server) -> None:
    @settings(
        max_examples=5,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=PHASES,
        derandomize=True,
    )
    @given(st.lists(steps, max_size=7))
    def holds(asked: list[tuple[object, ...]]) -> None:
        follow(lambda: new_logbook(server.new_database()).address.shown, asked)

    holds()


def follow(new_place: Callable[[], str], asked: list[tuple[object, ...]]) -> None:
    """Do what is asked in a logbook and in the model, and hold all states against each other."""
    place = new_place()
    book = to_write(place)
    states: list[State] = [{}]
    for what, *how in asked:
        now = dict(states[-1])
        if what == "import":
            gone = {fact for state in states for fact in state} - now.keys()
            changed = model_import(now, gone, *how)  # type: ignore[arg-type]
            made = take_in(book, source(*how[:1]), "a source", "tester",  # type: ignore[arg-type]
                           correct=bool(how[1]), with_faults=True)  # fmt: skip
            assert (made.change is not None) == changed, (made, how)
            assert made.change in (None, len(states))
        else:
            changed = model_take_out(book, now, len(states) - 1, *how)  # type: ignore[arg-type]
        if changed:
            states.append(now)
    seen = verify(book)
    assert seen.whole, seen.damages
    assert seen.changes == len(states) - 1
    with book.reading() as connection:
        for number, state in enumerate(states):
            assert state_of(book, connection, number) == state, number
    if any(t == "runs" for t, _ in states[-1]) and any(t == "readings" for t, _ in states[-1]):
        there_and_back(place, new_place())


def source(rows: list[tuple[tuple[str, Fact], str]]) -> list[tuple[str, Table]]:
    """Return rows as tables, a table a batch, in the order of their first rows."""
    made = []
    for name in dict.fromkeys(table for (table, _), _ in rows):
        own = [(fact, cell) for (table, fact), cell in rows if table == name]
        columns = {c: [fact[i] for fact, _ in own] for i, c in enumerate(KEYS[name])}
        columns[CELL[name]] = [cell for _, cell in own]
        columns |= {c: [text] * len(own) for c, text in FIXED[name].items()}
        count = np.arange(len(own))
        made.append(
            (
                name,
                Table(name, {c: Column(c, count, tuple(t)) for c, t in columns.items()}, count + 2),
            )
        )
    return made


def model_import(
    now: State,
    gone: set[tuple[str, Fact]],
    rows: list[tuple[tuple[str, Fact], str]],
    correct: bool,
) -> bool:
    """Bring rows into the model's state; return whether anything was kept. gone: taken out."""
    said: State = {}
    added = False
    for fact, cell in rows:
        if fact in said:
            if not same(fact, said[fact], cell):
                return False  # the source contradicts itself
            continue
        said[fact] = cell
    for fact, cell in said.items():
        if fact not in now:
            if fact in gone and not correct:
                return False
            added = True
        elif not same(fact, now[fact], cell):
            if not correct:
                return False
            added = True
        else:
            said[fact] = now[fact]  # what is there stays as it was written
    if added:
        now.update(said)
    return added


def same(fact: tuple[str, Fact], one: str, other: str) -> bool:
    """Return whether cells mean the same: of numbers 0.1 and 0.10 do, of a note they do not."""
    if fact[0] == "runs" or not one or not other:
        return one == other
    return float(one) == float(other)


def model_take_out(book: Logbook, now: State, known: int, which: int, again: bool) -> bool:
    """Take the n-th row of the state out of both; return whether there was one."""
    if not now:
        return False
    table, fact = sorted(now)[which % len(now)]
    with book.reading() as connection:
        rows = tables_in_force(book, connection, known)[table]
    at = [i for i in range(len(rows)) if key_of(rows, table, i) == fact]
    assert len(at) == 1
    entry = int(rows.rows[at[0]])
    try:
        take_out(book, table, [entry], "tester", "not so")
    except AdaptError:
        # A run whose readings stand is not taken out from under them.
        with book.reading() as connection:
            assert state_of(book, connection, known) == now
        return False
    del now[table, fact]
    if again:
        with pytest.raises(AdaptError):
            take_out(book, table, [entry], "tester", "not so")
    return True


def key_of(rows: Table, table: str, row: int) -> Fact:
    return tuple(str(rows.text(c)[row]) for c in KEYS[table])


def state_of(book: Logbook, connection: object, number: int) -> State:
    """Return what the logbook says of a state, in the model's words."""
    found: State = {}
    for name, rows in tables_in_force(book, connection, number).items():  # type: ignore[arg-type]
        for i in range(len(rows)):
            key = name, key_of(rows, name, i)
            assert key not in found, "a fact is there twice"
            found[key] = str(rows.text(CELL[name])[i]) if CELL[name] in rows else ""
    return found


def there_and_back(place: str, other: str) -> None:
    """Write the state as a folder, bring that into a new logbook, and compare the tables."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "out"
        book = open_logbook(place)
        with book.reading() as connection:
            last = latest(connection)
        export(book, folder, last)
        again = to_write(other)
        assert take_in(again, batches_of(folder), "out", "tester", with_faults=True).change == 1
    one, two = adapt.read_log(place), adapt.read_log(other)
    assert set(one.tables) == set(two.tables)
    for name, table in one.tables.items():
        columns = [c for c in table.columns if any(table.text(c))]
        for column in columns:
            assert np.array_equal(table.text(column), two.tables[name].text(column)), column
