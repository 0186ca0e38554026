"""Whether a logbook holds what was put into it: every row as it was sealed, every change in order.

Rows are streamed in the order of their numbers, all tables side by side, so that memory stays
bounded however large the logbook is. Nothing is mended here.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, MetaData, Table, func, select
from sqlalchemy.exc import SQLAlchemyError

from adapt.database.address import Address
from adapt.database.explaining import damaged, explained, said_of, shows_damage
from adapt.database.migrating import VERSIONS
from adapt.database.opening import Logbook, version_of
from adapt.database.schema import metadata
from adapt.database.sealing import Seal, digest_of, digest_of_content, sealed
from adapt.database.streaming import Row, Stream
from adapt.database.structure import damaged_corrections, damaged_file, damaged_rules
from adapt.problems import BadInput, shown

__all__ = [
    "LOOKED_THROUGH", "MOST_TOLD", "Damage", "Verified", "not_whole", "require_whole", "verify",
    "verify_rows",
]  # fmt: skip

LOOKED_THROUGH = 200_000  # rows of a logbook that is looked through whenever it is read
MOST_TOLD = 200  # damages that are kept to be told; the others are counted


@dataclass(frozen=True)
class Damage:
    """One thing that is not as it was put in. change, table: None where it is of no single one."""

    change: int | None
    table: str | None
    what: str

    def __str__(self) -> str:
        places = [] if self.change is None else [f"change {self.change}"]
        places += [] if self.table is None else [self.table]
        return f"{', '.join(places)}: {self.what}" if places else self.what


@dataclass(frozen=True)
class Verified:
    """What looking through a logbook found.

    changes, rows: that are there. whole_changes: of which every row is as it was sealed.
    whole_until: the last change up to which all are. damages: the first ones found; their number is
    damage_count. digest: of the last seal, by which two logbooks are known to hold the same.
    """

    changes: int
    rows: int
    whole_changes: int
    whole_until: int
    damages: tuple[Damage, ...]
    damage_count: int
    digest: str
    seconds: float = field(default=0.0, compare=False)

    @property
    def whole(self) -> bool:
        return self.damage_count == 0


def verify(book: Logbook, told: Callable[[int], None] | None = None) -> Verified:
    """Look through a whole logbook, as it is when this begins, whoever writes meanwhile.

    told: called now and then with the number of rows seen so far. Raises AdaptError only when the
    database cannot be reached; all that is damaged is told in the value.
    """
    with explained(book.address):
        try:
            with book.engine.connect() as connection:
                return verify_rows(connection, told, thorough=True)
        except (sqlite3.Error, SQLAlchemyError, UnicodeDecodeError) as error:
            if not shows_damage(error):
                raise
            what = Damage(None, None, f"it cannot be read ({said_of(error)})")
            return Verified(0, 0, 0, 0, (what,), 1, "")


def require_whole(book: Logbook, connection: Connection) -> None:
    """Raise BadInput when a logbook's file is damaged, if it is not too large to look each time.

    A disk may give back another digit than it was given, and only the seals know. A server keeps
    sums of its own where it was set up so.
    """
    if not book.on_file:
        return
    numbers = [select(func.max(next(iter(t.primary_key)))) for t in metadata.tables.values()]
    if sum(connection.execute(n).scalar() or 0 for n in numbers) > LOOKED_THROUGH:
        return
    found = verify_rows(connection)
    if not found.whole:
        raise not_whole(book.address, found)


def not_whole(address: Address, found: Verified) -> BadInput:
    """Return the error of a logbook in which damages were found."""
    first = str(found.damages[0])
    more = f", and {found.damage_count - 1} more" if found.damage_count > 1 else ""
    return damaged(address, first + more)


def verify_rows(
    connection: Connection, told: Callable[[int], None] | None = None, thorough: bool = False
) -> Verified:
    """Look through a logbook within a transaction.

    thorough: also ask the database itself whether its file, indexes and rules are whole.
    """
    version = version_of(connection) or ""
    going = _Going(connection, told, _tables(connection, version))
    if version not in VERSIONS:
        going.note(None, None, f"the version of its schema cannot be read ({shown(version)})")
    if thorough:
        for what in damaged_rules(connection, version if version in VERSIONS else VERSIONS[-1]):
            going.note(None, None, what)
    going.look()
    if thorough:
        for table, what in damaged_corrections(connection):
            going.note(None, table, what)
        for what in damaged_file(connection):
            going.note(None, None, what)
    return going.verified()


def _tables(connection: Connection, version: str) -> Mapping[str, Table]:
    """Return the tables of a logbook, as that version of the schema has them."""
    if version not in VERSIONS[:-1]:
        return metadata.tables
    found = MetaData()
    found.reflect(connection)
    return {name: table for name, table in found.tables.items() if name != "alembic_version"}


class _Going:
    """A look through a logbook on its way."""

    def __init__(
        self,
        connection: Connection,
        told: Callable[[int], None] | None,
        tables: Mapping[str, Table],
    ) -> None:
        self._told = told or (lambda rows: None)
        self._begun = time.monotonic()
        every = {name: Stream(connection, tables[name]) for name in sorted(tables)}
        self._lines, self._seals = every.pop("changes"), every.pop("seals")
        self._streams = every
        self._numbers = dict.fromkeys(every, 0)
        self._recorded: datetime | None = None
        self._digest = ""
        self._changes = self._whole = self._until = 0
        self._damages: list[Damage] = []
        self._count = 0

    def note(self, change: int | None, table: str | None, what: str) -> None:
        self._count += 1
        if len(self._damages) < MOST_TOLD:
            self._damages.append(Damage(change, table, what))

    def look(self) -> None:
        """Go through all changes in their order, and what is left behind the last."""
        for line in self._lines.rest():
            number = line[0]
            found = self._count
            if number != self._changes + 1:
                self.note(None, "changes", f"found number {number} after {self._changes}")
                if type(number) is not int or number <= self._changes:
                    continue
            self._changes = number
            self._one(line)
            if self._count == found:
                self._whole += 1
                self._until = number if self._until == number - 1 else self._until
        for name, stream in (("seals", self._seals), *self._streams.items()):
            if left := sum(1 for _ in stream.rest()):
                self.note(None, name, f"{left} rows of changes that are not there")
        for stream in (self._lines, self._seals, *self._streams.values()):
            for where in stream.unreadable:
                self.note(None, stream.table.name, f"cannot be read {where}")

    def verified(self) -> Verified:
        rows = sum(s.read for s in self._streams.values())
        return Verified(
            self._changes, rows, self._whole, self._until, tuple(self._damages), self._count,
            self._digest, time.monotonic() - self._begun,
        )  # fmt: skip

    def _one(self, line: Row) -> None:
        """Look at one change: its rows against its seal, its seal against the one above."""
        number = line[0]
        self._in_time(number, line[1])
        seal = Seal()
        for name, stream in self._streams.items():
            if strays := sum(1 for _ in stream.before(number)):
                self.note(
                    None, name, f"{strays} rows before those of change {number}, of no change"
                )
            for rows in stream.of(number):
                self._in_order(name, rows)
                seal.take(name, rows)
                self._told(sum(s.read for s in self._streams.values()))
        for _ in self._seals.before(number):
            self.note(None, "seals", f"a seal before that of change {number}, of no change")
        stored = next(iter(self._seals.of(number)), None)
        above, self._digest = self._digest, ""
        if stored is None:
            self.note(number, None, "its seal is not there")
            return
        _, counts, digests, self._digest = stored[0]
        self._compare(number, seal, _read(counts), _read(digests))
        if sealed(line, above, counts, digests) != self._digest:
            self.note(
                number, None,
                "what it says of itself (who, what, when), its seal, or the seal above was changed",
            )  # fmt: skip

    def _in_time(self, number: int, recorded: object) -> None:
        try:
            moment = datetime.fromisoformat(str(recorded))
            if self._recorded is not None and moment < self._recorded:
                self.note(number, "changes", "was recorded before the change above")
            self._recorded = moment
        except (ValueError, TypeError):
            self.note(number, "changes", "when it was recorded cannot be read")

    def _in_order(self, name: str, rows: Sequence[Row]) -> None:
        """Look at the numbers of rows: they go up by one. Those within a seal's digest may not."""
        first, last, expected = rows[0][0], rows[-1][0], self._numbers[name] + 1
        if first != expected or last != expected + len(rows) - 1:
            self.note(rows[0][1], name, f"rows after {expected - 1} are not there, or not in order")
        if type(last) is int:
            self._numbers[name] = last
        if name == "names":
            for number, change, digest, text in rows:
                if type(text) is not str or digest_of(text) != digest:
                    self.note(change, name, f"name {number} is not the one that was kept")
        elif name in ("documents", "sets"):
            for number, change, *_, digest, content in rows:
                if type(content) is not bytes or digest_of_content(content) != digest:
                    self.note(change, name, f"content {number} is not the one that was kept")

    def _compare(
        self, number: int, seal: Seal, counts: Mapping[str, Any], digests: Mapping[str, Any]
    ) -> None:
        found = seal.digests()
        for name in sorted({*found, *counts, *digests}):
            there, sealed_count = seal.counts.get(name, 0), counts.get(name, 0)
            if there != sealed_count:
                self.note(number, name, f"{there} rows are there; {sealed_count} were sealed")
            elif found.get(name) != digests.get(name):
                self.note(number, name, f"of its {there} rows some are not as they were sealed")


def _read(text: object) -> Mapping[str, Any]:
    """Return what a seal says by table; nothing where it cannot be read."""
    try:
        read = json.loads(str(text))
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}
