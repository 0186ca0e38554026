"""Copies of a logbook that hold exactly the same: back-ups, and what is brought back from them.

A copy is looked through before it counts, and is there whole or not at all.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from os import PathLike
from pathlib import Path

from sqlalchemy import Connection, MetaData, insert

from adapt.database.address import Address, address_of
from adapt.database.explaining import explained, is_damage
from adapt.database.making import make_tables, mark
from adapt.database.migrating import migrate
from adapt.database.on_file import connect, put_in_place, require_file
from adapt.database.opening import Logbook, engine_of, open_logbook, require_version
from adapt.database.streaming import in_batches
from adapt.database.verifying import Verified, not_whole, verify, verify_rows
from adapt.problems import BadInput, shown

__all__ = ["back_up", "restore"]

_PAGES = 2_000  # copied at a time; others write in between

Told = Callable[[int, int], None]


def back_up(
    book: Logbook, path: str | PathLike[str], over: bool = False, told: Told | None = None
) -> Verified:
    """Copy a logbook into a file of its own, as it is when this begins, whoever writes meanwhile.

    over: take the place of a file that is there. told: called now and then with how much is copied
    and of how much: pages of a file, or rows (of 0: not known). Returns what looking through the
    copy found. Raises BadInput when the logbook is damaged, or the path cannot be that of a
    back-up; AdaptError when it cannot be written. A file that was there then stands as it was.
    """
    target = address_of(path)
    if target.file is None:
        raise BadInput(f"{shown(target.shown)}: a back-up is a file; expected its path")
    if book.address.file is not None:
        _require_other(book.address.file, target.file, target.shown)
    with put_in_place(target, over) as part:
        if book.address.file is not None:
            _pages(book, book.address.file, part, told)
        else:
            _rows_from_server(book, part, told)
        return _looked_through(book.address, part)


def restore(
    path: str | PathLike[str], place: str | PathLike[str], told: Told | None = None
) -> Verified:
    """Bring a logbook back from a back-up: into a new file, or an empty database of a server.

    told: as in `back_up`. Returns what looking through it found. Raises BadInput when the back-up
    is damaged or there is something at the place already, AdaptError when it cannot be written.
    """
    source, target = address_of(path), address_of(place)
    if source.file is None:
        raise BadInput(f"{shown(source.shown)}: a back-up is a file; expected its path")
    require_file(source)
    book = open_logbook(source, earlier=True)
    if target.file is not None:
        return back_up(book, place, told=told)
    if not (found := verify(book)).whole:
        raise not_whole(source, found)
    with explained(target), engine_of(target, to_write=True).begin() as connection:
        with book.reading() as reading:
            make_tables(target, connection, require_version(reading, source, earlier=True))
            _copy(reading, connection, told)
        kept = verify_rows(connection)
        if not kept.whole or kept.digest != found.digest:
            raise not_whole(target, kept)
        return kept


def _require_other(source: Path, target: Path, told: str) -> None:
    if os.path.realpath(source) == os.path.realpath(target) or (
        target.exists() and target.samefile(source)
    ):
        raise BadInput(f"{shown(told)} is the logbook itself: choose another name for its back-up")


def _pages(book: Logbook, path: Path, part: Address, told: Told | None) -> None:
    """Copy a file page by page, within one read transaction."""
    assert part.file is not None

    def progress(status: int, left: int, total: int) -> None:
        if told is not None:
            told(total - left, total)

    with (
        explained(book.address),
        closing(connect(path, to_write=False)) as source,
        closing(sqlite3.connect(part.file, isolation_level=None)) as copy,
    ):
        copy.execute("PRAGMA synchronous=OFF")  # it reaches the disk before it takes its name
        source.execute("BEGIN")
        # The first look fixes what is copied: what others write from here on is not in it.
        source.execute("SELECT version_num FROM alembic_version").fetchone()
        try:
            source.backup(copy, pages=_PAGES, progress=progress)
        except sqlite3.Error as error:
            with explained(book.address if is_damage(error) else part):
                raise


def _rows_from_server(book: Logbook, part: Address, told: Told | None) -> None:
    mark(part)
    with book.reading() as reading:
        version = require_version(reading, book.address, earlier=True)
        with explained(part), engine_of(part, to_write=True).begin() as connection:
            migrate(connection, version)
            _copy(reading, connection, told)


def _copy(source: Connection, target: Connection, told: Told | None) -> None:
    """Copy all rows, with their numbers, within one transaction of each side."""
    tables = MetaData()
    tables.reflect(source)
    copied = 0
    for table in tables.sorted_tables:
        if table.name == "alembic_version":
            continue
        query = str(insert(table).compile(target))
        for rows in in_batches(source, table):
            target.exec_driver_sql(query, rows)
            copied += len(rows)
            if told is not None:
                told(copied, 0)


def _looked_through(source: Address, part: Address) -> Verified:
    found = verify(Logbook(part, engine_of(part, to_write=True)))
    if not found.whole:
        raise not_whole(source, found)
    return found
