"""What a logbook held after one of its changes: rows in force, as text tables by the log's columns.

A row is in force when no later row up to that change replaces it, and it is not void; it keeps the
place in the table of the row that it corrects, however often. A row and what replaces it are the
same fact (they have one key), so that nothing of a job hangs on another's. Nothing is written here.
"""

from __future__ import annotations

import gc
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from sqlalchemy import Connection, Select, func, select

from adapt.database.opening import Logbook
from adapt.database.schema import CELLS, LOG_TABLES, NAMED, changes, headers, names, seals
from adapt.database.sealing import digest_of
from adapt.log_columns import NEEDED_COLUMNS, OPTIONAL_COLUMNS
from adapt.problems import BadInput, shown
from adapt.tables import Column, Table

__all__ = [
    "headers_of", "jobs_of_rotors", "known_on", "last_rows", "latest", "moment_of", "names_of",
    "numbers_of", "rows_in_force", "seal_of", "tables_in_force",
]  # fmt: skip

Whole = npt.NDArray[np.int64]

FETCHED = 2_000  # rows at a time: more leave the processor's cache
_BATCH = 500  # parameters of one query, which databases bound
_CHANGE = re.compile(r"change\s+([0-9]{1,15})", re.IGNORECASE)


def latest(connection: Connection) -> int:
    """Return the number of the last change, 0 where there is none."""
    return int(connection.execute(select(func.max(changes.c.change))).scalar() or 0)


def seal_of(connection: Connection, change: int) -> str:
    """Return the seal of a change, which stands for all that was there after it; "" for none."""
    query = select(seals.c.digest).where(seals.c.change == change)
    return str(connection.execute(query).scalar() or "")


