"""Which files this process has open as databases: no other handle on them may be closed meanwhile.

Locks of a file are its process's: where any handle on the file is closed, whatever it was opened
for, every lock that SQLite has on it in any thread is gone, and another process may then clear away
a write-ahead log that is in use (sqlite.org/howtocorrupt.html, section 2.2). So connections are
counted here by file, and a file that is open as a database is not looked into beside SQLite.
"""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from pathlib import Path
from threading import RLock
from typing import Any

__all__ = ["CountedConnection", "first_bytes"]

_File = tuple[int, int]  # device and inode: one file, whatever its names

_one = RLock()
_open: Counter[_File] = Counter()


class CountedConnection(sqlite3.Connection):
    """A connection that is counted with its file until it is closed."""

    _file: _File | None = None

    def __init__(self, database: str, *args: Any, path: Path, **options: Any) -> None:
        """Open a database. path: of its file, which is there. Raises sqlite3.Error."""
        with _one:
            super().__init__(database, *args, **options)
            try:
                found = path.stat()
            except OSError:
                return  # gone meanwhile: nobody can look into it by its name
            self._file = (found.st_dev, found.st_ino)
            _open[self._file] += 1

    def close(self) -> None:
        """Close it; done twice it is closed once."""
        with _one:
            super().close()
            file, self._file = self._file, None
            if file is not None:
                _open[file] -= 1
                if not _open[file]:
                    del _open[file]


def first_bytes(path: Path, count: int) -> bytes | None:
    """Return the beginning of a file; None where this process has it open as a database.

    Raises OSError where it cannot be read.
    """
    with _one:
        found = path.stat()
        if (found.st_dev, found.st_ino) in _open:
            return None
        # Nobody in this process gets to open it before it is closed again.
        with path.open("rb") as file:
            return file.read(count)


def _after_fork() -> None:
    """Forget the connections of the process that this one was forked from: their locks are its."""
    global _one
    _one = RLock()
    _open.clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_after_fork)
