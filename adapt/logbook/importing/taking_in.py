"""The import itself: a source's rows become one change of a logbook, or nothing happens at all."""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from adapt.database.opening import Logbook
from adapt.database.schema import KEYS
from adapt.database.writing import Change, writing
from adapt.logbook.importing.checking import Checked, check_jobs, closed_jobs
from adapt.logbook.importing.comparing import Compared, compare, differences
from adapt.logbook.importing.plain import plain
from adapt.logbook.importing.renumbering import Renumbered, renumbered
from adapt.logbook.importing.values import Conflict, Counts, TakenIn
from adapt.problems import BadInput, Problem
from adapt.rotor import Rotor
from adapt.tables import Column, Table

__all__ = ["MOST_TOLD", "take_in"]

MOST_TOLD = 1_000  # conflicts and problems that are kept to be told; the others are counted


class _NotKept(Exception):  # noqa: N818
    """Ends a change of which nothing is kept."""


@dataclass
class _Going:
    """An import on its way."""

    tables: dict[str, Counts] = field(default_factory=dict)
    conflicts: list[Conflict] = field(default_factory=list)
    conflict_count: int = 0
    wrong: list[Problem] = field(default_factory=list)
    wrong_count: int = 0
    doubts: list[Problem] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)
    added: set[str] = field(default_factory=set)
    origins: dict[str, _Origins] = field(default_factory=dict)
    renumbered: list[Renumbered] = field(default_factory=list)

    def note_wrong(self, problems: Sequence[Problem]) -> None:
        faults = [p for p in problems if p.severity == "fault"]
        self.wrong_count += len(faults)
        self.wrong += faults[: MOST_TOLD - len(self.wrong)]
        doubts = [p for p in problems if p.severity == "doubt"]
        self.doubts += doubts[: MOST_TOLD - len(self.doubts)]


def take_in(
    book: Logbook,
    batches: Iterable[tuple[str, Table]],
    source: str,
    who: str,
    note: str = "",
    *,
    rotors: Sequence[Rotor] = (),
    correct: bool = False,
    with_faults: bool = False,
    dry: bool = False,
    told: Callable[[int], None] | None = None,
) -> TakenIn:
    """Import a source into a logbook that was opened to write: all of it, or nothing.

    batches: the source's rows, table by table (`source.batches_of`, `maps.mapped`). source: its
    name, for the record. rotors: by which the jobs that the import touches are checked as they
    will be. correct: rows that say something else than the logbook correct it (what they replace
    is kept), and rows that it took out come back; otherwise they are conflicts. with_faults: also
    keep jobs that cannot be used as they are; they stay set aside until they are corrected. dry:
    find out what would happen, and keep nothing. told: called now and then with the number of rows
    read so far.

    Nothing is kept where rows are wrong, in conflict, of a closed job, or (without `with_faults`)
    bring faults with them: `TakenIn.refused` says which. Raises BadInput when the source cannot be
    read at all, CannotBeMet when somebody else goes on writing, AdaptError when the logbook cannot
    be written.
    """
    begun = time.monotonic()
    going = _Going()
    checked = Checked()
    refused, number = "", None
    try:
        with writing(book, who, "import", note, source) as change:
            read = 0
            for name, batch in renumbered(change, batches, going.renumbered):
                _take(book, change, going, name, batch, correct)
                read += len(batch)
                if told is not None:
                    told(read)
            if not going.wrong:
                going.note_wrong(closed_jobs(change, going.added))
            if not going.wrong:
                checked = check_jobs(book, change, rotors, going.touched)
            refused = _why_not(going, checked, with_faults)
            if dry or refused or not going.touched:
                raise _NotKept
            number = change.number
    except _NotKept:
        pass
    except BadInput as error:
        if not error.problems or not going.tables:
            raise
        going.note_wrong(error.problems)
        refused = _why_not(going, checked, with_faults)
    return TakenIn(
        number, dry, refused, going.tables, tuple(going.conflicts), going.conflict_count,
        tuple(going.wrong), going.wrong_count,
        tuple(_in_source(p, going) for p in checked.faults),
        (*going.doubts, *(_in_source(p, going) for p in checked.doubts)),
        checked.unchecked, len(going.touched), tuple(going.renumbered), time.monotonic() - begun,
    )  # fmt: skip


def _why_not(going: _Going, checked: Checked, with_faults: bool) -> str:
    """Return why nothing is kept, "" when it can be."""
    reasons = []
    if going.wrong_count:
        reasons.append("rows that cannot be kept")
    if going.conflict_count:
        reasons.append("rows in conflict")
    if checked.faults and not with_faults:
        reasons.append("jobs that could not be used")
    return " and ".join(reasons)