def moment_of(text: str) -> datetime:
    """Return the moment that a date, or a date and time, means: a date alone means its end.

    Without a UTC offset it is the local time of this machine. Raises BadInput for anything else.

    >>> moment_of("2026-05-01T12:00+02:00").isoformat()
    '2026-05-01T10:00:00+00:00'
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise BadInput(
            f"found {shown(text)}; expected a date or a date and time, such as 2026-05-01 or "
            "2026-05-01T14:20"
        ) from None
    if len(text.strip()) <= 10:
        moment += timedelta(days=1) - timedelta(microseconds=1)
    try:
        return moment.astimezone(UTC)
    except (OverflowError, OSError, ValueError):
        raise BadInput(f"found {shown(text)}; expected a date that a logbook may have") from None


def known_on(connection: Connection, when: str | datetime) -> tuple[int, str]:
    """Return the number of the last change that was recorded by a moment, 0 where none was.

    when: a moment, a date (its end), a date and time, or the change itself: "change 17". Also
    returns "", or why the moment may not tell the state: after a clock that ran ahead changes are
    recorded with the time of the change above, so that no state shows what came after it.
    Raises BadInput for anything else, and for a change that there is not.
    """
    if isinstance(when, str) and (asked := _CHANGE.fullmatch(when.strip())):
        number = int(asked[1])
        if number > latest(connection):
            raise BadInput(f"found {shown(when)}; expected a change that the logbook has")
        return number, ""
    moment = moment_of(when) if isinstance(when, str) else when.astimezone(UTC)
    at = moment.isoformat(timespec="microseconds")
    query = select(func.max(changes.c.change)).where(changes.c.recorded <= at)
    number = int(connection.execute(query).scalar() or 0)
    late = select(func.max(changes.c.change)).where(
        changes.c.change > number, changes.c.clock <= at
    )
    other = connection.execute(late).scalar()
    if other is None:
        return number, ""
    return number, (
        f"the clock ran ahead at change {number + 1} and was set back: by the clock, changes up to "
        f"{other} were made by then. Ask for a change by its number ('change {other}')"
    )


def numbers_of(connection: Connection, texts: Iterable[str]) -> dict[str, int]:
    """Return the numbers of those names that the logbook has."""
    digests = {digest_of(text): text for text in texts}
    found: dict[str, int] = {}
    listed = list(digests)
    for at in range(0, len(listed), _BATCH):
        query = select(names.c.name, names.c.digest).where(
            names.c.digest.in_(listed[at : at + _BATCH])
        )
        found.update({digests[bytes(d)]: int(n) for n, d in connection.execute(query)})
    return found


def names_of(connection: Connection, numbers: Whole) -> dict[int, str]:
    """Return the names that have these numbers, by number."""
    wanted = np.unique(numbers).tolist()
    if len(wanted) > 20 * _BATCH:
        every = select(names.c.name, names.c.text).where(
            names.c.name.between(wanted[0], wanted[-1])
        )
        return {int(n): text for n, text in connection.execute(every)}
    found: dict[int, str] = {}
    for at in range(0, len(wanted), _BATCH):
        query = select(names.c.name, names.c.text).where(names.c.name.in_(wanted[at : at + _BATCH]))
        found.update({int(n): text for n, text in connection.execute(query)})
    return found


def tables_in_force(
    book: Logbook, connection: Connection, change: int, rotors: Sequence[str] | None = None
) -> dict[str, Table]:
    """Return the tables of a log as they were after a change; one without rows is not there.

    rotors: only the jobs of these serials. Table.rows: the numbers of the entries.
    """
    jobs = None if rotors is None else jobs_of_rotors(connection, rotors)
    found = {}
    given = headers_of(connection, change)
    for name in (name for name in LOG_TABLES if name in given):
        table = rows_in_force(book, connection, name, change, jobs)
        if len(table):
            found[name] = table
    return found


def jobs_of_rotors(connection: Connection, rotors: Sequence[str]) -> list[int]:
    """Return the numbers of the names of all jobs that some row gives to these rotors."""
    runs = LOG_TABLES["runs"]
    numbers = list(numbers_of(connection, rotors).values())
    query = select(runs.c.job).where(runs.c.rotor.in_(numbers)).distinct()
    return [int(job) for (job,) in connection.execute(query)]


def rows_in_force(
    book: Logbook,
    connection: Connection,
    name: str,
    change: int,
    jobs: Sequence[int] | None = None,
) -> Table:
    """Return one table as it was after a change, with the columns that its sources had.

    jobs: only rows of these jobs, by the numbers of their names. Table.rows: the numbers of the
    entries; Table.file: the logbook and the table.
    """
    rows, void = last_rows(book, connection, name, change, jobs)
    return rows.select(~void) if void.any() else rows


def last_rows(
    book: Logbook,
    connection: Connection,
    name: str,
    change: int,
    jobs: Sequence[int] | None = None,
) -> tuple[Table, npt.NDArray[np.bool_]]:
    """Return the last row of every fact of a table, and which of them are void, (row,).

    As `rows_in_force`, with what was taken out: of it only the key is there.
    """
    own = (*NEEDED_COLUMNS[name], *OPTIONAL_COLUMNS[name])
    given = headers_of(connection, change).get(name, [])
    named = [c for c in own if c in NAMED[name]]
    celled = [c for c in own if c in CELLS[name] and (c in given or c in NEEDED_COLUMNS[name])]
    if not set(given) <= set(own):
        celled.append("extra")
    entry, numbers, cells = _fetch(connection, name, change, jobs, named, celled)
    order, void = _last(connection, name, change, entry)
    columns = {c: _narrow(c, codes[order], texts) for c, (codes, texts) in cells.items()}
    for c, stored in numbers.items():
        codes, different = pd.factorize(stored[order])
        texts = names_of(connection, different)
        columns[c] = Column(c, codes, tuple(texts[n] for n in different.tolist()) or ("",))
    beside = _beside(columns.pop("extra")) if "extra" in columns else {}
    known = {c: columns[c] for c in own if c in columns}
    return Table(f"{book.shown}, {name}", {**known, **beside}, entry[order]), void


def headers_of(connection: Connection, change: int) -> dict[str, list[str]]:
    """Return the columns that the sources of a state gave each table, in their order."""
    found: dict[str, dict[str, None]] = {}
    query = select(headers.c.log_table, headers.c.columns).where(headers.c.change <= change)
    for name, listed in connection.execute(query.order_by(headers.c.header)):
        found.setdefault(name, {}).update(dict.fromkeys(json.loads(listed)))
    return {name: list(columns) for name, columns in found.items()}


def _fetch(
    connection: Connection,
    name: str,
    change: int,
    jobs: Sequence[int] | None,
    named: Sequence[str],
    celled: Sequence[str],
) -> tuple[Whole, dict[str, Whole], dict[str, tuple[Whole, list[str]]]]:
    """Return all rows up to a change: numbers, names by number, cells as codes of their texts."""
    table = LOG_TABLES[name]
    query = select(table.c.entry, *(table.c[c] for c in (*named, *celled)))
    query = query.where(table.c.change <= change)
    parts = [query.order_by(table.c.entry)]
    if jobs is not None:
        ordered = sorted(jobs)
        # In two parts, so that the index of the facts serves: it has their first rows only.
        parts = [
            query.where(table.c.job.in_(ordered[at : at + _BATCH]), first)
            for at in range(0, len(ordered), _BATCH)
            for first in (table.c.replaces.is_(None), table.c.replaces.is_not(None))
        ]
    whole: list[list[Whole]] = [[] for _ in range(1 + len(named))]
    coders = [_Coder() for _ in celled]
    with _no_collecting():
        for rows in chain.from_iterable(_batches(connection, part) for part in parts):
            by_column = list(zip(*rows, strict=True))
            for kept, values in zip(whole, by_column, strict=False):
                kept.append(np.fromiter(values, np.int64, len(rows)))
            for coder, cells in zip(coders, by_column[len(whole) :], strict=True):
                coder.take(cells)
    entry, *numbers = (np.concatenate(k) if k else np.zeros(0, dtype=np.int64) for k in whole)
    return (
        entry,
        dict(zip(named, numbers, strict=True)),
        {c: (coder.codes(), list(coder.known)) for c, coder in zip(celled, coders, strict=True)},
    )


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Spare the garbage collector rows that hold no cycles: a third of the time would go there."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def _batches(connection: Connection, query: Select[Any]) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Give the rows of a query, some thousand at a time."""
    if connection.dialect.name != "sqlite":
        result = connection.execute(query, execution_options={"stream_results": True})
        yield from result.partitions(FETCHED)
        return
    # The driver's own cursor: a third of the time of ten million rows would go into wrapping them.
    cursor = connection.execute(query).cursor
    assert cursor is not None
    while rows := cursor.fetchmany(FETCHED):
        yield rows


