"""One change of a logbook: a transaction that adds rows, all of them or none.

Writers take turns: the second waits until the first is done, so that changes have an order and the
numbers of rows follow it. When a change is done it is sealed with a digest of all that it added and
of the seal before it, by which damage is told (`verifying`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, func, insert, select
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

import adapt
from adapt.database.explaining import UNCHANGED, explained, is_lost
from adapt.database.opening import Logbook, damage_told
from adapt.database.schema import (
    CELLS,
    LOG_TABLES,
    NAMED,
    changes,
    documents,
    headers,
    job_states,
    names,
    orders,
    seals,
    sets,
    withdrawals,
)
from adapt.database.sealing import Seal, as_stored, digest_of, storable
from adapt.tables import Table

__all__ = ["OWN", "Change", "writing"]

Whole = npt.NDArray[np.int64]

_NOT_KNOWN = (
    "it is not known whether the change was kept. Look ('adapt logbook changes'), or give the "
    "command again: what was kept is not kept twice"
)
_BATCH = 500  # parameters of one query, which databases bound
_MOST_KEPT = 200_000  # names whose numbers are remembered within one change
OWN = {
    "names": names, "headers": headers, "job_states": job_states, "documents": documents,
    "sets": sets, "withdrawals": withdrawals, "orders": orders,
    **LOG_TABLES,
}  # fmt: skip


class Change:
    """A change that is being made: `append` adds rows of a log's table, `add` all others.

    number: of the change. known: of the state that it starts from, 0 for an empty logbook.
    """

    def __init__(self, connection: Connection, number: int, recorded: datetime) -> None:
        self.connection = connection
        self.number, self.known = number, number - 1
        self.recorded = recorded
        self.seal = Seal()
        self._next: dict[str, int] = {}
        self._names: dict[str, int] = {}
        self._inserts: dict[str, str] = {}
        self._headers: dict[str, dict[str, None]] | None = None

    def append(
        self, table: str, rows: Table, replaces: Whole | None = None, void: bool = False
    ) -> Whole:
        """Add rows of a log's table and return their numbers, (row,).

        rows: text, by the columns of the log; other columns are kept beside them. replaces: the
        entries that these correct, (row,); void: they only take those out.
        """
        count = len(rows)
        entries = self._numbers(table, count)
        if count == 0:
            return entries
        self._keep_header(table, rows.columns)
        columns: list[list[Any]] = [
            entries.tolist(),
            [self.number] * count,
            [None] * count if replaces is None else replaces.tolist(),
            [int(void)] * count,
        ]
        for name in NAMED[table]:
            column = rows.column(name)
            columns.append(self._numbers_of(column.texts)[column.codes].tolist())
        for name in CELLS[table]:
            column = rows.column(name)
            texts = np.array([text or None for text in column.texts], dtype=object)
            columns.append(texts[column.codes].tolist())
        columns.append(_beside(table, rows))
        self._insert(table, list(zip(*columns, strict=True)))
        return entries

    def add(self, table: str, **values: object) -> int:
        """Add one row of another table and return its number; values: by column, without it."""
        number = int(self._numbers(table, 1)[0])
        own = [c.name for c in OWN[table].columns]
        self._insert(table, [(number, self.number, *(as_stored(values[c]) for c in own[2:]))])
        return number

    def name(self, text: str) -> int:
        """Return the number of a name, which is kept if it is new."""
        return int(self._numbers_of((storable(text),))[0])

    def _keep_header(self, table: str, columns: Iterable[str]) -> None:
        """Keep which columns rows have, where those before had not all of them."""
        if self._headers is None:
            query = select(headers.c.log_table, headers.c.columns).order_by(headers.c.header)
            self._headers = {}
            for name, listed in self.connection.execute(query):
                self._headers.setdefault(name, {}).update(dict.fromkeys(json.loads(listed)))
        known = self._headers.setdefault(table, {})
        given = [c for c in columns if c]
        if not set(given) <= set(known):
            known.update(dict.fromkeys(given))
            self.add("headers", log_table=table, columns=json.dumps(given, ensure_ascii=False))

    def _insert(self, table: str, rows: list[tuple[Any, ...]]) -> None:
        """Add rows, whose values stand in the order of the table's columns."""
        self.seal.take(table, rows)
        # As text, once for each table: binding many rows by name takes longer than storing them.
        if table not in self._inserts:
            self._inserts[table] = str(insert(OWN[table]).compile(self.connection))
        self.connection.exec_driver_sql(self._inserts[table], rows)

    def _numbers(self, table: str, count: int) -> Whole:
        """Return the next numbers of a table's rows."""
        if table not in self._next:
            key = next(iter(OWN[table].primary_key))
            last = self.connection.execute(select(func.max(key))).scalar()
            self._next[table] = 1 + int(last or 0)
        first = self._next[table]
        self._next[table] += count
        return np.arange(first, first + count, dtype=np.int64)

    def _numbers_of(self, texts: Sequence[str]) -> Whole:
        """Return the numbers of names, (name,); new ones are kept."""
        if len(self._names) > _MOST_KEPT:
            self._names.clear()
        asked = {digest_of(text): text for text in texts if text not in self._names}
        digests = list(asked)
        for at in range(0, len(digests), _BATCH):
            query = select(names.c.name, names.c.digest).where(
                names.c.digest.in_(digests[at : at + _BATCH])
            )
            for number, digest in self.connection.execute(query):
                self._names[asked.pop(bytes(digest))] = number
        if asked:
            numbers = self._numbers("names", len(asked)).tolist()
            self._insert(
                "names",
                [
                    (n, self.number, d, text)
                    for n, (d, text) in zip(numbers, asked.items(), strict=True)
                ],
            )
            self._names.update(zip(asked.values(), numbers, strict=True))
        return np.array([self._names[text] for text in texts], dtype=np.int64)


