"""What a batch of a source's rows is to a logbook: new, there already, or another word on a fact.

Two rows are of one fact when they have the same key (which job, run, sensor, ...); they say the
same when their cells mean the same: 0.10 is 0.1, and 4:20 is 04:20. A column that the source does
not have says nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from adapt.database.opening import Logbook
from adapt.database.schema import CELLS, KEYS, NAMED
from adapt.database.states import last_rows, numbers_of
from adapt.database.writing import Change
from adapt.logbook.importing.plain import CLOCKS, NUMBERS
from adapt.phasor import ClockError, clock_to_deg
from adapt.tables import Column, Table

__all__ = ["Compared", "compare", "differences"]

_DECIMALS = re.compile(r"-?(?:0|[1-9]\d{0,14})\.\d{1,15}", re.ASCII)

Positions = npt.NDArray[np.intp]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Compared:
    """The rows of a batch, by position: each is in one of these.

    new: of no fact that the logbook has. after: (new,), the entry that took such a fact out before,
    0 where there is none. there: say what the logbook says. again: say what an earlier row of the
    batch says. differing: say something else of a fact that the logbook has; against: (differing,)
    the positions in `held` of what it says. clashing: say something else than an earlier row of the
    batch, whose position is in `clashes_with`.
    held: the last rows of the facts of the jobs concerned.
    """

    new: Positions
    after: Whole
    there: Positions
    again: Positions
    differing: Positions
    against: Positions
    clashing: Positions
    clashes_with: Positions
    held: Table


def compare(book: Logbook, change: Change, name: str, rows: Table) -> Compared:
    """Compare a batch of rows with the logbook as it is within a change."""
    key = KEYS[name]
    jobs = list(numbers_of(change.connection, rows.column("job").texts).values())
    held, void = last_rows(book, change.connection, name, change.number, jobs)
    groups = _groups([(held.column(c), rows.column(c)) for c in key], len(held) + len(rows))
    first = _first_of(groups)
    at_held, own = first[: len(held)], first[len(held) :]
    assert np.array_equal(at_held, np.arange(len(held)))
    position = np.arange(len(rows))
    known = own < len(held)
    gone = np.zeros(len(rows), dtype=bool)
    gone[known] = void[own[known]]
    # Of several rows of one fact in the batch the first speaks.
    leader = position[_first_of(groups[len(held) :])]
    follows = leader != position
    same_as_leader = ~follows | _say_the_same(name, rows, position, rows, leader)
    on_held = known & ~gone & ~follows
    agrees = np.zeros(len(rows), dtype=bool)
    agrees[on_held] = _say_the_same(name, rows, position[on_held], held, own[on_held])
    new = ~follows & (~known | gone)
    after = np.where(gone[new], held.rows[np.where(known, own, 0)[new]] if len(held) else 0, 0)
    differing = on_held & ~agrees
    clashing = follows & ~same_as_leader
    return Compared(
        new=np.flatnonzero(new),
        after=after.astype(np.int64),
        there=np.flatnonzero(on_held & agrees),
        again=np.flatnonzero(follows & same_as_leader),
        differing=np.flatnonzero(differing),
        against=own[differing],
        clashing=np.flatnonzero(clashing),
        clashes_with=leader[clashing],
        held=held,
    )


def differences(
    name: str, rows: Table, row: int, held: Table, other: int
) -> list[tuple[str, str, str]]:
    """Return the columns in which two rows differ, with what stands in `held` and in `rows`."""
    return [
        (c, _cell(held, c, other), _cell(rows, c, row))
        for c in rows.columns
        if meaning(name, c, _cell(held, c, other)) != meaning(name, c, _cell(rows, c, row))
    ]


def meaning(name: str, column: str, text: str) -> str:
    """Return a text that is equal for cells that mean the same.

    >>> meaning("readings", "amplitude", "0.10"), meaning("readings", "clock", "04:20")
    ('0.1', '130.0')
    >>> [meaning("runs", "airframe_hours", text) for text in ("3623.0", "3623", "007")]
    ['3623', '3623', '007']
    """
    read: Callable[[str], float | str] | None = None
    if column in NUMBERS[name]:
        read = _number
    elif column in CLOCKS.get(name, ()):
        read = clock_to_deg
    elif column in ("started", "decided"):
        read = _moment
    if column not in (*NAMED[name], *CELLS[name]) and _DECIMALS.fullmatch(text):
        # Of what a log does not know, what a spreadsheet leaves away says nothing: 3623.0 is 3623.
        return text.rstrip("0").removesuffix(".")
    if read is None or not text:
        return text
    try:
        return str(read(text))
    except (ValueError, ClockError):
        return text


def _number(text: str) -> float:
    return float(text) + 0.0 if len(text) <= 40 else _refuse()


def _refuse() -> float:
    raise ValueError


def _moment(text: str) -> str:
    return datetime.fromisoformat(text).isoformat()


def _cell(table: Table, column: str, row: int) -> str:
    if column not in table:
        return ""
    found = table.columns[column]
    return found.texts[found.codes[row]]


def _say_the_same(
    name: str, rows: Table, at: Positions, held: Table, other: Positions
) -> npt.NDArray[np.bool_]:
    """Return whether pairs of rows mean the same in every column, (pair,)."""
    same = np.ones(len(at), dtype=bool)
    if len(at) == 0:
        return same
    for c in rows.columns:
        one, two = _Meanings.of(name, rows.column(c)), _Meanings.of(name, held.column(c))
        both = {text: i for i, text in enumerate(dict.fromkeys([*one.texts, *two.texts]))}
        a = np.array([both[t] for t in one.texts])[one.codes[at]]
        b = np.array([both[t] for t in two.texts])[two.codes[other]]
        same &= a == b
    return same


@dataclass(frozen=True, eq=False)
class _Meanings:
    """What the cells of a column mean: text number codes[i] of `texts` in row i."""

    codes: Positions
    texts: tuple[str, ...]

    @classmethod
    def of(cls, name: str, column: Column) -> _Meanings:
        return cls(column.codes, tuple(meaning(name, column.name, t) for t in column.texts))


def _groups(columns: Sequence[tuple[Column, Column]], count: int) -> Whole:
    """Return a number for each row of two tables, one below the other: equal for equal keys."""
    groups = np.zeros(count, dtype=np.int64)
    size = 1
    for one, two in columns:
        both: dict[str, int] = {}
        codes = np.concatenate(
            [
                np.array([both.setdefault(t, len(both)) for t in c.texts], dtype=np.int64)[c.codes]
                for c in (one, two)
            ]
        )
        if size * max(len(both), 1) >= 2**62:
            different, groups = np.unique(groups, return_inverse=True)
            size = len(different)
        groups = groups * max(len(both), 1) + codes
        size *= max(len(both), 1)
    return groups


def _first_of(groups: Whole) -> Positions:
    """Return for each row the position of the first row of its group."""
    _, first, back = np.unique(groups, return_index=True, return_inverse=True)
    found: Positions = first[back] if len(groups) else np.zeros(0, dtype=np.intp)
    return found
