"""The file of a logbook: whether it can be one, how SQLite opens it, putting one in place whole.

SQLite keeps what was written last in a file beside it (its name and "-wal") until nobody has the
logbook open; after a kill that file stays and belongs to it.
"""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from adapt.database.address import Address
from adapt.database.explaining import no_right, no_room
from adapt.database.files_in_use import CountedConnection, first_bytes
from adapt.files import kept_back
from adapt.problems import AdaptError, BadInput, CannotBeMet, shown

__all__ = [
    "APPLICATION", "PATIENCE_S", "connect", "put_in_place", "require_file", "require_room", "still",
]  # fmt: skip

APPLICATION = 0x41446C62  # marks the SQLite files that are logbooks
PATIENCE_S = 30.0  # how long a writer waits for another
BESIDE = ("-wal", "-shm", "-journal")
_HEADER = 100  # bytes, see sqlite.org/fileformat2.html


def require_file(address: Address, to_write: bool = False) -> None:
    """Raise BadInput when a file cannot be a logbook, as far as its beginning tells.

    Raises AdaptError when it may not be written though it has to be.
    """
    path, here = address.file, shown(address.shown)
    assert path is not None
    bring = "bring the latest back-up ('adapt logbook restore')"
    try:
        if path.is_dir():
            raise BadInput(f"{here} is a folder; expected the file of a logbook")
        if not path.exists():
            raise BadInput(_missing(path, address))
        if not path.is_file():
            raise BadInput(f"{here} is no ordinary file; expected the file of a logbook")
        first = first_bytes(path, _HEADER)
    except OSError as error:
        raise BadInput(
            f"{here} cannot be read ({error.strerror}): ask whoever keeps it for the right"
        ) from None
    if to_write and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        raise no_right(address, "no right to write the file, or beside it")
    if first is None:
        return  # open as one already
    if not first:
        raise BadInput(
            f"{here} is an empty file; 'adapt logbook new' makes a logbook of it, or {bring}"
        )
    if not first.startswith(b"SQLite format 3\0"[: len(first)]):
        raise BadInput(
            f"{here} is no logbook, or its beginning is damaged. If it was one, keep the file and "
            f"{bring}"
        )
    if len(first) < _HEADER:
        raise BadInput(f"{here} is cut off after {len(first)} bytes. Keep the file and {bring}")
    if int.from_bytes(first[68:72], "big") != APPLICATION:
        raise BadInput(
            f"{here} is a database of another program, not a logbook. If it was one, its beginning "
            f"is damaged: keep the file and {bring}"
        )
    if _is_short(path):
        raise BadInput(f"{here} is cut off at its end. Keep the file and {bring}")


def _is_short(path: Path) -> bool:
    """Return whether a file is shorter than it says, with nothing beside it that holds the rest.

    SQLite itself takes a page that is there in part for whole, the rest of it for zeros.
    """
    for wait_s in (0.0, 0.02, 0.1):  # somebody else may be putting away what was written last
        time.sleep(wait_s)
        try:
            if _size(path.with_name(path.name + "-wal")):
                return False
            first = first_bytes(path, _HEADER)
            size = path.stat().st_size
        except OSError:
            return False  # gone meanwhile: opening it tells
        if first is None:
            return False
        page = int.from_bytes(first[16:18], "big")
        if size >= int.from_bytes(first[28:32], "big") * (65536 if page == 1 else page):
            return False
    return True


def _missing(path: Path, address: Address) -> str:
    here = shown(address.shown)
    left = path.with_name(path.name + "-wal")
    if _size(left):
        return (
            f"there is no logbook {here}, but what was written to it last is ({left.name}): look "
            "for the file and bring it back beside that; do not delete either"
        )
    return f"there is no logbook {here}; 'adapt logbook new {address.shown}' makes one"


def connect(path: Path, to_write: bool) -> sqlite3.Connection:
    """Open a file that is there. Raises sqlite3.Error."""
    mode = "?mode=rw" if to_write else _mode(path)
    real = Path(os.path.realpath(path))
    connection = CountedConnection(
        real.as_uri() + mode, path=real, uri=True, timeout=PATIENCE_S, isolation_level=None,
        check_same_thread=False,
    )  # fmt: skip
    for pragma in (
        "foreign_keys=ON", "synchronous=FULL", "trusted_schema=OFF", "cell_size_check=ON",
        "cache_size=-65536", f"query_only={'OFF' if to_write else 'ON'}",
    ):  # fmt: skip
        connection.execute(f"PRAGMA {pragma}")
    return connection


def begin_in_turn(raw: sqlite3.Connection) -> None:
    """Begin a transaction that writes as soon as nobody else does. Raises sqlite3.Error.

    SQLite itself looks ten times a second: whoever writes one change after the other would keep
    everybody else out for long.
    """
    until = time.monotonic() + PATIENCE_S
    raw.execute("PRAGMA busy_timeout=0")
    try:
        while True:
            try:
                raw.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as error:
                busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > until:
                    raise
            time.sleep(random.uniform(0.0005, 0.003))
    finally:
        raw.execute(f"PRAGMA busy_timeout={int(1000 * PATIENCE_S)}")


