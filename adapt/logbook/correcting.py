"""One entry put right by hand: a new row that replaces it, with other cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from adapt.database.opening import Logbook
from adapt.database.schema import CELLS, KEYS, LOG_TABLES, NAMED
from adapt.database.states import last_rows
from adapt.database.writing import writing
from adapt.logbook.importing.checking import check_jobs
from adapt.logbook.importing.plain import REQUIRED, plain, unreadable
from adapt.logbook.record import jobs_of_entries
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor import Rotor
from adapt.tables import Column

__all__ = ["Corrected", "correct"]


@dataclass(frozen=True)
class Corrected:
    """A correction that was kept. entry: of the new row; doubts: that it brings, as of a check.

    unchecked: the job's design, where no rotor file was at hand for it.
    """

    change: int
    entry: int
    doubts: tuple[Problem, ...]
    unchecked: tuple[str, ...] = ()


def correct(
    book: Logbook,
    name: str,
    entry: int,
    cells: Mapping[str, str],
    who: str,
    note: str,
    rotors: Sequence[Rotor] = (),
) -> Corrected:
    """Replace an entry that is in force by one with other cells; what it said is kept.

    name: the log's table; cells: by column, "" empties one. rotors: by which the job is checked as
    it will be. Raises BadInput, with everything that is wrong, for an entry that is not in force,
    a column that is not of the table or says which fact the row is, a cell that is no number, clock
    angle or date where one belongs, or a job that could not be used
    (as it could before).
    """
    _require(name, cells, note)
    with writing(book, who, "correct", note) as change:
        jobs = jobs_of_entries(change.connection, name, [entry])
        held, void = last_rows(book, change.connection, name, change.known, jobs)
        at = np.flatnonzero((held.rows == entry) & ~void)
        if len(at) == 0:
            raise BadInput(f"{name}: found {entry}; expected an entry that is in force")
        old = held.select(at)
        columns = dict(old.columns)
        for column, text in cells.items():
            columns[column] = Column(column, np.zeros(1, dtype=np.intp), (text.strip(),))
        row, wrong = plain(name, replace(old, columns=columns))
        if wrong:
            raise BadInput(wrong)
        bad = [(c, row.text(c)[0], unreadable(name, c, row.text(c)[0])) for c in cells]
        if any(expected for _, _, expected in bad):
            raise BadInput(
                "\n".join(f"{c}: found {shown(t)}; expected {e}" for c, t, e in bad if e)
            )
        if all(old.text(c)[0] == row.text(c)[0] for c in row.columns):
            raise BadInput(f"{name}, entry {entry}: it says so already: nothing was changed")
        new = int(change.append(name, row, old.rows)[0])
        checked = check_jobs(book, change, rotors, {str(old.text("job")[0])})
        if checked.faults:
            raise BadInput(checked.faults)
        return Corrected(change.number, new, checked.doubts, checked.unchecked)


def _require(name: str, cells: Mapping[str, str], note: str) -> None:
    """Raise BadInput with everything that is wrong with a request."""
    if name not in LOG_TABLES:
        raise BadInput(f"table: found {shown(name)}; expected one of {', '.join(LOG_TABLES)}")
    wrong = []
    if not note.strip():
        wrong.append("why: found nothing; expected why the entry is corrected")
    if not cells:
        wrong.append("cells: found none; expected at least one column with its new cell")
    known = [c for c in (*NAMED[name], *CELLS[name]) if c not in KEYS[name]]
    for column, text in cells.items():
        if column in KEYS[name]:
            wrong.append(
                f"{column}: found a column that says which fact the row is; expected another. "
                "Take the entry out, and import the row that belongs there"
            )
        elif column not in known:
            wrong.append(f"column: found {shown(column)}; expected {one_of('one', column, known)}")
        elif column in REQUIRED[name] and not text.strip():
            wrong.append(f"{column}: found nothing; expected a name")
    if wrong:
        raise BadInput("\n".join(wrong))