def _take(
    book: Logbook, change: Change, going: _Going, name: str, batch: Table, correct: bool
) -> None:
    """Take one batch in, as far as it can be kept."""
    counts = going.tables.setdefault(name, Counts())
    rows, problems = plain(name, batch)
    going.note_wrong(problems)
    going.note_wrong([p for p in batch.problems if p.severity == "doubt"])
    if going.wrong_count or len(rows) == 0:
        return
    found = compare(book, change, name, rows)
    counts.there += len(found.there)
    counts.twice += len(found.again)
    # What somebody took out does not come back because a source says it still.
    fresh = np.ones(len(found.new), dtype=bool) if correct else found.after == 0
    _append(change, going, name, rows.select(found.new[fresh]), found.after[fresh])
    counts.new += int(fresh.sum())
    counts.conflicts += int((~fresh).sum())
    _note_taken_out(going, name, rows, found.new[~fresh].tolist())
    if correct:
        _append(
            change, going, name, _completed(rows.select(found.differing), found),
            found.held.rows[found.against], correcting=True,
        )  # fmt: skip
        counts.corrected += len(found.differing)
    else:
        counts.conflicts += len(found.differing)
        _note_conflicts(going, name, rows, found)
    counts.conflicts += len(found.clashing)
    for row, other in zip(found.clashing.tolist(), found.clashes_with.tolist(), strict=True):
        going.conflict_count += 1
        if len(going.conflicts) < MOST_TOLD:
            differs = differences(name, rows, row, rows, other)
            going.conflicts.append(_conflict(name, rows, row, differs, int(rows.rows[other])))


def _append(
    change: Change,
    going: _Going,
    name: str,
    rows: Table,
    replaces: np.ndarray,
    correcting: bool = False,
) -> None:
    if len(rows) == 0:
        return
    jobs = rows.column("job")
    named = {jobs.texts[n] for n in np.unique(jobs.codes).tolist()}
    going.touched |= named
    if not correcting:
        going.added |= named
    fresh = replaces == 0
    for chosen, above in ((fresh, None), (~fresh, replaces[~fresh])):
        if chosen.any():
            part = rows if chosen.all() else rows.select(chosen)
            entries = change.append(name, part, above)
            going.origins.setdefault(name, _Origins()).add(part.file, entries, part.rows)


def _completed(rows: Table, found: Compared) -> Table:
    """Return rows with what the logbook has in columns that their source does not have."""
    held = found.held.select(found.against)
    columns = dict(rows.columns)
    columns.update({c: column for c, column in held.columns.items() if c not in rows})
    return replace(rows, columns=columns)


def _note_conflicts(going: _Going, name: str, rows: Table, found: Compared) -> None:
    going.conflict_count += len(found.differing)
    room = MOST_TOLD - len(going.conflicts)
    pairs = zip(found.differing.tolist(), found.against.tolist(), strict=True)
    for row, other in [*pairs][: max(room, 0)]:
        differs = differences(name, rows, row, found.held, other)
        going.conflicts.append(_conflict(name, rows, row, differs))


def _note_taken_out(going: _Going, name: str, rows: Table, at: Sequence[int]) -> None:
    going.conflict_count += len(at)
    columns = [c for c in rows.columns if c not in KEYS[name]]
    for row in at[: max(MOST_TOLD - len(going.conflicts), 0)]:
        cells = [(c, "", _text(rows.column(c), row)) for c in columns]
        differs = [cell for cell in cells if cell[2]]
        going.conflicts.append(replace(_conflict(name, rows, row, differs), taken_out=True))


def _conflict(
    name: str,
    rows: Table,
    row: int,
    differs: Sequence[tuple[str, str, str]],
    with_row: int | None = None,
) -> Conflict:
    fact = tuple((c, _text(rows.column(c), row)) for c in KEYS[name])
    told = tuple((c, text) for c, text in fact if text)
    return Conflict(name, rows.file, int(rows.rows[row]), told, tuple(differs), with_row)


def _text(column: Column, row: int) -> str:
    return column.texts[column.codes[row]]


class _Origins:
    """From which row of which file each entry of an import came, in stretches."""

    def __init__(self) -> None:
        self._first: list[int] = []
        self._from: list[tuple[str, int]] = []

    def add(self, file: str, entries: np.ndarray, rows: np.ndarray) -> None:
        """Note entries that go up by one, beside their rows."""
        breaks = np.flatnonzero(np.diff(rows) != 1) + 1
        for at in (0, *breaks.tolist()):
            self._first.append(int(entries[at]))
            self._from.append((file, int(rows[at])))

    def of(self, entry: int) -> tuple[str, int] | None:
        at = bisect_right(self._first, entry) - 1
        if at < 0:
            return None
        file, row = self._from[at]
        return file, row + entry - self._first[at]


def _in_source(problem: Problem, going: _Going) -> Problem:
    """Return a finding with the place of its row in the source, where it came with this import."""
    name = problem.file.rpartition(", ")[2]
    if problem.row is None or name not in going.origins:
        return problem
    found = going.origins[name].of(problem.row)
    return problem if found is None else replace(problem, file=found[0], row=found[1])
