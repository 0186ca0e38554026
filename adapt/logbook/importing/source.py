"""What an import reads: the tables of a folder, a workbook or another logbook, in batches."""

from __future__ import annotations

from collections.abc import Iterator
from os import PathLike
from pathlib import Path

import numpy as np

from adapt.database.opening import open_logbook
from adapt.database.place import is_logbook
from adapt.database.schema import LOG_TABLES
from adapt.database.states import latest, rows_in_force
from adapt.log.places import missing_columns, misspelt_columns, tables_at
from adapt.problems import BadInput, Problem
from adapt.tables import Table, read_batches

__all__ = ["batches_of"]

_ROWS = 50_000  # of a batch


def batches_of(path: str | PathLike[str]) -> Iterator[tuple[str, Table]]:
    """Give the tables of a log: the name of each, and its rows in batches.

    path: a folder, a workbook, or another logbook (of which the rows that are in force come in;
    its record, statuses, documents and sets stay with it). The first batch of a table holds what is
    wrong with the table as a whole. Raises BadInput with all that is wrong with finding the tables.
    """
    if is_logbook(path):
        yield from _in_force(path)
        return
    source = Path(path)
    faults: list[Problem] = []
    doubts: list[Problem] = []
    places = tables_at(source, faults, doubts)
    if not places and not faults:
        expected = "at least one table of a log, such as runs.csv or readings.csv"
        faults.append(Problem("fault", str(source), None, None, "none", expected))
    if faults:
        raise BadInput(faults + doubts)
    for name, (file, sheet, shown_as) in places.items():
        first = True
        for batch in read_batches(file, sheet, shown_as):
            if first:
                seen = (*doubts, *missing_columns(name, batch), *misspelt_columns(name, batch))
                doubts = []
                batch = Table(
                    batch.file, batch.columns, batch.rows, batch.decimal_comma, batch.comma_seen,
                    (*seen, *batch.problems), batch.broken,
                )  # fmt: skip
            first = False
            yield name, batch


def _in_force(place: str | PathLike[str]) -> Iterator[tuple[str, Table]]:
    """Give the rows in force of another logbook, as it is when the import begins."""
    book = open_logbook(place)
    with book.reading() as connection:
        change = latest(connection)
        for name in LOG_TABLES:
            rows = rows_in_force(book, connection, name, change)
            for at in range(0, len(rows), _ROWS):
                yield name, rows.select(np.arange(at, min(at + _ROWS, len(rows))))