class _Coder:
    """The cells of a column, batch by batch, as numbers of the different texts."""

    def __init__(self) -> None:
        self.known: dict[str, int] = {"": 0}
        self._codes: list[Whole] = []

    def take(self, cells: Sequence[str | None]) -> None:
        """Take in a batch of cells; None is an empty one."""
        codes, texts = pd.factorize(np.array(cells, dtype=object))
        numbers = [self.known.setdefault(text, len(self.known)) for text in texts]
        self._codes.append(np.array([*numbers, 0], dtype=np.int64)[codes])

    def codes(self) -> Whole:
        return np.concatenate(self._codes) if self._codes else np.zeros(0, dtype=np.int64)


def _last(
    connection: Connection, name: str, change: int, entry: Whole
) -> tuple[Whole, npt.NDArray[np.bool_]]:
    """Return the positions of the last rows of all facts, in the order of their first rows.

    Also which of them are void, (row,).
    """
    table = LOG_TABLES[name]
    query = select(table.c.entry, table.c.replaces, table.c.void).where(
        table.c.replaces.is_not(None), table.c.change <= change
    )
    before: dict[int, int] = {}
    voids: list[int] = []
    for number, replaces, void in connection.execute(query):
        before[number] = replaces
        if void:
            voids.append(number)
    place = entry.copy()
    order = np.arange(len(entry))
    if before:
        gone = np.fromiter(before.values(), np.int64, len(before))
        order = np.flatnonzero(~np.isin(entry, gone))
        later = np.isin(entry[order], np.fromiter(before, np.int64, len(before)))
        for i in order[later].tolist():
            at = int(entry[i])
            while at in before:
                at = before[at]
            place[i] = at
    if (np.diff(place[order]) < 0).any():
        order = order[np.argsort(place[order], kind="stable")]
    return order, np.isin(entry[order], np.array(voids, dtype=np.int64))


def _narrow(name: str, codes: Whole, texts: Sequence[str]) -> Column:
    """Return a column without texts that no row has: what reads it looks at each of them."""
    used = np.bincount(codes, minlength=len(texts)) > 0
    if used.all():
        return Column(name, codes, tuple(texts))
    number = np.cumsum(used) - 1
    kept = tuple(texts[n] for n in np.flatnonzero(used).tolist())
    return Column(name, number[codes], kept or ("",))


def _beside(extra: Column) -> dict[str, Column]:
    """Return the columns that a log does not know, from the JSON that keeps them."""
    cells = [json.loads(text) if text else {} for text in extra.texts]
    found = dict.fromkeys(chain.from_iterable(cells))
    return {
        name: Column(name, extra.codes, tuple(c.get(name, "") for c in cells)) for name in found
    }
