"""Rows of a stored table as they are stored, in the order of their numbers, a batch at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Table, select
from sqlalchemy.exc import SQLAlchemyError

from adapt.database.explaining import said_of

__all__ = ["FETCHED", "Row", "Stream", "in_batches"]

Row = tuple[Any, ...]

FETCHED = 2_000  # rows at a time: more leave the processor's cache
_FURTHER = 4  # how many times further each attempt behind a damaged place looks


def in_batches(connection: Connection, table: Table, after: int = 0) -> Iterator[list[Row]]:
    """Give the rows of a table with numbers above `after`, in their order, in batches.

    Raises SQLAlchemyError or sqlite3.Error where they cannot be read.
    """
    number = next(iter(table.primary_key))
    query = select(table).where(number > after).order_by(number)
    if connection.dialect.name != "sqlite":
        result = connection.execute(query, execution_options={"stream_results": True})
        for part in result.partitions(FETCHED):
            yield [tuple(row) for row in part]
        return
    # The driver's own cursor: wrapping the rows would take a third of the time.
    raw = connection.connection.driver_connection
    assert raw is not None
    own = ", ".join(f'"{c.name}"' for c in table.columns)
    cursor = raw.execute(
        f'SELECT {own} FROM "{table.name}" WHERE "{number.name}" > ? ORDER BY "{number.name}"',
        (after,),
    )
    while rows := cursor.fetchmany(FETCHED):
        yield rows


class Stream:
    """A table's rows, change by change; what cannot be read is noted in `unreadable`."""

    def __init__(self, connection: Connection, table: Table) -> None:
        self.table = table
        self._change = [c.name for c in table.columns].index("change")
        self.unreadable: list[str] = []
        self.read = 0  # rows so far
        self._connection = connection
        self._batches = in_batches(connection, table)
        self._rows: list[Row] = []
        self._at = 0
        self._last = 0  # number of the last row that was read

    def of(self, change: int) -> Iterator[list[Row]]:
        """Give the next rows as long as they belong to a change, in parts."""
        while self._more():
            rows, at = self._rows, self._at
            end = at
            if rows[at][self._change] == rows[-1][self._change] == change:
                end = len(rows)
            while end < len(rows) and rows[end][self._change] == change:
                end += 1
            if end == at:
                return
            self._at = end
            yield rows if end - at == len(rows) else rows[at:end]

    def rest(self) -> Iterator[Row]:
        """Give the rows that are left, one by one."""
        while self._more():
            self._at += 1
            yield self._rows[self._at - 1]

    def before(self, change: int) -> Iterator[Row]:
        """Give the next rows as long as they belong to no change from `change` on."""
        while self._more():
            row = self._rows[self._at]
            if type(row[self._change]) is int and row[self._change] >= change:
                return
            self._at += 1
            yield row

    def _more(self) -> bool:
        while self._at >= len(self._rows):
            self._rows, self._at = [], 0
            try:
                self._rows = next(self._batches, [])
            except (SQLAlchemyError, sqlite3.Error) as error:
                self.unreadable.append(f"after row {self._last} ({said_of(error)})")
                if not self._behind():
                    return False
                continue
            if not self._rows:
                return False
            self.read += len(self._rows)
            if type(self._rows[-1][0]) is int:
                self._last = max(self._last, self._rows[-1][0])
        return True

    def _behind(self) -> bool:
        """Go on behind a damaged place; return whether there is a way."""
        if self._connection.dialect.name != "sqlite" or len(self.unreadable) > 100:
            return False
        number = next(iter(self.table.primary_key)).name
        raw = self._connection.connection.driver_connection
        assert raw is not None
        step = 1
        while step < 1 << 50:
            after = self._last + step
            try:
                query = f'SELECT "{number}" FROM "{self.table.name}" WHERE "{number}" > ? LIMIT 1'
                if raw.execute(query, (after,)).fetchone() is None:
                    return False
                first = next(in_batches(self._connection, self.table, after), [])
            except sqlite3.Error:
                step *= _FURTHER
                continue
            self._last = after
            self._batches = in_batches(self._connection, self.table, after)
            return bool(first)
        return False