def _mode(path: Path) -> str:
    """Return how SQLite is to open a file that is only read."""
    path = Path(os.path.realpath(path))
    if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK):
        return "?mode=rw"  # a reader that may not write leaves the write-ahead log's files behind
    # Where no file can, or should, be made beside it (who may write could not use those that this
    # user made) the write-ahead log can be read only if both of its files are there. Without
    # anything in it the file itself is all there is.
    beside = [path.with_name(path.name + end) for end in ("-wal", "-shm")]
    together = all(os.access(p, os.R_OK) for p in beside)
    return "?mode=ro" if together or _size(beside[0]) else "?mode=ro&immutable=1"


@contextmanager
def still(address: Address) -> Iterator[None]:
    """Raise CannotBeMet when a file that SQLite may not lock was written to meanwhile."""
    path = address.file
    if path is None or "immutable" not in _mode(path):
        yield
        return
    before = _stamp(path)
    try:
        yield
    finally:
        if _stamp(path) != before:
            raise CannotBeMet(f"{shown(address.shown)} was written to while it was read: try again")


def _stamp(path: Path) -> tuple[int, ...]:
    try:
        found = path.stat()
    except OSError:
        return ()
    return found.st_ino, found.st_size, found.st_mtime_ns


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def require_room(address: Address, over: bool = False) -> None:
    """Raise BadInput or AdaptError when a file cannot be put where an address says.

    over: it may take the place of one that is there. An empty file never counts as one.
    """
    path, here = address.file, shown(address.shown)
    assert path is not None
    if path.name.endswith(BESIDE):
        raise BadInput(
            f"{here}: names that end in {', '.join(BESIDE)} are those of files that belong to a "
            "logbook; choose another"
        )
    try:
        if path.is_dir():
            raise BadInput(f"{here} is a folder; expected the name of a new file")
        if not Path(os.path.abspath(path)).parent.is_dir():
            raise AdaptError(f"{here} cannot be made: its folder is not there")
        there = path.exists() or path.is_symlink()
        if there and not path.is_file():
            raise BadInput(f"{here} is no ordinary file; choose the name of a new file")
        if there and not over and path.stat().st_size:
            first = first_bytes(path, _HEADER)
            kind = first is None or int.from_bytes(first[68:72], "big") == APPLICATION
            is_there = "is a logbook already" if kind else "is there already and is no logbook"
            raise BadInput(f"{here} {is_there}: nothing was changed; choose another name")
        for end in BESIDE:
            left = path.with_name(path.name + end)
            # What SQLite left beside a file that is gone would be taken for part of the new one.
            if left.exists() and (_size(left) or over):
                raise BadInput(
                    f"{here}: {shown(left.name)} stands beside it, of a logbook that is open or "
                    "was not closed: choose another name, or see to that logbook first"
                )
    except OSError as error:
        raise AdaptError(f"{here} cannot be made there ({error.strerror})") from None


@contextmanager
def put_in_place(address: Address, over: bool = False) -> Iterator[Address]:
    """Give the address of an empty file to fill; put it where `address` says when that is done.

    It is made beside its place, reaches the disk, and takes its name in one step, never that of a
    file that came there meanwhile (but with `over`). After an error nothing of it is left.
    """
    require_room(address, over)
    path = address.file
    assert path is not None
    target = Path(os.path.realpath(path))
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{target.name[:100]}.", suffix=".part", dir=target.parent
        )
        os.close(handle)
    except OSError as error:
        raise AdaptError(
            f"{shown(address.shown)} cannot be made there ({error.strerror})"
        ) from None
    part = Path(name)
    try:
        yield Address(address.url.set(database=name), part, address.shown)
        if _size(part.with_name(part.name + "-wal")):
            raise no_room(address, "what was written last did not reach the file")
        try:
            _place(part, target, over)
        except FileExistsError:
            raise CannotBeMet(
                f"{shown(address.shown)} was made by somebody else meanwhile: nothing was changed"
            ) from None
        except OSError as error:
            raise AdaptError(
                f"{shown(address.shown)} cannot be put in its place ({error.strerror})"
            ) from None
    finally:
        for end in ("", *BESIDE):
            with contextlib.suppress(OSError):
                part.with_name(part.name + end).unlink(missing_ok=True)


def _place(part: Path, target: Path, over: bool) -> None:
    part.chmod(0o666 & ~kept_back())
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    if over or (target.exists() and target.stat().st_size == 0):
        part.replace(target)
    else:
        try:
            os.link(part, target)
        except FileExistsError:
            raise
        except OSError:
            # Some file systems know no second name for a file.
            if target.exists():
                raise FileExistsError from None
            part.rename(target)
    with contextlib.suppress(OSError):
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