@contextmanager
def writing(
    book: Logbook, who: str, what: str, note: str = "", source: str = ""
) -> Iterator[Change]:
    """Give a change to a logbook that was opened to write; at the end it is sealed and kept.

    who: whose change it is. what: in a word or two. An exception within leaves the logbook as it
    was. Raises CannotBeMet when somebody else goes on writing for longer than a writer waits, or
    has entered the same meanwhile; AdaptError when the database cannot be written.
    """
    told = [storable(text) for text in (who, what, note, source)]
    with (
        damage_told(book),
        explained(book.address),
        book.engine.connect() as connection,
        connection.begin() as transaction,
    ):
        change, line = _begun(book, connection, told)
        yield change
        above = connection.execute(
            select(seals.c.digest).where(seals.c.change == change.known)
        ).scalar()
        stored = change.seal.close(line, above or "")
        own = [c.name for c in seals.columns]
        connection.execute(insert(seals), dict(zip(own, (change.number, *stored), strict=True)))
        try:
            transaction.commit()
        except DBAPIError as error:
            if not is_lost(error):
                raise
            lost = error
        else:
            return
    _look(book, change.number, stored[-1], lost)


def _begun(
    book: Logbook, connection: Connection, said: Sequence[str]
) -> tuple[Change, tuple[object, ...]]:
    """Return a change whose line is written, and that line."""
    if not book.on_file:
        connection.exec_driver_sql("LOCK TABLE changes IN EXCLUSIVE MODE")
    last = connection.execute(
        select(changes.c.change, changes.c.recorded).order_by(changes.c.change.desc()).limit(1)
    ).first()
    now = datetime.now(UTC)
    before = datetime.fromisoformat(last.recorded) if last else now
    change = Change(connection, (last.change if last else 0) + 1, max(now, before))
    line = (
        change.number,
        change.recorded.isoformat(timespec="microseconds"),
        # A clock that jumps back must not put a later state before an earlier one.
        now.isoformat(timespec="microseconds") if now < before else None,
        *said,
        adapt.__version__,
    )
    own = [c.name for c in changes.columns]
    connection.execute(insert(changes), dict(zip(own, line, strict=True)))
    return change, line


def _look(book: Logbook, number: int, digest: str, lost: DBAPIError) -> None:
    """Find out whether a change was kept whose end was not heard of; raise AdaptError if not."""
    try:
        with book.engine.connect() as connection, connection.begin():
            if not book.on_file:
                # Who still works on it at the other end holds this until it is kept or gone.
                connection.exec_driver_sql("LOCK TABLE changes IN EXCLUSIVE MODE")
            query = select(seals.c.digest).where(seals.c.change == number)
            kept = connection.execute(query).scalar() == digest
    except SQLAlchemyError:
        with explained(book.address, _NOT_KNOWN):
            raise lost from None
    if not kept:
        with explained(book.address, UNCHANGED):
            raise lost


def _beside(table: str, rows: Table) -> list[str | None]:
    """Return the cells of columns that a log does not know, as JSON, None where all are empty."""
    known = {*NAMED[table], *CELLS[table]}
    other = [name for name in rows.columns if name not in known]
    found: list[str | None] = [None] * len(rows)
    if not other:
        return found
    texts: Mapping[str, Any] = {name: rows.text(name) for name in other}
    for i in range(len(rows)):
        cells = {name: texts[name][i] for name in other if texts[name][i]}
        if cells:
            found[i] = json.dumps(cells, ensure_ascii=False)
    return found
