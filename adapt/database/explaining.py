"""Errors of a database in plain words, with what to do: told by their codes, not by their texts.

A server speaks the language that it was set up with; its codes (SQLSTATE, in PostgreSQL's manual
under "Error Codes") and SQLite's result codes (sqlite.org/rescode.html) do not change.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from adapt.database.address import Address
from adapt.problems import AdaptError, BadInput, CannotBeMet, shown

__all__ = [
    "UNCHANGED",
    "damaged",
    "explained",
    "is_damage",
    "is_lost",
    "no_right",
    "no_room",
    "said_of",
    "shows_damage",
]

UNCHANGED = "nothing was changed"
_UNREADABLE = (
    sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_FSTAT,
    sqlite3.SQLITE_IOERR_CORRUPTFS,
)  # fmt: skip


@contextmanager
def explained(address: Address, outcome: str = UNCHANGED) -> Iterator[None]:
    """Turn what a database raises into AdaptError, with what to do about it.

    outcome: what the message says of what was to be done.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise _told(address, error, outcome) from error
    except UnicodeDecodeError as error:
        # SQLite quotes a damaged schema in its own words, which the driver then cannot read.
        if address.file is None:
            raise
        raise damaged(address, "text that is no UTF-8", outcome) from error


def is_lost(error: BaseException) -> bool:
    """Return whether an error means that nobody can know from it what became of a commit."""
    cause = _cause(error)
    state = getattr(cause, "sqlstate", None)
    if isinstance(cause, sqlite3.Error):
        return _code(cause) & 0xFF == sqlite3.SQLITE_IOERR
    return isinstance(error, SQLAlchemyError) and (
        state is None or state[:2] in ("08", "57", "58", "XX")
    )


def shows_damage(error: BaseException) -> bool:
    """Return whether a file's database raised an error because it is not as it was written."""
    cause = _cause(error)
    return isinstance(cause, UnicodeDecodeError) or (
        isinstance(cause, sqlite3.Error) and is_damage(cause)
    )


def is_damage(error: sqlite3.Error) -> bool:
    """Return whether SQLite says that a file is not as it wrote it, or cannot be read."""
    code, said = _code(error), str(error)
    return (
        code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
        or code in _UNREADABLE
        or (code == sqlite3.SQLITE_ERROR and ("no such" in said or "file format" in said))
        or "decode to UTF-8" in said
    )


def _told(address: Address, error: Exception, outcome: str) -> AdaptError:
    cause = _cause(error)
    if isinstance(cause, SQLAlchemyError):  # of its own making: not a word of a database
        return _refused(address, said_of(error), outcome)
    told = _by_sqlite if isinstance(cause, sqlite3.Error) else _by_server
    return told(address, cause, said_of(error), outcome)


def _cause(error: BaseException) -> BaseException:
    return error.orig if isinstance(error, DBAPIError) and error.orig is not None else error


def _code(cause: sqlite3.Error) -> int:
    # What the driver itself finds has no code: a text that is no UTF-8.
    return getattr(cause, "sqlite_errorcode", None) or 0


def said_of(error: BaseException) -> str:
    """Return what a database said of an error: one line that a terminal may show."""
    cause = _cause(error)
    lines = str(cause).strip().splitlines() or [type(cause).__name__]
    return "".join(c if c.isprintable() else " " for c in lines[0])[:300]


def _by_sqlite(address: Address, cause: BaseException, said: str, outcome: str) -> AdaptError:
    assert isinstance(cause, sqlite3.Error)
    here, code = shown(address.shown), _code(cause)
    kind = code & 0xFF
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return _busy(address, outcome)
    if is_damage(cause):
        return damaged(address, said, outcome)
    if kind in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        return no_room(address, said, outcome)
    if code == sqlite3.SQLITE_READONLY_DBMOVED:
        return CannotBeMet(f"{here} was moved or replaced meanwhile: {outcome}. Try again")
    if kind in (
        sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_AUTH,
    ):  # fmt: skip
        return no_right(address, said, outcome)
    if kind == sqlite3.SQLITE_CONSTRAINT and "append only" in said:
        return AdaptError(f"{here} refuses to change what it holds ({said})")
    if code in (sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY):
        return _meanwhile(address, outcome)
    return _refused(address, said, outcome)


def _by_server(address: Address, cause: BaseException, said: str, outcome: str) -> AdaptError:
    here, state = shown(address.shown), getattr(cause, "sqlstate", None) or ""
    if state in ("40001", "40P01", "55P03"):
        return _busy(address, outcome)
    if state in ("XX001", "XX002", "58030", "58P01", "42P01", "42703", "3F000"):
        return BadInput(
            f"the logbook {here} is damaged, or tables of it are not there ({said}): {outcome}. "
            "Have whoever keeps the server look at it; 'adapt logbook verify' says what is whole, "
            "and 'adapt logbook restore' brings a back-up into an empty database"
        )
    if state == "53100":
        return no_room(address, said, outcome)
    if state in ("42501", "25006"):
        return no_right(address, said, outcome)
    if state == "P0001" and "append only" in said:
        return AdaptError(f"{here} refuses to change what it holds ({said})")
    if state == "23505":
        return _meanwhile(address, outcome)
    if state.startswith("28") or (not state and "password" in said):
        advice = "the server does not let you in: see to the user's name and password"
    elif state == "3D000" or (not state and "does not exist" in said):
        advice = "see to the names of the database and the user, or ask whoever keeps the server"
    elif state in ("53300", "57P03"):
        advice = "the server is busy or just starting: try again in a minute"
    elif state == "57014":
        advice = "the server stopped the work: ask whoever keeps it, then try again"
    elif state.startswith(("57P", "08")) or not state:
        advice = "is the server running, and does its address stand there? Then try again"
    else:
        return _refused(address, said, outcome)
    return BadInput(f"{here} cannot be reached ({said}): {outcome}. {_capital(advice)}")


def damaged(address: Address, said: str, outcome: str = UNCHANGED) -> BadInput:
    """Return the error of a logbook that does not hold what was put into it; said: how it shows."""
    return BadInput(
        f"{shown(address.shown)} is damaged or cannot be read to its end ({said}): {outcome}. "
        "Keep it as it is, see what 'adapt logbook verify' finds whole, and go on from the latest "
        "back-up ('adapt logbook restore')"
    )


def no_room(address: Address, said: str, outcome: str = UNCHANGED) -> AdaptError:
    """Return the error of a disk that takes no more."""
    return AdaptError(
        f"{shown(address.shown)} cannot be written ({said}): {outcome}. Is the disk full, a quota "
        "used up, or the disk failing? See to that, then give the command again"
    )


def _busy(address: Address, outcome: str) -> AdaptError:
    return CannotBeMet(
        f"somebody else is writing in {shown(address.shown)}: {outcome}. Try again when they are "
        "done"
    )


def no_right(address: Address, said: str, outcome: str = UNCHANGED) -> AdaptError:
    """Return the error of a place that may not be written, or not be read."""
    return AdaptError(
        f"{shown(address.shown)} cannot be written, or opened, where it stands ({said}): "
        f"{outcome}. Copy it to a place that you may write to, or ask whoever keeps it for the "
        "right"
    )


def _meanwhile(address: Address, outcome: str) -> AdaptError:
    return CannotBeMet(
        f"the same was entered in {shown(address.shown)} by somebody else meanwhile: {outcome}. "
        "Look again at what it holds"
    )


def _refused(address: Address, said: str, outcome: str) -> AdaptError:
    return AdaptError(f"{shown(address.shown)}: the database refused ({said}): {outcome}")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
