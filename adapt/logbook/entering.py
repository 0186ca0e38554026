"""Rows entered by hand, as one change: new ones, others put right, others taken out.

Whoever enters says what stood there when the form was filled in. Where somebody else has entered
something else meanwhile, nothing is kept and both are told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from adapt.database.opening import Logbook
from adapt.database.schema import CELLS, KEYS, NAMED
from adapt.database.states import last_rows, numbers_of
from adapt.database.writing import Change, writing
from adapt.logbook.importing.checking import check_jobs, closed_jobs
from adapt.logbook.importing.comparing import meaning
from adapt.logbook.importing.plain import plain
from adapt.problems import Problem
from adapt.rotor import Rotor
from adapt.tables import Column, Table

__all__ = ["EnteredRow", "Entering", "Meanwhile", "enter"]

FORM = "the form"


@dataclass(frozen=True)
class EnteredRow:
    """One row as it is entered. key: which fact it is, by the columns of `KEYS`.

    cells: its other columns, "" empties one; those that are not named stay as they are. None takes
    the row out. was: the cells that were shown when it was filled in, None where there was no row.
    """

    table: str
    key: Mapping[str, str]
    cells: Mapping[str, str] | None
    was: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Meanwhile:
    """A row that somebody else changed since it was shown. row: its place among those entered.

    theirs: its cells as they are now, None where it was taken out; by: who entered it.
    """

    row: int
    theirs: Mapping[str, str] | None


@dataclass(frozen=True)
class Entering:
    """What became of rows that were entered.

    change: its number, None where nothing was kept (nothing new, or refused). wrong: what is wrong,
    where `Problem.row` is the place of a row among those entered, from 0, or None. doubts likewise.
    meanwhile: rows that somebody else changed. added, corrected, taken_out: how many rows.
    """

    change: int | None
    wrong: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()
    meanwhile: tuple[Meanwhile, ...] = ()
    added: int = 0
    corrected: int = 0
    taken_out: int = 0

    @property
    def refused(self) -> bool:
        """Whether something is in the way of keeping the rows."""
        return bool(self.wrong or self.meanwhile)


class _NotKept(Exception):  # noqa: N818
    """Ends a change of which nothing is kept."""


def enter(
    book: Logbook,
    rows: Sequence[EnteredRow],
    who: str,
    note: str = "",
    *,
    rotors: Sequence[Rotor] = (),
    dry: bool = False,
) -> Entering:
    """Enter rows into a logbook that was opened to write: all of them, or none.

    rotors: by which the jobs are checked as they will be; what is wrong then and was not before is
    in the way. dry: find out what would happen, and keep nothing. Entering the same again adds
    nothing. Raises CannotBeMet, AdaptError when the logbook cannot be written.
    """
    found: Entering | None = None
    try:
        with writing(book, who, "enter", note, FORM) as change:
            found = _entered(book, change, rows, rotors)
            if dry or found.refused or found.change is None:
                raise _NotKept
    except _NotKept:
        assert found is not None
        return replace(found, change=None)
    return found


def _entered(
    book: Logbook, change: Change, rows: Sequence[EnteredRow], rotors: Sequence[Rotor]
) -> Entering:
    wrong: list[Problem] = []
    meanwhile: list[Meanwhile] = []
    counts = {"added": 0, "corrected": 0, "taken_out": 0}
    places: dict[tuple[str, int], int] = {}
    touched: set[str] = set()
    for name in dict.fromkeys(row.table for row in rows):
        at = [k for k, row in enumerate(rows) if row.table == name]
        wrong += _twice(rows, at)
        new = _Rows(book, change, name, [rows[k] for k in at], at)
        wrong += new.wrong
        meanwhile += new.meanwhile
        if wrong or meanwhile:
            continue
        for kind, entries in new.append(change):
            counts[kind] += len(entries)
            places.update({(name, entry): row for entry, row in entries.items()})
            touched |= {rows[row].key["job"] for row in entries.values()}
    doubts: tuple[Problem, ...] = ()
    if not wrong and not meanwhile and touched:
        wrong += closed_jobs(change, touched)
        if not wrong:
            checked = check_jobs(book, change, rotors, touched)
            wrong += [_placed(p, places) for p in checked.faults]
            doubts = tuple(_placed(p, places) for p in checked.doubts)
    return Entering(
        change.number if touched else None, tuple(wrong), doubts, tuple(meanwhile), **counts
    )


def _twice(rows: Sequence[EnteredRow], at: Sequence[int]) -> Iterable[Problem]:
    """Yield a fault for each row of a fact that stands above already."""
    seen: set[tuple[str, ...]] = set()
    for k in at:
        key = tuple(rows[k].key.get(c, "") for c in KEYS[rows[k].table])
        if key in seen:
            yield Problem("fault", FORM, k, None, "the same twice", "each once", key[0])
        seen.add(key)


class _Rows:
    """The rows of one table, held against those in force."""

    def __init__(
        self,
        book: Logbook,
        change: Change,
        name: str,
        rows: Sequence[EnteredRow],
        places: Sequence[int],
    ) -> None:
        self.name, self._places = name, places
        jobs = {row.key.get("job", "") for row in rows}
        numbers = sorted(numbers_of(change.connection, jobs).values())
        held, void = last_rows(book, change.connection, name, change.known, numbers or [0])
        self._held, self._void = held, void
        keys = zip(*(held.text(c) for c in KEYS[name]), strict=True)
        self._at = {tuple(map(str, key)): i for i, key in enumerate(keys)}
        self._texts = {c: held.text(c) for c in held.columns if c not in KEYS[name]}
        self._rows = rows
        self._table, self.wrong = self._made()
        self.meanwhile = [] if self.wrong else list(self._changed())

    def _made(self) -> tuple[Table, list[Problem]]:
        """Return the rows as a table, with what they leave as it is, and what is wrong with it."""
        own = [*NAMED[self.name], *CELLS[self.name]]
        held = [self._now(k) for k in range(len(self._rows))]
        extra = [c for c in self._held.columns if c not in own]
        columns = {}
        for column in (*own, *extra):
            texts = tuple(
                row.key.get(column, "")
                if column in KEYS[self.name]
                else (row.cells or {}).get(column, (before or {}).get(column, "")).strip()
                for row, before in zip(self._rows, held, strict=True)
            )
            if any(texts) or column in KEYS[self.name]:
                columns[column] = Column(column, np.arange(len(texts)), texts)
        table = Table(FORM, columns, np.array(self._places, dtype=np.int64))
        kept = np.array([row.cells is not None for row in self._rows], dtype=bool)
        made, wrong = plain(self.name, table.select(kept))
        wrong += [
            Problem("fault", FORM, self._places[k], c, "nothing", "a name")
            for k, row in enumerate(self._rows)
            for c in KEYS[self.name]
            if c in ("job", "run", "after_run", "blade", "adjuster", "kind", "regime")
            and not row.key.get(c, "").strip()
            and not any(p.row == self._places[k] and p.column == c for p in wrong)
        ]
        self._kept = np.flatnonzero(kept)
        return made, wrong

    def _now(self, k: int) -> dict[str, str] | None:
        """Return the cells of a row as they are in force, None where it is not there."""
        at = self._place(k)
        if at is None or self._void[at]:
            return None
        return {c: str(texts[at]) for c, texts in self._texts.items()}

    def _place(self, k: int) -> int | None:
        key = tuple(self._rows[k].key.get(c, "") for c in KEYS[self.name])
        return self._at.get(key)

    def _says(self, k: int, cells: Mapping[str, str]) -> bool:
        """Return whether a row in force says what cells say, by meaning."""
        now = self._now(k)
        return now is not None and all(
            meaning(self.name, c, now.get(c, "")) == meaning(self.name, c, text.strip())
            for c, text in cells.items()
        )

    def _changed(self) -> Iterable[Meanwhile]:
        """Yield the rows that are not as they were shown, and not as they are entered either."""
        for k, row in enumerate(self._rows):
            now = self._now(k)
            there_already = now is None if row.cells is None else self._says(k, self._cells(k))
            if there_already:
                continue
            as_shown = now is None if row.was is None else self._says(k, row.was)
            if not as_shown:
                yield Meanwhile(self._places[k], now)

    def _cells(self, k: int) -> dict[str, str]:
        """Return the cells that are entered of a row, as they are kept."""
        at = int(np.flatnonzero(self._kept == k)[0])
        named = self._rows[k].cells or {}
        return {c: str(self._table.text(c)[at]) for c in named}

    def append(self, change: Change) -> Iterable[tuple[str, dict[int, int]]]:
        """Append what differs, and yield of each kind the new entries with the rows' places."""
        new: list[int] = []
        right: list[int] = []
        for k in self._kept.tolist():
            if not self._says(k, self._cells(k)):
                (new if self._now(k) is None else right).append(k)
        for kind, chosen in (("added", new), ("corrected", right)):
            for above in (False, True):
                part = [k for k in chosen if (self._place(k) is not None) == above]
                yield kind, self._append(change, part, above)
        gone = [
            k for k, row in enumerate(self._rows) if row.cells is None and self._now(k) is not None
        ]
        if gone:
            places = np.array([self._place(k) for k in gone], dtype=np.intp)
            rows = self._held.select(places)
            keys = Table(rows.file, {c: rows.column(c) for c in NAMED[self.name]}, rows.rows)
            entries = change.append(self.name, keys, rows.rows, void=True)
            yield "taken_out", {int(e): self._places[k] for e, k in zip(entries, gone, strict=True)}

    def _append(self, change: Change, chosen: Sequence[int], above: bool) -> dict[int, int]:
        if not chosen:
            return {}
        rows = self._table.select(np.searchsorted(self._kept, chosen))
        replaces = None
        if above:
            replaces = self._held.rows[np.array([self._place(k) for k in chosen], dtype=np.intp)]
        entries = change.append(self.name, rows, replaces)
        return {int(e): self._places[k] for e, k in zip(entries, chosen, strict=True)}


def _placed(problem: Problem, places: Mapping[tuple[str, int], int]) -> Problem:
    """Return a finding at the row of the form that it is about, where it is about one."""
    name = problem.file.rpartition(", ")[2]
    row = None if problem.row is None else places.get((name, problem.row))
    if row is None:
        return replace(problem, row=None) if problem.row is None else problem
    return replace(problem, file=FORM, row=row)
