"""The record of a logbook: who changed what when, and what became of single entries."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, select

from adapt.database.opening import Logbook
from adapt.database.schema import CELLS, LOG_TABLES, NAMED, changes, job_states, seals
from adapt.database.states import last_rows, names_of, numbers_of
from adapt.database.writing import writing
from adapt.problems import BadInput, shown
from adapt.tables import Table

__all__ = [
    "ChangeLine", "Entry", "changes_of", "entry_of", "jobs_of_entries", "take_out",
]  # fmt: skip


@dataclass(frozen=True)
class ChangeLine:
    """One change. recorded: UTC, never before the change above.

    clock: what the clock said, where that was otherwise. rows: that it added, by table.
    """

    change: int
    recorded: str
    clock: str | None
    who: str
    what: str
    note: str
    source: str
    program: str
    rows: Mapping[str, int]


@dataclass(frozen=True)
class Entry:
    """One row as it was entered. void: it only takes the row out that it replaces."""

    table: str
    entry: int
    change: int
    recorded: str
    who: str
    replaces: int | None
    void: bool
    cells: Mapping[str, str]


def changes_of(connection: Connection, job: str | None = None) -> list[ChangeLine]:
    """Return all changes, or those that added rows of a job, in their order."""
    query = select(
        changes.c.change, changes.c.recorded, changes.c.clock, changes.c.who, changes.c.what,
        changes.c.note, changes.c.source, changes.c.program, seals.c.counts,
    ).join(seals, seals.c.change == changes.c.change).order_by(changes.c.change)  # fmt: skip
    lines = [ChangeLine(*row[:8], json.loads(row[8])) for row in connection.execute(query)]
    if job is None:
        return lines
    number = numbers_of(connection, [job]).get(job, 0)
    touched: set[int] = set()
    for table in (*LOG_TABLES.values(), job_states):
        found = select(table.c.change).where(table.c.job == number).distinct()
        touched |= {int(n) for (n,) in connection.execute(found)}
    return [line for line in lines if line.change in touched]


def entry_of(connection: Connection, name: str, number: int) -> list[Entry]:
    """Return all that was entered of one fact, oldest first, by the number of any of its entries.

    name: the log's table. Raises BadInput where there is no such entry.
    """
    if name not in LOG_TABLES:
        raise BadInput(f"table: found {shown(name)}; expected one of {', '.join(LOG_TABLES)}")
    table = LOG_TABLES[name]
    wanted, found = [number], {}
    while wanted:
        at = wanted.pop()
        if at in found:
            continue
        query = select(table, changes.c.recorded, changes.c.who).join(
            changes, changes.c.change == table.c.change
        )
        row = connection.execute(query.where(table.c.entry == at)).mappings().first()
        if row is None:
            raise BadInput(f"{name}: there is no entry {number}")
        found[at] = row
        if row["replaces"] is not None:
            wanted.append(int(row["replaces"]))
        later = select(table.c.entry).where(table.c.replaces == at)
        wanted += [int(n) for (n,) in connection.execute(later)]
    numbers = np.array([row[c] for row in found.values() for c in NAMED[name]], dtype=np.int64)
    names = names_of(connection, numbers)
    return [
        Entry(
            name,
            at,
            int(row["change"]),
            str(row["recorded"]),
            str(row["who"]),
            None if row["replaces"] is None else int(row["replaces"]),
            bool(row["void"]),
            {
                **{c: names[int(row[c])] for c in NAMED[name]},
                **{c: row[c] for c in CELLS[name] if row[c]},
                **(json.loads(row["extra"]) if row["extra"] else {}),
            },
        )
        for at, row in sorted(found.items())
    ]


def take_out(book: Logbook, name: str, entries: list[int], who: str, note: str) -> int:
    """Take rows out of the state of a logbook, and return the change; what they said is kept.

    entries: their numbers, as messages and `Entry` give them. Raises BadInput, and takes nothing
    out, where one is not in force, or nothing is said of why.
    """
    if name not in LOG_TABLES:
        raise BadInput(f"table: found {shown(name)}; expected one of {', '.join(LOG_TABLES)}")
    if not note.strip():
        raise BadInput("why: found nothing; expected why the rows are taken out")
    with writing(book, who, "take out", note) as change:
        jobs = jobs_of_entries(change.connection, name, entries)
        held, void = last_rows(book, change.connection, name, change.known, jobs)
        at = {int(n): i for i, n in enumerate(held.rows.tolist()) if not void[i]}
        wrong = [n for n in dict.fromkeys(entries) if n not in at]
        if wrong:
            listed = ", ".join(str(n) for n in wrong)
            raise BadInput(
                f"{name}: found {listed}; expected entries that are in force: nothing was taken out"
            )
        rows = held.select(np.array([at[n] for n in dict.fromkeys(entries)], dtype=np.intp))
        keys = Table(rows.file, {c: rows.column(c) for c in NAMED[name]}, rows.rows)
        change.append(name, keys, rows.rows, void=True)
        return change.number


def jobs_of_entries(connection: Connection, name: str, entries: list[int]) -> list[int]:
    """Return the numbers of the names of the jobs that entries are of."""
    table = LOG_TABLES[name]
    found: set[int] = set()
    for at in range(0, len(entries), 500):
        query = select(table.c.job).where(table.c.entry.in_(entries[at : at + 500])).distinct()
        found |= {int(n) for (n,) in connection.execute(query)}
    return sorted(found)
