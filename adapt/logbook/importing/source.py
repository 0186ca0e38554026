"""What an import reads: the tables of a folder or a workbook, in batches."""

from __future__ import annotations

from collections.abc import Iterator
from os import PathLike
from pathlib import Path

from adapt.log.places import missing_columns, misspelt_columns, tables_at
from adapt.problems import BadInput, Problem
from adapt.tables import Table, read_batches

__all__ = ["batches_of"]


def batches_of(path: str | PathLike[str]) -> Iterator[tuple[str, Table]]:
    """Give the tables of a log's folder or workbook: the name of each, and its rows in batches.

    The first batch of a table holds what is wrong with the table as a whole. Raises BadInput with
    all that is wrong with finding the tables.
    """
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
